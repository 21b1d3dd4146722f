"""With tablets missing from stock: what is said to be taken is given by an order, or it is said.

The plan was taken up on day one; on any day after it some strengths of one medicine can be had. A
dose that is said to be taken comes from an order of the answer, from a filed one that stands, or
from one that is followed today; where none gives it, the answer names the first day without it.
"""

import json
import tomllib
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from fractions import Fraction
from functools import cache

from fixtures.visits.chart import Chart, begun, desk, on
from hypothesis import given
from hypothesis import strategies as st
from tests.api.calls import FIXTURES
from tests.budget import examples

from crossgrain.catalogue import load_catalogue
from crossgrain.core.changes_ahead import changes_ahead
from crossgrain.core.next_step import NextStep
from crossgrain.dosing.onward import Act
from crossgrain.dosing.preparations import Kind
from crossgrain.names.identity import FhirVersion
from crossgrain.operations.faults import RequestRefused
from crossgrain.operations.next_step import settle
from crossgrain.operations.parameters import from_query
from crossgrain.reading.json import parse

COURSES = [
    (each["file"], each["target"])
    for each in tomllib.loads((FIXTURES / "scenario.toml").read_text("utf-8"))["patient"]
    if each["outcome"] == "plan" and "target" in each
]
STRENGTHS = {
    "levothyroxine": (25, 50, 75, 100, 125),
    "liothyronine": (5, 25, 50),
    "desiccated-thyroid": (15, 30, 60, 90, 120),
}
Doses = dict[Kind, Fraction]


@cache
def course_of(file: str, target: str) -> Chart:
    """A plan taken up."""
    return begun(file, target)


@dataclass(frozen=True)
class Visit:
    """A plan, a day after its first, and the tablets that can be had then."""

    file: str
    target: str
    day: int
    stock: tuple[str, ...]
    palpitations: bool = False

    @property
    def step(self) -> NextStep | None:
        """What the visit ends with; nothing where the stock makes no dose of the plan."""
        chart = course_of(self.file, self.target)
        lived = Chart([*chart.resources], [*chart.filed])
        if self.palpitations:
            lived.told(self.day, palpitations=True)
        asked = from_query([("as-of", on(self.day)), *(("stock", each) for each in self.stock)])
        body = parse(json.dumps(lived.bundle()).encode())
        try:
            return settle(desk(), body, asked, FhirVersion.R4).step
        except RequestRefused:
            return None


@st.composite
def visits(draw: st.DrawFn) -> Visit:
    medicine = draw(st.sampled_from(sorted(STRENGTHS)))
    had = draw(st.sets(st.sampled_from(STRENGTHS[medicine]), min_size=1, max_size=2))
    return Visit(
        *draw(st.sampled_from(COURSES)),
        draw(st.integers(1, 150)),
        tuple(f"{medicine} {strength}" for strength in sorted(had)),
        draw(st.booleans()),
    )


def followed(step: NextStep, day: int) -> Iterator[tuple[Kind, Fraction]]:
    """What the orders that are followed today, and are not ended, give on a day."""
    apart = {order.reference for order in (*step.replaced.ended, *step.replaced.kept)}
    for entry in step.proposal.record.current:
        last = entry.lasts_until
        if entry.reference not in apart and (last is None or day <= last):
            for line in entry.lines:
                yield line.preparation.kind, line.daily


def ordered(step: NextStep, day: int) -> Iterator[tuple[Kind, Fraction]]:
    """What the answer orders for a day, and what it leaves standing of the orders filed."""
    plan, today = step.proposal.plan, step.proposal.request.start
    assert plan is not None
    preparations = {line.preparation.id: line.preparation for s in plan.steps for line in s.lines}
    for prescription in plan.prescriptions:
        for use in prescription.uses:
            if use.course.first_day <= day <= use.course.last_day:
                yield prescription.preparation.kind, use.piece.count * use.piece.strength
    for order in step.replaced.kept:
        for dose in order.ordered.doses:
            if dose.first_day <= today + timedelta(day) <= dose.last_day:
                yield preparations[order.ordered.preparation_id].kind, dose.daily


def summed(parts: Iterator[tuple[Kind, Fraction]]) -> Doses:
    found: Doses = defaultdict(Fraction)
    for kind, daily in parts:
        found[kind] += daily
    return found


def said(step: NextStep) -> str:
    """All that a reader is told of findings and questions."""
    asked = (question.question for question in step.proposal.record.questions)
    return " ".join((*asked, *(finding.statement for finding in step.proposal.findings)))


@examples(300)
@given(visits())
def test_what_is_taken_is_ordered_on_every_day_or_the_first_day_without_it_is_said(
    visit: Visit,
) -> None:
    step = visit.step
    plan = step.proposal.plan if step and step.changes else None
    if step is None or plan is None:
        return
    told = said(step)
    for each in plan.steps:
        for day in range(each.first_day, each.last_day + 1):
            given_now, as_now = summed(ordered(step, day)), summed(followed(step, day))
            for line in each.lines:
                source = as_now if line.tablets is None else given_now
                if source[line.preparation.kind] != line.amount:
                    missing = first_without(step, line.preparation.kind)
                    assert line.tablets is None
                    assert missing <= step.proposal.request.start + timedelta(day)
                    assert f"from {missing.isoformat()} on" in told


def first_without(step: NextStep, kind: Kind) -> date:
    """The first day on which what is followed today no longer gives today's dose."""
    lasts = [e.lasts_until for e in step.proposal.record.current if kind in e.kinds]
    last = max((day for day in lasts if day is not None), default=-1)
    return step.proposal.request.start + timedelta(max(last + 1, 0))


@examples(300)
@given(visits())
def test_no_filed_order_raises_a_dose_that_the_answer_holds(visit: Visit) -> None:
    step = visit.step
    if step is None or step.standing is None or not step.changes:
        return
    apart = step.replaced.stayed | {order.reference for order in step.replaced.kept}
    preparations = load_catalogue().preparations
    today, start = step.proposal.record.regimen, step.proposal.request.start
    for change in changes_ahead(step.standing.marked, today, start, preparations):
        if change.rises and step.standing.decision.act is not Act.STOP:
            assert change.order.reference in apart
