"""What a run leaves: outputs written beside the old ones, and a report whose counts add up."""

from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any, BinaryIO

import msgspec
import pyarrow as pa
import pyarrow.parquet as pq

from crossgrain import __version__
from crossgrain.names.identity import SERVICE_NAME, FhirVersion
from crossgrain.nightly.completeness import FilesRead, Findings, Totals
from crossgrain.nightly.issues import Counts, Ledger, Night
from crossgrain.nightly.judging import FlagLine
from crossgrain.nightly.plan import RunPlan, RunRefused
from crossgrain.nightly.workdir import ENTRIES, ISSUES, OWNER_ONLY, digest_of
from crossgrain.screening.course import ScreeningOutcome
from crossgrain.writing.forms import to_json

NO_HORMONE = "no-thyroid-hormone"


class Mismatch(RunRefused):
    """Patients went missing between input and output: a fault of the service itself."""


def lines_of(files: FilesRead) -> dict[str, int]:
    """What became of every line."""
    read = sum(held.lines for held in files.values())
    kept = sum(held.kept for held in files.values())
    broken = sum(held.at_fault for held in files.values())
    return {"read": read, "kept": kept, "passed_over": read - kept - broken, "at_fault": broken}


def patients_of(totals: Totals, counts: Counts) -> dict[str, Any]:
    """Patients in and out.

    Raises
    ------
    Mismatch
        where the two differ: then no output may be published.
    """
    out = {str(outcome): counts.outcomes.get(outcome, 0) for outcome in ScreeningOutcome}
    out[ScreeningOutcome.NO_SWITCH] += totals.of_one_kind
    out[NO_HORMONE] = totals.patients - totals.of_one_kind - totals.to_judge
    judged = counts.outcomes.total()
    if judged != totals.to_judge:
        raise Mismatch(f"{totals.to_judge} patients to be judged and {judged} answers")
    return {"in": totals.patients, "out": out}


def report_of(
    plan: RunPlan,
    version: FhirVersion,
    files: FilesRead,
    findings: Findings,
    patients: dict[str, Any],
    counts: Counts,
    issues: Counter[str],
) -> dict[str, Any]:
    """The report, but for the outputs and how the run itself went."""
    resources: Counter[str] = Counter()
    for held in files.values():
        resources.update(held.types)
    return {
        "service": SERVICE_NAME,
        "version": __version__,
        "fhir": version.number,
        "as_of": plan.as_of.isoformat(),
        "since": plan.since.isoformat() if plan.since else None,
        "bases": plan.bases,
        "deployment": plan.deployment,
        "shown": plan.shown,
        "inputs": [{"name": i.name, "layer": i.layer, "bytes": i.bytes} for i in plan.inputs],
        "lines": lines_of(files),
        "resources": dict(sorted(resources.items())),
        "patients": patients,
        "flags": {
            code: dict(sorted(found.items())) for code, found in sorted(counts.flags.items())
        },
        "flags_before_since": counts.left_out,
        "issues": dict(sorted(issues.items())),
        **findings.as_json(),
    }


REVIEWS, TABLE, SUMMARY = "needs-review.ndjson", "flags.parquet", "summary.html"
_ROWS_AT_ONCE = 5000


def write_issues(folder: Path, night: Night, ledger: Ledger) -> None:
    """The DetectedIssues, and the worklist's entries where they are wanted."""
    worklist = ENTRIES.get(night.worklist)
    with ExitStack() as files:
        issues = files.enter_context(opened(folder / ISSUES))
        entries = files.enter_context(opened(folder / worklist)) if worklist else None
        for issue, entry in night.written(ledger):
            issues.write(to_json(issue) + b"\n")
            if entries is not None and entry is not None:
                entries.write(to_json(entry) + b"\n")


def write_reviews(folder: Path, ledger: Ledger) -> None:
    """Every patient that a person has to look at before anything can be said, and why."""
    with opened(folder / REVIEWS) as file:
        for answer in ledger.reviews():
            line = {
                "patient": answer.patient,
                "why": answer.why,
                "references": answer.references,
            }
            file.write(msgspec.json.encode(line) + b"\n")


def write_table(folder: Path, ledger: Ledger, bases: tuple[str, ...]) -> None:
    """The flags as one Parquet table, in the order of the worklist."""
    schema = _schema(bases)
    path = folder / TABLE
    with pq.ParquetWriter(path, schema, compression="zstd") as writer:
        rows: list[dict[str, Any]] = []
        for answer, flag in ledger.flags():
            rows.append(_row(answer.patient, flag, bases))
            if len(rows) == _ROWS_AT_ONCE:
                writer.write_table(pa.Table.from_pylist(rows, schema=schema))
                rows = []
        writer.write_table(pa.Table.from_pylist(rows, schema=schema))
    path.chmod(OWNER_ONLY)


def _schema(bases: tuple[str, ...]) -> pa.Schema:
    words = ("patient", "code", "grade", "urgency", "old", "new", "aims", "statement", "act")
    return pa.schema(
        [
            *((name, pa.string()) for name in words),
            ("switched_on", pa.date32()),
            ("tsh_before", pa.decimal128(12, 4)),
            ("tsh_after", pa.decimal128(12, 4)),
            *((f"ratio_{basis}", pa.decimal128(12, 4)) for basis in bases),
        ]
    )


def _row(patient: str, flag: FlagLine, bases: tuple[str, ...]) -> dict[str, Any]:
    return {
        "patient": patient,
        "code": flag.code,
        "grade": flag.grade,
        "urgency": flag.urgency,
        "old": "+".join(flag.old_kinds),
        "new": "+".join(flag.new_kinds),
        "aims": "+".join(flag.aims),
        "statement": flag.statement,
        "act": flag.act,
        "switched_on": flag.switched_on,
        "tsh_before": _decimal(flag.tsh_before),
        "tsh_after": _decimal(flag.tsh_after),
        **{f"ratio_{basis}": _decimal(flag.ratios.get(basis)) for basis in bases},
    }


def _decimal(text: str | None) -> Decimal | None:
    if text is None:
        return None
    value = round(Fraction(text), 4)
    return (Decimal(value.numerator) / Decimal(value.denominator)).quantize(Decimal("0.0001"))


def digests(folder: Path) -> dict[str, dict[str, Any]]:
    """Size and SHA-256 of every output so far."""
    return {
        path.name: {"bytes": path.stat().st_size, "sha256": digest_of(path)}
        for path in sorted(folder.iterdir())
    }


@contextmanager
def opened(path: Path) -> Iterator[BinaryIO]:
    """A new file that only its owner may read."""
    with path.open("wb") as file:
        path.chmod(OWNER_ONLY)
        yield file
