"""Whether the export is whole: unless every sign agrees, no flag of an earlier night is closed.

A flag that is found no more is closed because the record shows that it is settled. A record of
which a part did not arrive shows the same. So an export is held against what it says of itself
(the manifest's names and counts, the ends of its files) and against earlier nights: a type that
vanished, much less of one than there was, patients whose evidence is gone.

=====================================  ==================================================
an export that contradicts itself       a fault: nothing is closed
less than on an earlier night           a doubt: nothing is closed, unless it is accepted
one patient's evidence is gone          a doubt about that patient: those flags are carried
=====================================  ==================================================
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import msgspec

from crossgrain.names.identity import FhirVersion
from crossgrain.names.values import frozen
from crossgrain.nightly.export import ERRORS, READ, Export
from crossgrain.nightly.plan import Chunk, InputFault, InputFile, RunRefused, SourceFile, input_file
from crossgrain.nightly.scan import MOST_FAULTS, Tally
from crossgrain.nightly.workdir import WorkDir
from crossgrain.screening.limits import Limits


class Totals(msgspec.Struct):
    """What `sql.TOTALS` counts, in its order.

    Attributes
    ----------
    patients, of_one_kind, to_judge : all, those with one kind of hormone alone, those judged
    absent, with_lost_evidence : patients with an open flag of whom nothing came, and those for
        whom some of what the flag rests on is no longer there
    """

    patients: int
    of_one_kind: int
    to_judge: int
    absent: int = 0
    with_lost_evidence: int = 0


@dataclass(slots=True)
class FileRead:
    """What one file held, its pieces put together; faults carry their lines in the file."""

    begun: int = 0
    lines: int = 0
    kept: int = 0
    at_fault: int = 0
    types: Counter[str] = field(default_factory=Counter)
    faults: list[InputFault] = field(default_factory=list)
    broken: str = ""

    def add(self, tally: Tally) -> None:
        """Put the next piece to those before it."""
        first = tally.faults[: MOST_FAULTS - len(self.faults)]
        self.faults += [InputFault(f.file, f.line + self.begun, f.why) for f in first]
        self.begun += tally.begun
        self.lines += tally.lines
        self.kept += tally.kept
        self.at_fault += tally.at_fault
        self.types.update(tally.types)
        self.broken = self.broken or tally.broken


FilesRead = Mapping[SourceFile, FileRead]


def files_read(chunks: Iterable[Chunk], tallies: Iterable[Tally]) -> FilesRead:
    """What each file held, from its pieces in their order."""
    found: dict[SourceFile, FileRead] = {}
    for chunk, tally in zip(chunks, tallies, strict=True):
        found.setdefault(chunk.file, FileRead()).add(tally)
    return found


def tallies_in(work: WorkDir) -> Iterator[Tally]:
    """What each piece of the input held, in its order."""
    for path in sorted(work.tallies.glob("*.json")):
        yield msgspec.json.decode(path.read_bytes(), type=Tally)


def seen_version(work: WorkDir, asked: FhirVersion | None) -> FhirVersion:
    """The version that was asked for, or the one whose shape the medicines have.

    Raises
    ------
    RunRefused
        where medicines of both versions stand in one export.
    """
    if asked is not None:
        return asked
    r4 = sum(tally.r4 for tally in tallies_in(work))
    r5 = sum(tally.r5 for tally in tallies_in(work))
    if r4 and r5:
        raise RunRefused(
            f"the export holds medicines of R4 ({r4}) and of R5 ({r5}): say which with --fhir"
        )
    return FhirVersion.R5 if r5 else FhirVersion.R4


Measure = Mapping[str, int]
"""How many resources of each type there are."""


def _faults_of_files(read: FilesRead) -> Iterator[InputFault]:
    """Files that cannot be read, or are not what the manifest says that they are."""
    for file, held in read.items():
        for why in _contradictions(file, held):
            yield InputFault(file.name, 0, why)


def _contradictions(file: SourceFile, held: FileRead) -> Iterator[str]:
    if held.broken:
        yield held.broken
    if file.count is not None and held.lines != file.count:
        yield f"it holds {held.lines} lines, and the manifest says {file.count}"
    if held.types[ERRORS]:
        yield "it holds a server's error in the place of resources"
    others = held.types.total() - held.types[file.kind] - held.types[ERRORS]
    if file.kind and others:
        yield f"it holds {others} resources that are no {file.kind}"


def measure_of(read: FilesRead) -> dict[str, int]:
    """What a later night is held against: of a base and its changes, the base."""
    lowest = min(file.layer for file in read)
    found: Counter[str] = Counter()
    for file, held in read.items():
        if file.layer == lowest:
            found.update(held.types)
    return {kind: found[kind] for kind in READ if found[kind]}


def to_compare_with(before: Measure | None, tonight: Measure, *, whole: bool) -> dict[str, int]:
    """What the next night is held against: tonight, if whole; else the most there has been."""
    if whole:
        return dict(tonight)
    earlier = before or {}
    most = {kind: max(earlier.get(kind, 0), tonight.get(kind, 0)) for kind in READ}
    return {kind: count for kind, count in most.items() if count}


@frozen
class NightsCompared:
    """Tonight beside the earlier nights.

    Attributes
    ----------
    before : what there was, or ``None`` where no report tells
    with_open_flags : patients with a flag that is still open
    limits : how much less is no sign of anything
    """

    before: Measure | None
    with_open_flags: int
    limits: Limits

    def doubts(self, read: FilesRead, totals: Totals) -> list[str]:
        """What speaks against taking tonight's export for whole, in sentences."""
        if self.before is None and self.with_open_flags:
            return ["flags are open, and there is no report of an earlier night to compare with"]
        return [
            *self._empty(read),
            *self._less(measure_of(read)),
            *self._unaccounted(totals),
        ]

    def _empty(self, read: FilesRead) -> Iterator[str]:
        """A plain file of nothing looks the same as one that never arrived."""
        for file, held in read.items():
            if held.lines or file.zipped or file.count is not None:
                continue
            before = self.before
            if before is None or not file.kind or before.get(file.kind):
                yield f"{file.name}: it is empty"

    def _less(self, tonight: Measure) -> Iterator[str]:
        for kind, had in (self.before or {}).items():
            has = tonight.get(kind, 0)
            vanished = not has and had >= self.limits.export_vanished_from
            if vanished or not self._is_small(had - has, had):
                yield f"{kind}: {has} tonight, and {had} on an earlier night"

    def _unaccounted(self, totals: Totals) -> Iterator[str]:
        missing = totals.absent + totals.with_lost_evidence
        if not self._is_small(missing, self.with_open_flags):
            yield (
                f"of {self.with_open_flags} patients with an open flag, {missing} are not there"
                " or lack what the flag rests on"
            )

    def _is_small(self, lost: int, of: int) -> bool:
        limits = self.limits
        return lost <= limits.export_loss_ignored or lost <= limits.export_share_ignored * of


def _about_patients(totals: Totals) -> list[str]:
    """What is said where single patients lack what an open flag rests on."""
    lacking = totals.with_lost_evidence
    if not lacking:
        return []
    return [
        f"patients whose open flag rests on resources that are no longer there: {lacking}; their"
        " flags are carried over, see needs-review.ndjson"
    ]


@frozen
class Findings:
    """How whole the input is.

    Attributes
    ----------
    faults : what could not be read, whole files first, then lines; the first `MOST_FAULTS`
    faults_in_all : how many there are
    doubts : why the export may lack a part
    accepted : the same, where the one who called has said that it is right so
    about_patients : what single patients lack
    measure : what the next night is held against
    """

    faults: list[InputFault]
    faults_in_all: int
    doubts: list[str]
    accepted: list[str]
    about_patients: list[str]
    measure: dict[str, int]

    @property
    def whole(self) -> bool:
        """Whether what is not found is gone."""
        return not self.faults_in_all and not self.doubts

    def as_json(self) -> dict[str, Any]:
        """What the report says of it."""
        return {
            "whole": self.whole,
            "faults": [{"file": f.file, "line": f.line or None, "why": f.why} for f in self.faults],
            "faults_in_all": self.faults_in_all,
            "doubts": [*self.doubts, *self.about_patients],
            "accepted": self.accepted,
            "measure": self.measure,
        }


def findings_of(
    exports: Iterable[Export],
    inputs: Iterable[InputFile],
    read: FilesRead,
    comparison: NightsCompared,
    totals: Totals,
    *,
    accept_less: bool,
) -> Findings:
    """Whether every sign says that the input is whole.

    Parameters
    ----------
    exports, inputs : what the input said of itself, and its files as the run began
    read, totals : what came of it
    accept_less : the one who called says that less than on an earlier night is right
    """
    of_files = [
        *(fault for export in exports for fault in export.faults),
        *_changed(read, inputs),
        *_faults_of_files(read),
    ]
    of_lines = (fault for held in read.values() for fault in held.faults)
    in_all = len(of_files) + sum(held.at_fault for held in read.values())
    doubts = comparison.doubts(read, totals)
    doubted = bool(doubts) and not accept_less
    return Findings(
        faults=[*sorted(of_files), *sorted(of_lines)][:MOST_FAULTS],
        faults_in_all=in_all,
        doubts=doubts if doubted else [],
        accepted=[] if doubted else doubts,
        about_patients=_about_patients(totals),
        measure=to_compare_with(
            comparison.before, measure_of(read), whole=not in_all and not doubted
        ),
    )


def _changed(read: FilesRead, inputs: Iterable[InputFile]) -> Iterator[InputFault]:
    """Files that are no longer what they were when the run began: they were still arriving."""
    for file, begun in zip(read, inputs, strict=True):
        if not file.path.is_file() or input_file(file) != begun:
            yield InputFault(file.name, 0, "it changed while it was read")
