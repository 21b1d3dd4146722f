"""What is measured on the way besides thyroid labs, as dated ServiceRequests and in words."""

from collections.abc import Iterator, Sequence
from typing import Any

from crossgrain.names.printing import decimal
from crossgrain.names.values import frozen
from crossgrain.reading.codesystems import Loinc, Snomed
from crossgrain.safety.checks import CheckKind, DatedCheck
from crossgrain.safety.rule import Finding
from crossgrain.writing.dosage import concept
from crossgrain.writing.elements import paragraphs, plain
from crossgrain.writing.going_on import references
from crossgrain.writing.letterhead import SERIES, Letterhead, Resource, Scope, notes_of_draw


@frozen
class _Measured:
    """How one kind of check is coded and said.

    Attributes
    ----------
    words : in a prescriber's list
    title : in the patient's calendar
    coding : system, code and its name; ``None`` where no code was seen in a public list
    instruction : to the patient; `{fast}` is the pulse that is too fast
    in_laboratory : whether it is a laboratory's
    """

    words: str
    title: str
    coding: tuple[str, str, str] | None
    instruction: str
    in_laboratory: bool = True


# LOINC and SNOMED CT names as seen in public code lists: 6301-6, 2345-7 and 10535-3 in published
# FHIR guides, 29303009 in a national cardiology guide. For lithium none was seen.
_MEASURED = {
    CheckKind.PULSE: _Measured(
        "Resting pulse",
        "Count your pulse, before the thyroid tablets",
        (Loinc.system, "8867-4", "Heart rate"),
        "Sit still for 5 minutes, before your tablets. Then count your pulse for 1 minute. If it is"
        " above {fast}, or newly uneven, do not take a higher dose. Call us first.",
        in_laboratory=False,
    ),
    CheckKind.ECG: _Measured(
        "Electrocardiogram",
        "Heart tracing (ECG)",
        (Snomed.system, "29303009", "Electrocardiographic procedure"),
        "Have a heart tracing (ECG) done.",
        in_laboratory=False,
    ),
    CheckKind.INR: _Measured(
        "INR",
        "Clotting test (INR)",
        (Loinc.system, "6301-6", "INR in Platelet poor plasma by Coagulation assay"),
        "Have your clotting (INR) checked.",
    ),
    CheckKind.GLUCOSE: _Measured(
        "Fasting glucose",
        "Blood sugar test, before breakfast",
        (Loinc.system, "2345-7", "Glucose [Mass/volume] in Serum or Plasma"),
        "Have your blood sugar checked, before breakfast. Where you measure it at home, go on.",
    ),
    CheckKind.DIGOXIN: _Measured(
        "Digoxin level",
        "Digoxin test, before that day's digoxin",
        (Loinc.system, "10535-3", "Digoxin [Mass/volume] in Serum or Plasma"),
        "Have your digoxin level checked, before that day's digoxin.",
    ),
    CheckKind.LITHIUM: _Measured(
        "Lithium level",
        "Lithium test",
        None,
        "Have your lithium level checked, 12 hours after the last lithium.",
    ),
}


def check_requests(letter: Letterhead, scope: Scope) -> Iterator[Resource]:
    """One request for each thing that findings want measured in a part of the plan."""
    for check in letter.checks_in(scope):
        yield from check_request(letter, scope, check)


def check_request(letter: Letterhead, scope: Scope, check: DatedCheck) -> Iterator[Resource]:
    """The request of one check."""
    measured = _MEASURED[check.kind]
    says = said_of_check(letter, check)
    body = letter.request(
        "ServiceRequest",
        f"ServiceRequest|{scope.name}|check|{check.kind}",
        scope,
        paragraphs((*scope.only_if, *says)),
    )
    body["note"] = notes_of_draw(*scope.only_if, *says)
    if measured.in_laboratory:
        body["category"] = [concept(Snomed.system, "108252007", "Laboratory procedure")]
    body["code"] = {**_coded(measured), "text": measured.words}
    body.update(_occurrence(letter, check.days))
    body["supportingInfo"] = [{"reference": issue} for _, issue in _asking(letter, check)]
    body["patientInstruction"] = for_patient(letter, check)
    filed = letter.going_on.checks if letter.going_on and scope.name == SERIES.name else {}
    code = measured.coding[1] if measured.coding else ""
    if code in filed:
        body["replaces"] = references(filed[code])
    yield body


def _coded(measured: _Measured) -> dict[str, Any]:
    return concept(*measured.coding) if measured.coding else {}


def _occurrence(letter: Letterhead, days: Sequence[int]) -> dict[str, Any]:
    if len(days) == 1:
        return {"occurrenceDateTime": letter.iso(days[0])}
    return {"occurrenceTiming": {"event": [letter.iso(day) for day in days]}}


def _asking(letter: Letterhead, check: DatedCheck) -> Iterator[tuple[Finding, str]]:
    """The findings that ask for a check, each with its DetectedIssue."""
    for finding, issue in zip(letter.findings, letter.issue_urns, strict=True):
        if finding.code in check.asked_by:
            yield finding, issue


def _because(letter: Letterhead, check: DatedCheck) -> Iterator[str]:
    for finding, _ in _asking(letter, check):
        yield f"Asked for because: {finding.statement}"
    if check.kind is CheckKind.PULSE:
        yield (
            f"Above {decimal(letter.proposal.tsh.fast_pulse)} per minute at rest, or newly"
            " irregular: the dose does not rise before the prescriber has decided."
        )


def said_of_check(letter: Letterhead, check: DatedCheck) -> tuple[str, ...]:
    """What is measured when, why, and at which value the dose does not rise."""
    return tuple(plain(text) for text in (check_words(letter, check), *_because(letter, check)))


def check_words(letter: Letterhead, check: DatedCheck) -> str:
    """A check in a list: what, and on which days."""
    days = ", ".join(letter.words(day) for day in check.days)
    return f"{name_of(check)}: {days}."


def name_of(check: DatedCheck) -> str:
    """What is measured, for a prescriber."""
    return _MEASURED[check.kind].words


def title_of(check: DatedCheck) -> str:
    """A check in a patient's calendar."""
    return _MEASURED[check.kind].title


def for_patient(letter: Letterhead, check: DatedCheck) -> str:
    """What a patient does for a check."""
    fast = decimal(letter.proposal.tsh.fast_pulse)
    return _MEASURED[check.kind].instruction.format(fast=fast)
