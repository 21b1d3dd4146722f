"""``$screen-switches``: one patient's record in, what is wrong with the last switch out.

The judgement is the nightly job's own, and a flag carries the id that it has there.
"""

import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from typing import Any

from crossgrain.api.faults import Complaint, RequestRefused
from crossgrain.api.operations.desk import Desk
from crossgrain.api.operations.reading import day_asked
from crossgrain.api.options import BadValue, Option
from crossgrain.api.parameters import Call, Given, call_from, read_options
from crossgrain.api.structure import check_structure
from crossgrain.fhir.identity import stable_id, urn
from crossgrain.fhir.read.course import read_course
from crossgrain.fhir.read.errors import Unreadable
from crossgrain.fhir.read.person import the_patient
from crossgrain.fhir.read.resolve import BundleIndex
from crossgrain.fhir.version import FhirVersion
from crossgrain.fhir.write.flags import detected_issue
from crossgrain.fhir.write.narrative import plain
from crossgrain.screening.course import Undecided
from crossgrain.screening.flags import Outcome, Screened
from crossgrain.screening.screen import Ruler, enabled, screen, to_review

_SHARED = ("as-of", "time-zone", "validate")
_NAME = re.compile(r"[A-Za-z0-9._-]{1,64}", re.ASCII)


def screening_options(switch_options: Sequence[Option]) -> tuple[Option, ...]:
    """What the operation takes beside the record: some of what ``$propose-switch`` takes."""
    known = {option.name: option for option in switch_options}
    basis = replace(
        known["basis"],
        meaning="A basis to judge the switch on. May be repeated. Default: every basis that sets"
        " a checkpoint.",
        repeatable=True,
    )
    deployment = Option(
        "deployment",
        "valueString",
        "The deployment named in the nightly run, so that a flag has the same id here. Default:"
        " local.",
        _name,
    )
    return (*(known[name] for name in _SHARED), basis, deployment)


def _name(value: Any) -> str:
    if not isinstance(value, str) or not _NAME.fullmatch(value):
        raise BadValue("give a name of up to 64 letters, digits, dots, dashes and underscores")
    return value


def screen_switches(
    desk: Desk, body: dict[str, Any], beside: Sequence[Given], version: FhirVersion
) -> dict[str, Any]:
    """A collection Bundle: an OperationOutcome that says how it ended, then the flags."""
    call = call_from(body, beside)
    options = read_options(call, screening_options(desk.switch_options))
    as_of = day_asked(desk, options)
    if options.one("validate", False):
        check_structure(call, version)
    catalogue = desk.catalogue
    bases = enabled(catalogue.bases, options.all("basis"))
    try:
        patient = the_patient(BundleIndex(call.record, call.root), call.root).reference
        screened = _screened(desk, call, Ruler(as_of, bases, catalogue.limits), version)
    except Unreadable as error:
        raise RequestRefused(Complaint(error.category, error.expression, error.message)) from error
    deployment = options.one("deployment", "local")
    return _answer(screened, patient, deployment, as_of, version)


def _screened(desk: Desk, call: Call, ruler: Ruler, version: FhirVersion) -> Screened:
    try:
        course = read_course(
            call.record,
            version=version,
            as_of=ruler.as_of,
            codes=desk.catalogue.codes,
            preparations=desk.catalogue.preparations,
            root=call.root,
        )
    except Undecided as undecided:
        return to_review(undecided)
    return screen(course, ruler)


def _answer(
    screened: Screened, patient: str, deployment: str, as_of: date, version: FhirVersion
) -> dict[str, Any]:
    resources = [_outcome(screened, stable_id(f"screened/{deployment}/{patient}/{as_of}"))]
    resources += [
        detected_issue(patient, flag, deployment=deployment, found_on=as_of, version=version)
        for flag in screened.flags
    ]
    # R5 wants a full URL of every entry (bdl-15).
    entries = [{"fullUrl": urn(r["id"]), "resource": r} for r in resources]
    return {"resourceType": "Bundle", "type": "collection", "entry": entries}


def _outcome(screened: Screened, own_id: str) -> dict[str, Any]:
    review = screened.outcome is Outcome.NEEDS_REVIEW
    words = screened.outcome.replace("-", " ")
    issue: dict[str, Any] = {
        "severity": "warning" if review else "information",
        "code": "incomplete" if review else "informational",
        "details": {"text": plain(f"{words}: {screened.why}" if screened.why else words)},
    }
    if screened.references:
        issue["diagnostics"] = plain(f"Read from: {', '.join(screened.references)}")
    return {"resourceType": "OperationOutcome", "id": own_id, "issue": [issue]}
