"""What the grouping counted, and which FHIR version the resources are of."""

from collections.abc import Iterator

import msgspec

from crossgrain.fhir.version import FhirVersion
from crossgrain.nightly.faults import RunRefused
from crossgrain.nightly.scan import Tally
from crossgrain.nightly.workdir import WorkDir


class Totals(msgspec.Struct):
    """Patients in all, those with one kind of hormone alone, and those to be judged."""

    patients: int
    of_one_kind: int
    to_judge: int


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
