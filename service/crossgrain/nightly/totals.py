"""What the grouping counted, and which FHIR version the resources are of."""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

import msgspec

from crossgrain.names.identity import FhirVersion
from crossgrain.nightly.chunks import Chunk, SourceFile
from crossgrain.nightly.options import InputFault, RunRefused
from crossgrain.nightly.scan import MOST_FAULTS, Tally
from crossgrain.nightly.workdir import WorkDir


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
