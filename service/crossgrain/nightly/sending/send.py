"""Send what a run wrote; what was sent is remembered per server, so nothing is sent twice."""

from dataclasses import dataclass
from hashlib import sha256
from itertools import islice
from pathlib import Path
from typing import Any, Protocol

import msgspec

from crossgrain.names.version import FhirVersion
from crossgrain.nightly.atomic import write_whole
from crossgrain.nightly.faults import RunRefused
from crossgrain.nightly.sending.transactions import (
    Finder,
    Group,
    digest,
    entries_for,
    groups_of,
)
from crossgrain.nightly.workdir import ENTRIES, ISSUES, REPORT, locked

Resource = dict[str, Any]
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
    except msgspec.DecodeError:
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
