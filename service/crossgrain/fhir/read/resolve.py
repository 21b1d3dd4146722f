"""The bundle as an index: entries by ``fullUrl`` and by ``Type/id``, references resolved."""

from collections.abc import Mapping
from typing import Any

import msgspec

from crossgrain.fhir.read.elements import Reference
from crossgrain.fhir.read.errors import Category, Unreadable

_KINDS_READ = ("collection", "searchset", "document", "message", "transaction", "batch")


class Entry(msgspec.Struct, frozen=True):
    """One resource of the bundle.

    `reference` is how the input itself refers to it: its ``fullUrl`` when that is a URN,
    else ``Type/id``.
    """

    path: str
    reference: str
    kind: str
    resource: dict[str, Any]


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
        self.entries: list[Entry] = []
        self._by_address: dict[str, Entry] = {}
        for number, entry in enumerate(_entries(bundle, root)):
            self._add(entry, f"{root}.entry[{number}]")

    def find(self, reference: Reference | None) -> Entry | None:
        """The entry that a reference points to, or ``None`` where the bundle lacks it."""
        if reference is None or reference.reference is None:
            return None
        return self._by_address.get(local(reference.reference))

    def _add(self, entry: object, path: str) -> None:
        if not isinstance(entry, dict):
            raise Unreadable(Category.STRUCTURE, path, "expected an object")
        resource = entry.get("resource")
        if not isinstance(resource, dict):
            raise Unreadable(Category.STRUCTURE, path, "this entry has no resource")
        kind, id_, full_url = resource.get("resourceType"), resource.get("id"), entry.get("fullUrl")
        if not isinstance(kind, str):
            raise Unreadable(
                Category.STRUCTURE, f"{path}.resource", "the resource has no resourceType"
            )
        place = f"{path}.resource"
        if not (id_ is None or isinstance(id_, str)):
            raise Unreadable(Category.STRUCTURE, f"{place}.id", "expected a string")
        if not (full_url is None or isinstance(full_url, str)):
            raise Unreadable(Category.STRUCTURE, f"{path}.fullUrl", "expected a string")
        own = f"{kind}/{id_}" if id_ else None
        if full_url and (own is None or full_url.startswith("urn:")):
            found = Entry(place, full_url, kind, resource)
        else:
            found = Entry(place, own or place, kind, resource)
        repeats = own is not None and self._repeats(found, own)
        if full_url and not (own and full_url.endswith(own)):
            repeats = self._repeats(found, local(full_url)) or repeats
        if not repeats:
            self.entries.append(found)

    def _repeats(self, entry: Entry, address: str) -> bool:
        """Index the entry; true where the very same resource came before."""
        earlier = self._by_address.setdefault(address, entry)
        if earlier is entry:
            return False
        if earlier.resource != entry.resource:
            raise Unreadable(
                Category.CONFLICT, entry.path, "two different resources share one address"
            )
        return True


def local(reference: str) -> str:
    """An address without its server and its version: ``Type/id``, or the URN as it is.

    >>> local("https://ehr.example/fhir/Patient/p1/_history/2")
    'Patient/p1'
    """
    if reference.startswith("urn:"):
        return reference.lower()
    parts = reference.split("/_history/", 1)[0].rsplit("/", 2)
    return "/".join(parts[-2:])


def refuse_implicit_rules(resource: Mapping[str, Any], path: str) -> None:
    """Refuse a resource that can only be read by rules which are kept elsewhere.

    Raises
    ------
    Unreadable
        ``not-supported``, naming the element.
    """
    if resource.get("implicitRules") is not None:
        raise Unreadable(
            Category.NOT_SUPPORTED,
            f"{path}.implicitRules",
            "implicit rules are not followed, so this resource cannot be read",
        )


def _check_bundle(bundle: dict[str, Any], root: str) -> None:
    if bundle.get("resourceType") != "Bundle":
        raise Unreadable(Category.STRUCTURE, root, "a Bundle is expected here")
    refuse_implicit_rules(bundle, root)
    kind = bundle.get("type")
    if kind not in _KINDS_READ:
        raise Unreadable(
            Category.NOT_SUPPORTED if isinstance(kind, str) else Category.STRUCTURE,
            f"{root}.type",
            f"a Bundle of one of these types is read: {', '.join(_KINDS_READ)}",
        )


def _entries(bundle: dict[str, Any], root: str) -> list[Any]:
    entries = bundle.get("entry", [])
    if not isinstance(entries, list):
        raise Unreadable(Category.STRUCTURE, f"{root}.entry", "expected an array")
    if not entries:
        raise Unreadable(Category.STRUCTURE, root, "the Bundle is empty")
    return entries
