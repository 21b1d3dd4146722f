"""What a client sent for a prefetch template, told apart.

===================  ================================================================
given                a resource, or a Bundle that is whole
no data              ``null``: the client looked and has nothing
declined             the key is absent: the client chose not to send it, or could not
failed               an OperationOutcome stands in its place
unusable             something else: an HTML error page, a resource of another kind
partial              a page of several, fewer entries than `total`, or a warning inside
===================  ================================================================

Only the first two are complete. Nothing partial is ever taken for a whole.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from crossgrain.api.cds.services import Template

Resource = dict[str, Any]
_GRAVE = ("fatal", "error", "warning")
_BUNDLES = ("searchset", "collection")


class Standing(StrEnum):
    """How the answer to one template stands."""

    GIVEN = "given"
    NO_DATA = "no data"
    DECLINED = "declined"
    FAILED = "failed"
    UNUSABLE = "unusable"
    PARTIAL = "partial"


_WORDS = {
    Standing.DECLINED: "was not sent",
    Standing.FAILED: "could not be gathered: an OperationOutcome came in its place",
    Standing.UNUSABLE: "is not what was asked for",
    Standing.PARTIAL: "is only a part",
}


@dataclass(frozen=True, slots=True)
class Gathered:
    """What there is for one template: resources, each with its place in the call."""

    template: Template
    standing: Standing
    resources: tuple[tuple[str, Resource], ...] = ()

    @property
    def is_whole(self) -> bool:
        """Nothing of it is missing."""
        return self.standing in {Standing.GIVEN, Standing.NO_DATA}

    @property
    def why_not(self) -> str:
        """What is wrong with it, for a person."""
        return f"{self.template.kind} {_WORDS[self.standing]}"


def sort_out(template: Template, prefetch: Mapping[str, Any]) -> Gathered:
    """What a call's prefetch holds for one template."""
    if template.key not in prefetch:
        return Gathered(template, Standing.DECLINED)
    return from_value(template, prefetch[template.key], f"prefetch.{template.key}")


def from_value(template: Template, value: object, place: str) -> Gathered:
    """The same for a value that came from anywhere."""
    if value is None:
        return Gathered(template, Standing.NO_DATA)
    if not isinstance(value, dict):
        return Gathered(template, Standing.UNUSABLE)
    kind = value.get("resourceType")
    if kind == "OperationOutcome":
        return Gathered(template, Standing.FAILED)
    if template.is_read:
        standing = Standing.GIVEN if kind == template.kind else Standing.UNUSABLE
        return Gathered(template, standing, ((place, value),) if kind == template.kind else ())
    if kind != "Bundle" or value.get("type") not in _BUNDLES:
        return Gathered(template, Standing.UNUSABLE)
    return _from_bundle(template, value, place)


def _from_bundle(template: Template, bundle: Resource, place: str) -> Gathered:
    entries = bundle.get("entry", [])
    if not isinstance(entries, list):
        return Gathered(template, Standing.UNUSABLE)
    found: list[tuple[str, Resource]] = []
    outcomes: list[Resource] = []
    for number, entry in enumerate(entries):
        resource = entry.get("resource") if isinstance(entry, dict) else None
        if not isinstance(resource, dict):
            return Gathered(template, Standing.UNUSABLE)
        if resource.get("resourceType") == "OperationOutcome":
            outcomes.append(resource)
        elif resource.get("resourceType") in (template.kind, "Medication"):
            found.append((f"{place}.entry[{number}].resource", resource))
    matches = sum(resource["resourceType"] == template.kind for _, resource in found)
    whole = not (_has_more(bundle, matches) or any(_is_grave(outcome) for outcome in outcomes))
    return Gathered(template, Standing.GIVEN if whole else Standing.PARTIAL, tuple(found))


def _has_more(bundle: Resource, matches: int) -> bool:
    """Whether there is a next page, or more than came."""
    total = bundle.get("total", 0)
    links = bundle.get("link", [])
    return not isinstance(total, int) or total > matches or "next" in list(_relations(links))


def _relations(links: object) -> Iterator[object]:
    for link in links if isinstance(links, list) else ():
        if isinstance(link, dict):
            yield link.get("relation")


def _is_grave(outcome: Resource) -> bool:
    issues = outcome.get("issue")
    if not isinstance(issues, list):
        return True
    return any(not isinstance(i, dict) or i.get("severity") in _GRAVE for i in issues)
