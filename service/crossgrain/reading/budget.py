"""How much of one record is read before it is refused as too costly.

Every number is far above what a record of one person holds: our judgement.
"""

from dataclasses import dataclass, field

from crossgrain.reading.elements import CodeableConcept, ReadCategory, Unreadable

MOST_CHARACTERS_OF_A_NAME = 10_000
"""Of all codings and words by which one medicine is named."""
MOST_CHARACTERS_OF_NAMES = 200_000
"""Of all different names of medicines in one record."""
MOST_RESOURCES = 10_000
"""In one record: of an ordinary size they would come to more bytes than a body may have."""
MOST_CHARACTERS_OF_AN_ADDRESS = 2_000
"""Of a resource's id and of its entry's address, which answers repeat; FHIR's ids have 64."""
MOST_HORMONES = 2_000
"""Thyroid medicines of all times: forty years of monthly orders, each stated too, are half."""
MOST_SAYINGS = 6_000
"""Dosages, and words about the taking, each counted for every dosage that it is held against."""
MOST_CHARACTERS_OF_SAYINGS = 300_000
"""Of all those words, and of all notes in which they are sought."""
MOST_DRAFTS = 50
"""Thyroid hormone orders in draft: they are judged together."""


def refuse_resources_above(count: int, most: int | None, root: str) -> None:
    """Refuse a record of more resources than are read; ``None`` for no bound.

    Raises
    ------
    Unreadable
        ``too-costly``.
    """
    if most is not None and count > most:
        raise _too_costly(root, f"the record holds more than {most} resources")


def refuse_long_address(address: str | None, path: str) -> None:
    """Refuse an id or an address of more characters than any has.

    Raises
    ------
    Unreadable
        ``too-costly``.
    """
    if address is not None and len(address) > MOST_CHARACTERS_OF_AN_ADDRESS:
        words = f"this has more than {MOST_CHARACTERS_OF_AN_ADDRESS} characters"
        raise _too_costly(path, words)


def refuse_drafts_above(count: int, root: str) -> None:
    """Refuse a record of more draft orders than anyone writes at once.

    Raises
    ------
    Unreadable
        ``too-costly``.
    """
    if count > MOST_DRAFTS:
        raise _too_costly(root, f"more than {MOST_DRAFTS} thyroid hormone orders are drafts")


@dataclass(slots=True)
class Budget:
    """What one reading has spent."""

    names: set[CodeableConcept] = field(default_factory=set)
    characters: int = 0
    hormones: int = 0
    sayings: int = 0
    said: int = 0

    def spend_on_sayings(self, count: int, path: str) -> None:
        """Count what is held against the dosages of one medicine.

        Raises
        ------
        Unreadable
            ``too-costly``, where there is too much of it.
        """
        self.sayings += count
        if self.sayings > MOST_SAYINGS:
            raise _too_costly(
                path,
                f"more than {MOST_SAYINGS} dosages, instructions and notes say how thyroid"
                " medicines are taken",
            )

    def spend_on_words(self, characters: int, path: str) -> None:
        """Count the words of one medicine in which its taking is sought.

        Raises
        ------
        Unreadable
            ``too-costly``, where all of them are too long.
        """
        self.said += characters
        if self.said > MOST_CHARACTERS_OF_SAYINGS:
            raise _too_costly(
                path,
                "the instructions and notes of thyroid medicines have more than"
                f" {MOST_CHARACTERS_OF_SAYINGS} characters",
            )

    def count_hormone(self, path: str) -> None:
        """Count a thyroid medicine.

        Raises
        ------
        Unreadable
            ``too-costly``, where there are too many.
        """
        self.hormones += 1
        if self.hormones > MOST_HORMONES:
            raise _too_costly(path, f"the record holds more than {MOST_HORMONES} thyroid medicines")

    def spend_on(self, name: CodeableConcept | None, path: str) -> None:
        """Count a name that is to be looked into, each different one once.

        Raises
        ------
        Unreadable
            ``too-costly``, where it or all of them are too long.
        """
        if name is None:
            return
        if name.characters > MOST_CHARACTERS_OF_A_NAME:
            raise _too_costly(
                path, f"a medicine's name has more than {MOST_CHARACTERS_OF_A_NAME} characters"
            )
        if name not in self.names:
            self.names.add(name)
            self.characters += name.characters
        if self.characters > MOST_CHARACTERS_OF_NAMES:
            raise _too_costly(
                path, f"the names of medicines have more than {MOST_CHARACTERS_OF_NAMES} characters"
            )


def _too_costly(path: str, why: str) -> Unreadable:
    return Unreadable(ReadCategory.TOO_COSTLY, path, why)
