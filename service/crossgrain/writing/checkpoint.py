"""Blood draws, and the checkpoint: options of which exactly one is taken when the labs are in."""

from collections.abc import Iterable, Iterator
from typing import Any

from crossgrain.dosing.plan import Branch, Checkpoint, LabDraw, Plan
from crossgrain.dosing.steps import OrderedCourse
from crossgrain.names.identity import urn
from crossgrain.names.values import frozen
from crossgrain.reading.codesystems import Loinc, Snomed
from crossgrain.reading.filed import DRAWN_AS
from crossgrain.safety.facts import Analyte
from crossgrain.writing.checks import check_requests
from crossgrain.writing.conditions import focus_note, left_open
from crossgrain.writing.dosage import concept
from crossgrain.writing.elements import paragraph, paragraphs, plain
from crossgrain.writing.going_on import references
from crossgrain.writing.interim import BASELINE, first_dose_waits, interim_words, read_when
from crossgrain.writing.letterhead import (
    SERIES,
    Letterhead,
    Resource,
    Scope,
    Wording,
    notes_of_draw,
)
from crossgrain.writing.orders import branch_tasks, medication_requests

ANALYTES = {
    Analyte.TSH: "Thyrotropin [Units/volume] in Serum or Plasma",
    Analyte.FREE_T4: "Thyroxine (T4) free [Mass/volume] in Serum or Plasma",
    Analyte.FREE_T3: "Triiodothyronine (T3) Free [Mass/volume] in Serum or Plasma",
}
"""LOINC's long common names, in the order they are asked for."""
BEFORE_DOSE = (
    "Have the blood drawn in the morning, before that morning's dose of thyroid medicine; take"
    " the dose afterwards."
)
"""T3 peaks 2-4 h after a dose (from memory), so a draw after it misleads."""
MAINTENANCE = "maintenance"


def service_requests(
    letter: Letterhead, scope: Scope, draws: tuple[LabDraw, ...]
) -> Iterator[Resource]:
    """Three requests per draw, TSH, free T4 and free T3, but for what is known already."""
    for draw in draws:
        measured = [
            analyte
            for analyte in ANALYTES
            if analyte not in draw.leaves_out and not _is_filed(letter, scope, draw, analyte)
        ]
        if measured:
            yield from _requests(letter, scope, draw, measured)


def _is_filed(letter: Letterhead, scope: Scope, draw: LabDraw, analyte: Analyte) -> bool:
    """Whether a draw of the series stands filed for all of its days already."""
    if letter.going_on is None or scope.name != SERIES.name:
        return False
    code = DRAWN_AS[analyte]
    filed = letter.going_on.kept_draws
    return all((code, letter.iso(day)) in filed for day in draw.days)


def _requests(
    letter: Letterhead, scope: Scope, draw: LabDraw, measured: Iterable[Analyte]
) -> Iterator[Resource]:
    """The requests of one draw: they differ in no more than in what is measured."""
    wording = letter.wording
    steps, _ = letter.steps_in(scope)
    about = (
        draw.statement,
        *not_steady(wording, draw),
        *interim_words(wording, letter.proposal.tsh, steps, draw),
        *(first_dose_waits(letter) if draw.purpose == BASELINE else ()),
    )
    days, only_if, said = lab_days(wording, draw), paragraphs(scope.only_if), paragraphs(about)
    notes = notes_of_draw(*scope.only_if, *about)
    drawn = letter.going_on.draws if letter.going_on and scope.name == SERIES.name else {}
    for analyte in measured:
        code, name = DRAWN_AS[analyte], ANALYTES[analyte]
        body = letter.request(
            "ServiceRequest",
            f"ServiceRequest|{scope.name}|{draw.purpose}|{draw.day}|{code}",
            scope,
            f"{only_if}{paragraph(f'{name}, {days}.')}{said}",
        )
        body["note"] = [dict(note) for note in notes]
        body["category"] = [concept(Snomed.system, "108252007", "Laboratory procedure")]
        body["code"] = {**concept(Loinc.system, code, name), "text": name}
        body.update(_occurrence(wording, draw))
        body["patientInstruction"] = BEFORE_DOSE
        if filed := drawn.get((code, wording.iso(draw.day))):
            body["replaces"] = references(filed)
        yield body


def _occurrence(wording: Wording, draw: LabDraw) -> dict[str, Any]:
    if draw.purpose == MAINTENANCE or draw.repeat_days:
        return {"occurrenceTiming": {"event": [wording.iso(day) for day in draw.days]}}
    return {"occurrenceDateTime": wording.iso(draw.day)}


def lab_days(wording: Wording, draw: LabDraw) -> str:
    """The days of a draw, in words."""
    return ", ".join(wording.words(day) for day in draw.days)


def draw_words(wording: Wording, draw: LabDraw) -> str:
    """A draw in a list: its days, what it is for, and by when it is read."""
    return f"{lab_days(wording, draw)}: {about_draw(wording, draw, draw.statement)}"


def about_draw(wording: Wording, draw: LabDraw, statement: str) -> str:
    """What a draw is for, where that is to be said, and by when it is read."""
    said = (
        *([f"{statement}."] if statement else ()),
        *not_steady(wording, draw),
        *read_when(wording, draw),
    )
    return " ".join(said)


def not_steady(wording: Wording, draw: LabDraw) -> list[str]:
    """The date of the modelled steady state, where the draw comes before it."""
    steady = draw.modelled_steady_day
    if steady is None or draw.day >= steady:
        return []
    return [
        f"The model calls the levels steady from {wording.words(steady)} on: at this draw they"
        " are still moving."
    ]


REQUEST_GROUP = "RequestGroup"


@frozen
class BranchOption:
    """A branch and the requests that carry it out."""

    branch: Branch
    courses: tuple[OrderedCourse, ...]
    requests: tuple[Resource, ...]

    @property
    def endings(self) -> list[str]:
        """What the branch does to orders that still stand, in words."""
        return [r["description"] for r in self.requests if r["resourceType"] == "Task"]


def options(letter: Letterhead, checkpoint: Checkpoint) -> Iterator[BranchOption]:
    """The requests of every branch, none of them yet to be followed."""
    for branch, own in zip(checkpoint.branches, letter.branches, strict=True):
        scope = letter.option_scope(branch)
        yield BranchOption(
            branch,
            own,
            (
                *medication_requests(letter, scope, own, branch.prescriptions),
                *service_requests(letter, scope, branch.labs),
                *check_requests(letter, scope),
                *branch_tasks(letter, scope, letter.series, branch, own),
            ),
        )


def request_group(letter: Letterhead, plan: Plan, choices: tuple[BranchOption, ...]) -> Resource:
    """The group that holds the branches."""
    words = [option_words(letter, choice) for choice in choices]
    says = [checkpoint_words(letter, plan), *words]
    body = letter.request(REQUEST_GROUP, REQUEST_GROUP, SERIES, paragraphs(says))
    body |= letter.replaces(REQUEST_GROUP)
    body["note"] = letter.notes(focus_note(letter.proposal.tsh, letter.draw))
    body["action"] = [
        {
            "title": "Checkpoint",
            "description": says[0],
            "timingDateTime": letter.iso(plan.checkpoint.decision_day),
            "groupingBehavior": "logical-group",
            "selectionBehavior": "exactly-one",
            "action": [_option_action(letter, choice) for choice in choices],
        }
    ]
    return body


def checkpoint_words(letter: Letterhead, plan: Plan) -> str:
    """Where the plan waits, on whose chart, and for what."""
    checkpoint = plan.checkpoint
    return (
        f"From {letter.words(checkpoint.day)} {_waits(letter, plan)}. Blood is drawn on"
        f" {letter.words(checkpoint.lab_day)}; on {letter.words(checkpoint.decision_day)} exactly"
        f" one of the options is taken. {left_open(letter.proposal.tsh, plan)}"
    )


def _waits(letter: Letterhead, plan: Plan) -> str:
    """What is taken until the labs decide, and why that and no more."""
    if plan.exchange:
        return "the new product is taken in one dose"
    if letter.going_on and not letter.going_on.to_checkpoint:
        return "this dose is kept until labs speak of it"
    return (
        "the dose waits at the checkpoint, the smallest target that any enabled basis gives"
        f" ({plan.checkpoint.set_by})"
    )


def option_words(letter: Letterhead, choice: BranchOption) -> str:
    """A branch: its condition, then what it does."""
    condition = letter.conditions[choice.branch.reading]
    return plain(f"{condition.title}. If {condition.words}: {choice.branch.statement}")


def _option_action(letter: Letterhead, choice: BranchOption) -> dict[str, Any]:
    condition = letter.conditions[choice.branch.reading]
    expression = {
        "description": condition.words,
        "language": "text/fhirpath",
        "expression": condition.expression,
    }
    return {
        "title": condition.title,
        "description": option_words(letter, choice),
        "condition": [{"kind": "applicability", "expression": expression}],
        "groupingBehavior": "logical-group",
        "selectionBehavior": "all",
        "action": [_leaf(request) for request in choice.requests],
    }


def _leaf(request: Resource) -> dict[str, Any]:
    return {"title": _title(request), "resource": {"reference": urn(request["id"])}}


def _title(request: Resource) -> str:
    if "medicationCodeableConcept" in request:
        periods = [
            instruction["timing"]["repeat"]["boundsPeriod"]
            for instruction in request["dosageInstruction"]
        ]
        product = request["medicationCodeableConcept"]["text"]
        return f"{product}, {periods[0]['start']} to {periods[-1]['end']}"
    return str(request["code"]["text"])
