"""Whether a Bundle is all of what it is part of: a page of several is never taken for a whole."""

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

_OTHER_PAGES = {"next", "previous", "prev"}
_GRAVE = ("fatal", "error", "warning")
_BESIDE_THE_MATCHES = ("include", "outcome")
_ONE_OF_SEVERAL = "The bundle is one page of several. Is every medicine in it?"
_FEWER = "The bundle says that more was found than it holds. Is every medicine in it?"


def signs_of_more(bundle: Mapping[str, Any], matches: int) -> Iterator[tuple[str, str]]:
    """Each sign that there is more elsewhere: the element, and what is to be asked.

    Parameters
    ----------
    matches : how many entries count towards `total`
    """
    for number in _other_pages(bundle.get("link", [])):
        yield f"link[{number}]", _ONE_OF_SEVERAL
    total = bundle.get("total", 0)
    if not isinstance(total, int) or total > matches:
        yield "total", _FEWER


def _other_pages(links: object) -> Iterable[int]:
    """The first link to each kind of other page: the same is not asked twice."""
    first: dict[str, int] = {}
    for number, link in enumerate(links if isinstance(links, list) else []):
        relation = link.get("relation") if isinstance(link, dict) else None
        if isinstance(relation, str) and relation in _OTHER_PAGES:
            first.setdefault(relation, number)
    return first.values()


def matches_in(bundle: Mapping[str, Any]) -> int:
    """How many different resources were found by the search itself, not only added to it."""
    found: set[tuple[Any, ...]] = set()
    entries = bundle.get("entry", [])
    for number, entry in enumerate(entries if isinstance(entries, list) else []):
        search = entry.get("search") if isinstance(entry, dict) else None
        mode = search.get("mode") if isinstance(search, dict) else None
        resource = entry.get("resource") if isinstance(entry, dict) else None
        if (isinstance(mode, str) and mode in _BESIDE_THE_MATCHES) or not isinstance(
            resource, dict
        ):
            continue
        named = entry.get("fullUrl", ""), resource.get("resourceType"), resource.get("id")
        found.add(named if all(isinstance(part, str) for part in named) else (number,))
    return len(found)


def is_grave(outcome: Mapping[str, Any]) -> bool:
    """Whether an OperationOutcome beside what was gathered says that something is missing."""
    issues = outcome.get("issue")
    if not isinstance(issues, list):
        return True
    return any(not isinstance(i, dict) or i.get("severity") in _GRAVE for i in issues)
