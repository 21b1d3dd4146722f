"""What a run found, filed in transactions; what was sent is remembered, so nothing is sent twice.

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
from itertools import islice
from pathlib import Path
from typing import Any, Protocol

import msgspec

from crossgrain.names.identity import RESOURCE_SYSTEM, FhirVersion, urn
from crossgrain.names.values import frozen
from crossgrain.nightly.plan import RunRefused
from crossgrain.nightly.workdir import ENTRIES, ISSUES, REPORT, locked, write_whole
from crossgrain.writing.forms import to_json

Resource = dict[str, Any]
UNTOUCHED = {"DetectedIssue": "preliminary", "Task": "requested", "Flag": "active"}
"""The status in which we create each, and in which no person has acted on it yet."""


class Finder(Protocol):
    """Looks a resource up by its business identifier."""

    def find(self, kind: str, system: str, value: str) -> Resource | None:
        """The resource, or ``None``."""


@frozen
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


GROUPS_AT_ONCE = 50


class FhirServer(Finder, Protocol):
    """A server that finds resources and files transactions."""

    def transact(self, bundle: Resource) -> None:
        """File a transaction, whole or not at all."""


@dataclass(slots=True)
class Sent:
    """What became of a sending: resources by their fate, and the transactions it took."""

    transactions: int = 0
    created: int = 0
    replaced: int = 0
    unchanged: int = 0
    judged_by_a_person: int = 0


def version_of(out: Path) -> FhirVersion:
    """The FHIR version of a run's outputs.

    Raises
    ------
    RunRefused
        where there is no finished run.
    """
    report = _report(out)
    return next(version for version in FhirVersion if version.number == report["fhir"])


def _report(out: Path) -> dict[str, Any]:
    try:
        report: dict[str, Any] = msgspec.json.decode((out / REPORT).read_bytes())
    except FileNotFoundError:
        raise RunRefused(f"{out}: there is no finished run in this folder") from None
    except (msgspec.DecodeError, UnicodeDecodeError):
        raise RunRefused(f"{out / REPORT}: this is no report: it is not JSON") from None
    return report


def send(out: Path, base: str, server: FhirServer, *, dry_run: bool = False) -> Sent:
    """File the outputs in `out` on a server.

    Parameters
    ----------
    base : the server's address, under which what was sent is remembered
    server : with `dry_run` it is asked what it holds, and is sent nothing

    Raises
    ------
    RunRefused
        where the outputs are not those that the report names: of a run that was killed between
        two of them, or changed by hand.
    """
    told = Sent()
    with locked(out):
        memory = out / f".sent-{sha256(base.encode()).hexdigest()[:16]}.json"
        sent: dict[str, str] = msgspec.json.decode(memory.read_bytes()) if memory.is_file() else {}
        outputs = _report(out)["outputs"]
        issues, *worklists = (_read(out / name, outputs) for name in (ISSUES, *ENTRIES.values()))
        waiting = iter(groups_of(issues, [entry for entries in worklists for entry in entries]))
        while some := list(islice(waiting, GROUPS_AT_ONCE)):
            entries = [entry for group in some for entry in _entries(group, sent, server, told)]
            if not entries:
                continue
            told.transactions += 1
            if not dry_run:
                server.transact({"resourceType": "Bundle", "type": "transaction", "entry": entries})
                sent.update({r["id"]: digest(r) for group in some for r in group.resources})
                _remember(memory, sent)
    return told


def _remember(memory: Path, sent: dict[str, str]) -> None:
    try:
        write_whole(memory, msgspec.json.encode(sent))
    except OSError as wrong:
        raise RunRefused(
            f"{wrong.strerror}: not all that was filed could be noted; call it again once there"
            " is room: nothing is filed twice"
        ) from wrong


def _entries(group: Group, sent: dict[str, str], server: FhirServer, told: Sent) -> list[Resource]:
    entries = entries_for(group, sent, server)
    created = sum(entry["request"]["method"] == "POST" for entry in entries)
    same = sum(sent.get(r["id"]) == digest(r) for r in group.resources)
    told.created += created
    told.replaced += len(entries) - created
    told.unchanged += same
    told.judged_by_a_person += len(group.resources) - same - len(entries)
    return entries


def _read(path: Path, outputs: dict[str, dict[str, Any]]) -> list[Resource]:
    """The resources of an output, if the report names it."""
    said = outputs.get(path.name)
    if said is None:
        return []
    content = path.read_bytes() if path.is_file() else b""
    if sha256(content).hexdigest() != said["sha256"]:
        raise RunRefused(
            f"{path}: this is not the file that {REPORT} names; nothing was sent: screen again"
        )
    return [msgspec.json.decode(line) for line in content.splitlines()]
