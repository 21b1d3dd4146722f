"""From the outputs of a run to the transactions that file them.

=============================================  ================================================
not sent before                                 created, unless the server has it already
sent before, and the same as then               not sent
changed since, and no person has touched it     put in the place of the version that was looked at
changed since, and a person has judged it       left as that person left it
=============================================  ================================================
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from hashlib import sha256
from typing import Any, Protocol

from crossgrain.names.identity import RESOURCE_SYSTEM, urn
from crossgrain.writing.encode import to_json

Resource = dict[str, Any]
UNTOUCHED = {"DetectedIssue": "preliminary", "Task": "requested", "Flag": "active"}
"""The status in which we create each, and in which no person has acted on it yet."""


class Finder(Protocol):
    """Looks a resource up by its business identifier."""

    def find(self, kind: str, system: str, value: str) -> Resource | None:
        """The resource, or ``None``."""


@dataclass(frozen=True, slots=True)
class Group:
    """Resources that belong in one transaction: an issue, and the entry that points at it."""

    resources: tuple[Resource, ...]


def groups_of(issues: Iterable[Resource], entries: Sequence[Resource]) -> Iterator[Group]:
    """Each issue with its entry of the worklist, in the order of the issues."""
    beside = {_issue_of(entry): entry for entry in entries if _issue_of(entry)}
    for issue in issues:
        entry = beside.get(issue["id"])
        yield Group((issue, entry) if entry else (issue,))
    for flag in {entry["id"]: entry for entry in entries if not _issue_of(entry)}.values():
        yield Group((flag,))


def _issue_of(entry: Resource) -> str:
    reference: str = entry.get("focus", {}).get("reference", "")
    return reference.partition("/")[2]


def digest(resource: Resource) -> str:
    """Equal for two equal resources."""
    return sha256(to_json(resource)).hexdigest()


def entries_for(group: Group, sent: dict[str, str], server: Finder) -> list[Resource]:
    """The transaction entries that bring the server up to date with a group."""
    changed = [r for r in group.resources if sent.get(r["id"]) != digest(r)]
    if not changed:
        return []
    found: list[Resource] = []
    for resource in changed:
        entry = _created(resource) if resource["id"] not in sent else _replaced(resource, server)
        if entry is not None:
            found.append(entry)
    return _pointing_at_each_other(found, group, server)


def _created(resource: Resource) -> Resource:
    kind, own_id = resource["resourceType"], resource["id"]
    return {
        "fullUrl": urn(own_id),
        "resource": _without_id(resource),
        "request": {
            "method": "POST",
            "url": kind,
            "ifNoneExist": f"identifier={RESOURCE_SYSTEM}|{own_id}",
        },
    }


def _replaced(resource: Resource, server: Finder) -> Resource | None:
    kind, own_id = resource["resourceType"], resource["id"]
    there = server.find(kind, RESOURCE_SYSTEM, own_id)
    if there is None:
        return _created(resource)
    if there.get("status") != UNTOUCHED[kind]:
        return None
    request = {"method": "PUT", "url": f"{kind}/{there['id']}"}
    version = there.get("meta", {}).get("versionId")
    if version:
        request["ifMatch"] = f'W/"{version}"'
    full = {**_without_id(resource), "id": there["id"]}
    return {"fullUrl": urn(own_id), "resource": full, "request": request}


def _without_id(resource: Resource) -> Resource:
    return {name: value for name, value in resource.items() if name != "id"}


def _pointing_at_each_other(
    entries: list[Resource], group: Group, server: Finder
) -> list[Resource]:
    """Let a Task point at its issue: by URN inside the transaction, else where it lies."""
    urns = {entry["fullUrl"] for entry in entries}
    for entry in entries:
        resource = entry["resource"]
        if resource["resourceType"] == "Task":
            issue = group.resources[0]
            target = urn(issue["id"])
            if target not in urns:
                there = server.find("DetectedIssue", RESOURCE_SYSTEM, issue["id"])
                target = f"DetectedIssue/{there['id']}" if there else target
            entry["resource"] = {**resource, "focus": {"reference": target}}
    return entries
