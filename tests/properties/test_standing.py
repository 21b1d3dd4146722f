"""Whatever the chart of a patient in a plan holds, a visit ends with one answer or with questions.

The charts are the service's own plan, followed or not, with labs, symptoms and missed days of any
day, and with what the plan says of itself changed.
"""

import copy
from dataclasses import replace
from datetime import date, timedelta
from fractions import Fraction
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st
from tests.budget import examples
from tests.unit.reading.records import COMBINING, Json
from tests.unit.visits import DAY_ONE, chart, free_t3, proposed, pulse, says, stands, tsh

from crossgrain.core.standing import Standing
from crossgrain.dosing.onward import Act
from crossgrain.dosing.plan import LabReading, Plan
from crossgrain.dosing.regimens import Regimen
from crossgrain.dosing.targets import Target, TargetDose
from crossgrain.reading.record import Question
from crossgrain.reading.series_mark import ActTaken, mark_in
from crossgrain.safety.visit import LabsSay, TooFast
from crossgrain.writing.series_mark import facts_parts, on_order, on_plan

LABS_WAIT = 42
"""Days from a change of dose to labs that speak of it."""
DAYS = st.integers(0, 130)
VALUES = st.sampled_from(["0.01", "0.1", "0.3", "2", "4", "4.5", "10", "12", "80"])
LABS = st.lists(
    st.one_of(
        st.builds(tsh, VALUES, DAYS),
        st.builds(free_t3, st.sampled_from(["2", "5", "7.5"]), DAYS),
        st.builds(pulse, st.sampled_from(["60", "100", "120"]), DAYS),
    ),
    max_size=4,
    unique_by=lambda each: each["id"],
)
SAID = st.lists(
    st.builds(
        says,
        DAYS,
        st.sampled_from(["palpitations", "jitters", "chest-pain", "fatigue"]),
        missed=st.none() | st.integers(0, 14),
    ),
    max_size=2,
    unique_by=lambda each: each["id"],
)
TARGETS = st.sampled_from([Target.DESICCATED_THYROID, Target.LIOTHYRONINE, Target.LT4_LT3])
ACTS = st.lists(
    st.builds(
        lambda day, act: ActTaken(
            DAY_ONE + timedelta(day), act, "labs", LabReading.HIGH if act is Act.BRANCH else None
        ),
        DAYS,
        st.sampled_from([Act.HOLD, Act.BRANCH, Act.STEP_BACK, Act.TURN_BACK, Act.SLOW_DOWN]),
    ),
    max_size=4,
)
CHANGES = st.fixed_dictionaries(
    {},
    optional={
        "acts": ACTS.map(tuple),
        "day_one": st.dates(date(2024, 1, 1), date(2026, 1, 1)),
        "decision": st.dates(date(2024, 1, 1), date(2026, 1, 1)),
        "checkpoint": st.builds(
            TargetDose, grains=st.sampled_from([Fraction(n, 4) for n in range(12)])
        ),
        "need": st.sampled_from([Fraction(4, 5), Fraction(1), Fraction(6, 5)]),
        "titration": st.booleans(),
        "most_generous": st.booleans(),
    },
)


def told(resource: Json, changes: dict[str, object]) -> Json:
    """A resource of the plan that says otherwise of it."""
    mark = mark_in(resource.get("extension"), COMBINING)
    if mark is None or not changes:
        return resource
    changed = copy.deepcopy(resource)
    parts = facts_parts(replace(mark.facts, **changes))  # type: ignore[arg-type]
    ordered = mark.ordered
    unit = "mg" if ordered and "desiccated" in ordered.preparation_id else "ug"
    changed["extension"] = (
        on_order(ordered, unit, parts) if ordered else on_plan(parts, mark.planned)
    )
    return changed


@examples(100)
@given(target=TARGETS, day=DAYS, lag=st.integers(0, 60), labs=LABS, said=SAID, changes=CHANGES)
def test_any_visit_ends_with_one_answer_or_with_questions(
    target: Target,
    day: int,
    lag: int,
    labs: list[Json],
    said: list[Json],
    changes: dict[str, object],
) -> None:
    plan = proposed(target)
    resources = chart(plan, day, *labs, *said, signed_until=day - lag)
    resources = [told(each, changes) for each in resources]
    found = stands(resources, day)
    assert found == stands(resources, day)
    if not isinstance(found, Standing):
        assert found
        assert all(isinstance(each, Question) and each.expression for each in found)
        return
    taken = found.underway.taken
    assert all(found.underway.day_one <= one.first_day <= one.last_day <= -1 for one in taken)
    assert all(a.last_day < b.first_day for a, b in pairwise(taken))
    if found.visit.too_fast is TooFast.PALPITATIONS and found.visit.labs in {
        LabsSay.LOW,
        LabsSay.VERY_LOW,
        LabsSay.EARLY_LOW,
        LabsSay.EARLY_SUPPRESSED,
    }:
        assert found.decision.act not in {Act.CONTINUE, Act.SLOW_DOWN}


# --- a dose that labs on the way called too much -------------------------------------------------


def amounts(regimen: Regimen) -> dict[str, Fraction]:
    found: dict[str, Fraction] = {}
    for line in regimen:
        found[line.preparation.id] = found.get(line.preparation.id, Fraction(0)) + line.daily
    return found


def planned_on(plan: Plan, day: int) -> tuple[dict[str, Fraction], int]:
    """What a plan that is followed gives on a day, and the first day on which it does."""
    doses = [
        (step.first_day, {line.preparation.id: line.amount for line in step.lines})
        for step in plan.steps
        if step.first_day <= day
    ]
    _, last = doses[-1]
    return last, min(first for first, dose in doses if dose == last)


LOW = {"0.01", "0.09"}
"""Suppressed, drawn on whatever day."""
BELOW_THE_LIMIT = {"0.1", "0.3", "0.39"}
"""Of the usual range, and not suppressed."""


@examples(150)
@given(
    target=TARGETS,
    day=st.integers(2, 130),
    values=st.dictionaries(
        st.integers(1, 130), st.sampled_from([*LOW, *BELOW_THE_LIMIT, "0.4", "2", "12"]), max_size=4
    ),
)
def test_a_low_tsh_on_the_way_calls_too_much_the_doses_that_it_was_drawn_on_and_no_others(
    target: Target, day: int, values: dict[int, str]
) -> None:
    """Suppressed on any day; below the limit where the dose had been held for as long as labs wait.

    Blood is drawn before the day's dose, so what was taken the day before is what it speaks of.
    """
    made = proposed(target)
    supplied = made.plan.steps[-1].last_day
    values = {at: value for at, value in values.items() if at <= min(day, supplied + 1)}
    labs = [tsh(value, at) for at, value in values.items()]
    found = stands(chart(made, day, *labs), day)
    assert isinstance(found, Standing)
    expected = []
    for at, value in sorted(values.items()):
        dose, since = planned_on(made.plan, at - 1)
        settled = at - since >= LABS_WAIT
        if value in LOW or (value in BELOW_THE_LIMIT and settled):
            expected.append(dose)
    told = [amounts(each) for each in found.underway.too_much]
    assert all(each in told for each in expected)
    assert all(each in expected for each in told)
