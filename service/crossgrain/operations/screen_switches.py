"""``$screen-switches``: one patient's record in, what is wrong with the last switch out,
or what a plan that runs waits for.

The judgement is the nightly job's own, and a flag carries the id that it has there.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

from crossgrain.core.waiting import with_plan
from crossgrain.names.identity import FhirVersion, stable_id, urn
from crossgrain.operations.desk import Desk, check_structure, day_asked, look_at
from crossgrain.operations.faults import Complaint, RequestRefused, refused_by_reader
from crossgrain.operations.options import BadValue, Option
from crossgrain.operations.parameters import Given, call_from, read_options
from crossgrain.reading.door import Opened, open_record
from crossgrain.reading.elements import ReadCategory, Unreadable
from crossgrain.reading.reader import course_in
from crossgrain.reading.reading import Notes, Reading
from crossgrain.screening.course import Screened, ScreeningOutcome, TooManyAtOnce, Undecided
from crossgrain.screening.screen import Ruler, enabled, screen, to_review
from crossgrain.screening.stretches import refuse_too_many
from crossgrain.writing.elements import plain
from crossgrain.writing.issues import detected_issue

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
    call = call_from(body, beside, takes_answers=False)
    options = read_options(call, screening_options(desk.switch_options))
    as_of = day_asked(desk, options)
    if options.one("validate", False):
        check_structure(call, version)
    ruler = Ruler(as_of, enabled(desk.catalogue.bases, options.all("basis")), desk.catalogue.limits)
    try:
        look = look_at(desk, call, options, as_of, version)
        opened = open_record(call.record, **look)
        screened = with_plan(_screened(opened, ruler), call.record, look, desk.catalogue)
    except Unreadable as error:
        raise refused_by_reader(error) from error
    return _answer(screened, opened.reading, options.one("deployment", "local"))


def _screened(opened: Opened, ruler: Ruler) -> Screened:
    try:
        course = course_in(opened)
        refuse_too_many(course.intakes, ruler.limits)
    except TooManyAtOnce as absurd:
        place = opened.reading.index.root
        raise RequestRefused(Complaint(ReadCategory.TOO_COSTLY, place, absurd.reason)) from absurd
    except Undecided as undecided:
        return to_review(undecided)
    return screen(course, ruler)


def _answer(screened: Screened, reading: Reading, deployment: str) -> dict[str, Any]:
    patient, as_of = reading.patient.reference, reading.as_of
    outcome = _outcome(screened, stable_id(f"screened/{deployment}/{patient}/{as_of}"))
    outcome["issue"] += _listed(reading.notes)
    resources = [outcome]
    resources += [
        detected_issue(
            patient, flag, deployment=deployment, found_on=as_of, version=reading.shape.version
        )
        for flag in screened.flags
    ]
    # R5 wants a full URL of every entry (bdl-15).
    entries = [{"fullUrl": urn(r["id"]), "resource": r} for r in resources]
    return {"resourceType": "Bundle", "type": "collection", "entry": entries}


def _listed(notes: Notes) -> Iterator[dict[str, Any]]:
    """What the record leaves open, and what of it was not read, each at its place."""
    for question in notes.questions:
        yield _issue("warning", "incomplete", question.expression, question.question)
    for unread in notes.passed_over:
        yield _issue("information", "informational", unread.expression, f"not read: {unread.why}")


def _issue(severity: str, code: str, expression: str, words: str) -> dict[str, Any]:
    return {
        "severity": severity,
        "code": code,
        "details": {"text": plain(words)},
        "expression": [expression],
    }


def _outcome(screened: Screened, own_id: str) -> dict[str, Any]:
    review = screened.outcome is ScreeningOutcome.NEEDS_REVIEW
    words = screened.outcome.replace("-", " ")
    issue: dict[str, Any] = {
        "severity": "warning" if review else "information",
        "code": "incomplete" if review else "informational",
        "details": {"text": plain(f"{words}: {screened.why}" if screened.why else words)},
    }
    if screened.references:
        issue["diagnostics"] = plain(f"Read from: {', '.join(screened.references)}")
    return {"resourceType": "OperationOutcome", "id": own_id, "issue": [issue]}
