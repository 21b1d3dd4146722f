"""How much of one record is read before it is refused as too costly.

Every number is far above what a record of one person holds: our judgement.
"""

from dataclasses import dataclass, field

from crossgrain.fhir.read.elements import CodeableConcept
from crossgrain.fhir.read.errors import Category, Unreadable

MOST_CHARACTERS_OF_A_NAME = 10_000
"""Of all codings and words by which one medicine is named."""
MOST_CHARACTERS_OF_NAMES = 200_000
"""Of all different names of medicines in one record."""
MOST_HORMONES = 2_000
"""Thyroid medicines of all times: forty years of monthly orders, each stated too, are half."""
MOST_DRAFTS = 50
"""Thyroid hormone orders in draft: they are judged together."""


def refuse_drafts_above(count: int, root: str) -> None:
    """Refuse a record of more draft orders than anyone writes at once.

    Raises
    ------
    Unreadable
        ``too-costly``.
    """
    if count > MOST_DRAFTS:
        raise Unreadable(
            Category.TOO_COSTLY, root, f"more than {MOST_DRAFTS} thyroid hormone orders are drafts"
        )


@dataclass(slots=True)
class Budget:
    """What one reading has spent."""

    names: set[CodeableConcept] = field(default_factory=set)
    characters: int = 0
    hormones: int = 0

    def count_hormone(self, path: str) -> None:
        """Count a thyroid medicine.

        Raises
        ------
        Unreadable
            ``too-costly``, where there are too many.
        """
        self.hormones += 1
        if self.hormones > MOST_HORMONES:
            raise Unreadable(
                Category.TOO_COSTLY,
                path,
                f"the record holds more than {MOST_HORMONES} thyroid medicines",
            )

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
            raise Unreadable(
                Category.TOO_COSTLY,
                path,
                f"a medicine's name has more than {MOST_CHARACTERS_OF_A_NAME} characters",
            )
        if name not in self.names:
            self.names.add(name)
            self.characters += name.characters
        if self.characters > MOST_CHARACTERS_OF_NAMES:
            raise Unreadable(
                Category.TOO_COSTLY,
                path,
                f"the names of medicines have more than {MOST_CHARACTERS_OF_NAMES} characters",
            )
