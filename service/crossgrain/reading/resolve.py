"""The bundle as an index: entries by address, references resolved, never by an id alone.

A relative reference is one on the server of the entry that makes it, as far as that entry's
``fullUrl`` says which. What stands on another server under the same id is another resource.
"""

from collections.abc import Iterator, Mapping
from itertools import islice
from typing import Any

import msgspec

from crossgrain.reading.budget import refuse_long_address
from crossgrain.reading.elements import ReadCategory, Reference, Unreadable

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
    return kind, id_, without_version(full_url or ""), resource


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
