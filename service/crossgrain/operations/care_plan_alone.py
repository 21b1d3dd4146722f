"""An answer's CarePlan on its own, with everything that it refers to contained in it."""

from collections.abc import Iterator, Mapping
from typing import Any

Resource = dict[str, Any]


def care_plan_alone(bundle: Resource) -> Resource:
    """The CarePlan of an answer, the other resources contained.

    References between them become fragments: ``#`` and the id, and ``#`` alone for the CarePlan
    itself. Nothing contained may itself contain, so what the GuidanceResponse and the Provenance
    contain stands beside them.
    """
    care_plan = next(r for r in _resources(bundle) if r["resourceType"] == "CarePlan")
    fragments = {
        f"urn:uuid:{resource['id']}": "#" if resource is care_plan else f"#{resource['id']}"
        for resource in _resources(bundle)
    }
    contained: dict[str, Resource] = {}
    for resource in _resources(bundle):
        if resource is not care_plan:
            for part in _flat(resource):
                contained[part["id"]] = _by_fragment(part, fragments)
    alone: Resource = _by_fragment(care_plan, fragments)
    head = ("resourceType", "id", "text")
    return {
        **{key: alone[key] for key in head},
        "contained": list(contained.values()),
        **{key: value for key, value in alone.items() if key not in head},
    }


def _resources(bundle: Resource) -> Iterator[Resource]:
    return (entry["resource"] for entry in bundle["entry"])


def _flat(resource: Resource) -> Iterator[Resource]:
    yield from resource.get("contained", ())
    yield {key: value for key, value in resource.items() if key != "contained"}


def _by_fragment(node: Any, fragments: Mapping[str, str]) -> Any:
    if isinstance(node, dict):
        return {
            key: fragments.get(value, value)
            if key == "reference" and isinstance(value, str)
            else _by_fragment(value, fragments)
            for key, value in node.items()
        }
    if isinstance(node, list):
        return [_by_fragment(value, fragments) for value in node]
    return node
