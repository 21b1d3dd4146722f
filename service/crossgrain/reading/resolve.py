"""The bundle as an index, references resolved, never by an id alone; how much is read of it.

A relative reference is one on the server of the entry that makes it, as far as that entry's
``fullUrl`` says which. What stands on another server under the same id is another resource.

Every bound on what is read is far above what a record of one person holds: our judgement.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from itertools import islice
from typing import Any

import msgspec

from crossgrain.reading.elements import CodeableConcept, ReadCategory, Reference, Unreadable

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
MOST_SAYINGS = 4_000
"""Dosages, and words about the taking, each counted for every dosage that it is held against."""
MOST_CHARACTERS_OF_SAYINGS = 300_000
"""Of all those words, and of all notes in which they are sought."""
MOST_TIMES = 1_440
"""Times of day in the dosages of one medicine: a day has no more minutes."""
MOST_PARTS = 2_000
"""Components of one result: a panel has some dozens."""
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


def refuse_times_above(count: int, path: str) -> None:
    """Refuse dosages that name more times of day than there are.

    Raises
    ------
    Unreadable
        ``too-costly``.
    """
    if count > MOST_TIMES:
        raise _too_costly(path, f"its dosages name more than {MOST_TIMES} times of day")


def refuse_parts_above(count: int, path: str) -> None:
    """Refuse a result of more components than any has.

    Raises
    ------
    Unreadable
        ``too-costly``.
    """
    if count > MOST_PARTS:
        raise _too_costly(f"{path}.component", f"it has more than {MOST_PARTS} components")


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


_KINDS_READ = ("collection", "searchset", "document", "message", "transaction", "batch")


class Entry(msgspec.Struct, frozen=True):
    """One resource of the bundle.

    Attributes
    ----------
    reference : how the input itself refers to it: its ``fullUrl`` when that is a URN or when
        another server has the same, else ``Type/id``
    base : the address of its server, or empty where its ``fullUrl`` does not say
    """

    path: str
    reference: str
    kind: str
    resource: dict[str, Any]
    base: str = ""

    @property
    def address(self) -> str:
        """Its ``fullUrl``, or empty where it has none that names it."""
        if is_urn(self.reference):
            return self.reference
        own = f"{self.kind}/{self.resource.get('id')}"
        return f"{self.base}/{own}" if self.base else ""


class BundleIndex:
    """Every entry of a bundle, checked for what would make it ambiguous.

    Raises
    ------
    Unreadable
        for what is no bundle of a kind that is read, an entry without a resource, or two
        different resources under one address.
    """

    def __init__(self, bundle: dict[str, Any], root: str) -> None:
        _check_bundle(bundle, root)
        self.root = root
        self.entries: list[Entry] = []
        self._by_address: dict[str, Entry] = {}
        self._by_name: dict[str, dict[str, Entry]] = {}
        """``Type/id`` → base → the entry of that server."""
        for number, entry in enumerate(_entries(bundle, root)):
            self._add(entry, f"{root}.entry[{number}]")

    def find(self, reference: Reference | None, origin: Entry) -> Entry | None:
        """The entry that a reference of `origin` points to; ``None`` where there is none."""
        if reference is None or reference.reference is None:
            return None
        said = without_version(reference.reference)
        named = self._by_name.get(said, {})
        if origin.base and is_relative(said):
            return named.get(origin.base)
        return next(iter(named.values())) if len(named) == 1 else self._by_address.get(said)

    def may_find(self, reference: Reference | None, origin: Entry) -> bool:
        """Whether something is named alike, and on which server one of the two is, is not said."""
        if reference is None or reference.reference is None:
            return False
        named = self._by_name.get(local(reference.reference), {})
        known = origin.base or not is_relative(reference.reference)
        return self.find(reference, origin) is None and bool(named) and ("" in named or not known)

    def _add(self, content: object, path: str) -> None:
        """Index one entry, unless the very same resource came before."""
        kind, id_, full_url, resource = _parts(content, path)
        own = f"{kind}/{id_}" if id_ else ""
        base = full_url.removesuffix(f"/{own}") if own and full_url.endswith(f"/{own}") else ""
        namesakes = self._by_name.setdefault(own, {}) if own else {}
        apart = bool(base and namesakes and base not in namesakes)
        place = f"{path}.resource"
        by_url = bool(full_url) and (not own or is_urn(full_url) or apart)
        found = Entry(place, full_url if by_url else own or place, kind, resource, base)
        earlier = [*_of_one_server(base, namesakes)]
        if full_url and full_url in self._by_address:
            earlier.append(self._by_address[full_url])
        if any(one.resource != resource for one in earlier):
            raise Unreadable(
                ReadCategory.CONFLICT, place, "two different resources share one address"
            )
        if full_url:
            self._by_address.setdefault(full_url, found)
        if not earlier:
            self.entries.append(found)
            namesakes[base] = found


def _parts(content: object, path: str) -> tuple[str, str | None, str, dict[str, Any]]:
    """Type, id, address without its version, and the resource of one entry."""
    if not isinstance(content, dict):
        raise Unreadable(ReadCategory.STRUCTURE, path, "expected an object")
    resource, full_url = content.get("resource"), content.get("fullUrl")
    if not isinstance(resource, dict):
        raise Unreadable(ReadCategory.STRUCTURE, path, "this entry has no resource")
    kind, id_ = resource.get("resourceType"), resource.get("id")
    if not isinstance(kind, str):
        raise Unreadable(
            ReadCategory.STRUCTURE, f"{path}.resource", "the resource has no resourceType"
        )
    if not (id_ is None or isinstance(id_, str)):
        raise Unreadable(ReadCategory.STRUCTURE, f"{path}.resource.id", "expected a string")
    if not (full_url is None or isinstance(full_url, str)):
        raise Unreadable(ReadCategory.STRUCTURE, f"{path}.fullUrl", "expected a string")
    refuse_long_address(id_, f"{path}.resource.id")
    refuse_long_address(full_url, f"{path}.fullUrl")
    return kind, id_, without_version(full_url or ""), as_modified(resource, content)


def as_modified(resource: dict[str, Any], entry: Mapping[str, Any]) -> dict[str, Any]:
    """The resource of an entry: what may change the meaning of the entry may change that of it."""
    modifier = entry.get("modifierExtension")
    if not modifier:
        return resource
    own = resource.get("modifierExtension")
    both = [*own, *modifier] if isinstance(own, list) and isinstance(modifier, list) else modifier
    return {**resource, "modifierExtension": both}


def _of_one_server(base: str, namesakes: Mapping[str, Entry]) -> Iterator[Entry]:
    """What was named alike before on what may be the same server."""
    if not base:
        yield from islice(namesakes.values(), 1)
        return
    for known in (base, ""):
        if known in namesakes:
            yield namesakes[known]


def is_urn(reference: str) -> bool:
    """Whether it is a URN: ``urn:uuid:…``."""
    return reference.startswith("urn:")


def is_relative(reference: str) -> bool:
    """Whether it leaves open on which server: ``Type/id``."""
    return not is_urn(reference) and "://" not in reference and not reference.startswith("#")


def without_version(reference: str) -> str:
    """An address without its version; a URN in small letters.

    >>> without_version("https://ehr.example/fhir/Patient/p1/_history/2")
    'https://ehr.example/fhir/Patient/p1'
    """
    if is_urn(reference):
        return reference.lower()
    return reference.split("/_history/", 1)[0]


def local(reference: str) -> str:
    """An address without its server and its version, which alone is no name of a resource.

    >>> local("https://ehr.example/fhir/Patient/p1/_history/2")
    'Patient/p1'
    """
    said = without_version(reference)
    return said if is_urn(said) else "/".join(said.rsplit("/", 2)[-2:])


def refuse_implicit_rules(resource: Mapping[str, Any], path: str) -> None:
    """Refuse a resource that can only be read by rules which are kept elsewhere.

    Raises
    ------
    Unreadable
        ``not-supported``, naming the element.
    """
    if resource.get("implicitRules") is not None:
        raise Unreadable(
            ReadCategory.NOT_SUPPORTED,
            f"{path}.implicitRules",
            "implicit rules are not followed, so this resource cannot be read",
        )


def _check_bundle(bundle: dict[str, Any], root: str) -> None:
    if bundle.get("resourceType") != "Bundle":
        raise Unreadable(ReadCategory.STRUCTURE, root, "a Bundle is expected here")
    refuse_implicit_rules(bundle, root)
    kind = bundle.get("type")
    if kind not in _KINDS_READ:
        raise Unreadable(
            ReadCategory.NOT_SUPPORTED if isinstance(kind, str) else ReadCategory.STRUCTURE,
            f"{root}.type",
            f"a Bundle of one of these types is read: {', '.join(_KINDS_READ)}",
        )


def _entries(bundle: dict[str, Any], root: str) -> list[Any]:
    entries = bundle.get("entry", [])
    if not isinstance(entries, list):
        raise Unreadable(ReadCategory.STRUCTURE, f"{root}.entry", "expected an array")
    if not entries:
        raise Unreadable(ReadCategory.STRUCTURE, root, "the Bundle is empty")
    return entries
