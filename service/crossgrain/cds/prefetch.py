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

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, NamedTuple

from crossgrain.cds.services import Template
from crossgrain.reading.door import is_grave, signs_of_more

Resource = dict[str, Any]
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


class Part(NamedTuple):
    """A resource, its place in the call, and its address as far as that was sent."""

    place: str
    resource: Resource
    full_url: str = ""


@dataclass(frozen=True, slots=True)
class Gathered:
    """What there is for one template: resources, each with its place in the call."""

    template: Template
    standing: Standing
    resources: tuple[Part, ...] = ()

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
        return Gathered(template, standing, (Part(place, value),) if kind == template.kind else ())
    if kind != "Bundle" or value.get("type") not in _BUNDLES:
        return Gathered(template, Standing.UNUSABLE)
    return _from_bundle(template, value, place)


def _from_bundle(template: Template, bundle: Resource, place: str) -> Gathered:
    entries = bundle.get("entry", [])
    if not isinstance(entries, list):
        return Gathered(template, Standing.UNUSABLE)
    found: list[Part] = []
    outcomes: list[Resource] = []
    for number, entry in enumerate(entries):
        resource = entry.get("resource") if isinstance(entry, dict) else None
        if not isinstance(resource, dict):
            return Gathered(template, Standing.UNUSABLE)
        if resource.get("resourceType") == "OperationOutcome":
            outcomes.append(resource)
        else:
            found.append(Part(f"{place}.entry[{number}].resource", resource, _url_of(entry)))
    whole = is_all(bundle, template, found) and not any(map(is_grave, outcomes))
    return Gathered(template, Standing.GIVEN if whole else Standing.PARTIAL, tuple(found))


def _url_of(entry: Mapping[str, Any]) -> str:
    full_url = entry.get("fullUrl")
    return full_url if isinstance(full_url, str) else ""


def is_all(bundle: Mapping[str, Any], template: Template, parts: Iterable[Part]) -> bool:
    """Whether nothing in a Bundle says that more was found than these parts hold."""
    asked_for = {
        (part.full_url, str(part.resource.get("id") or part.place))
        for part in parts
        if part.resource.get("resourceType") == template.kind
    }
    return not any(signs_of_more(bundle, len(asked_for)))
