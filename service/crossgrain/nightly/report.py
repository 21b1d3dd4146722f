"""The machine-readable report of a run: what came in, what became of it, and that it adds up."""

from collections import Counter
from typing import Any

from crossgrain import __version__
from crossgrain.names.identity import SERVICE_NAME
from crossgrain.names.version import FhirVersion
from crossgrain.nightly.completeness import Findings
from crossgrain.nightly.faults import RunRefused
from crossgrain.nightly.ledger import Counts
from crossgrain.nightly.options import Plan
from crossgrain.nightly.totals import FilesRead, Totals
from crossgrain.screening.flags import Outcome

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
    out = {str(outcome): counts.outcomes.get(outcome, 0) for outcome in Outcome}
    out[Outcome.NO_SWITCH] += totals.of_one_kind
    out[NO_HORMONE] = totals.patients - totals.of_one_kind - totals.to_judge
    judged = counts.outcomes.total()
    if judged != totals.to_judge:
        raise Mismatch(f"{totals.to_judge} patients to be judged and {judged} answers")
    return {"in": totals.patients, "out": out}


def report_of(
    plan: Plan,
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
