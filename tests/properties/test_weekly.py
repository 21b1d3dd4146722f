"""Weeks that two tablets of levothyroxine share: what must hold of every plan that has them."""

from fractions import Fraction
from itertools import cycle, islice, pairwise

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from tests.budget import examples
from tests.unit.dosing.switches import CATALOGUE, KINETICS, LT3, LT4, plan, regimen

from crossgrain.dosing.plan import Plan
from crossgrain.dosing.preparations import Kind
from crossgrain.dosing.steps import LineDose, Step, courses
from crossgrain.dosing.tablets import SHARED_WEEK
from crossgrain.dosing.targets import Target
from crossgrain.names.errors import Category, DomainError

STOCKS = [(), (25, 50, 75), (50, 75), (50, 100), (25, 100), (88, 112), (50, 75, 125, 150)]
TAKEN = [{"lt4": dose} for dose in (50, 62, 75, 88, 100, 125, 137, 150, 175, 200)]
TAKEN += [{"mg60": mg} for mg in (30, 45, 60, 90, 120, 180)]
TAKEN += [{"lt3": ug} for ug in (10, 20, 25, 50)]


@st.composite
def weekly_plans(draw: st.DrawFn) -> tuple[Plan, tuple[int, ...]]:
    """A plan with whole tablets of LT4, and the strengths that are in stock."""
    stock = draw(st.sampled_from(STOCKS))
    try:
        planned = plan(
            regimen(**draw(st.sampled_from(TAKEN))),
            draw(st.sampled_from(Target)),
            weekly_pattern=True,
            stock=tuple((LT4.id, Fraction(ug)) for ug in stock),
            pace_id=draw(st.sampled_from(["standard", "brisk", "cautious"])),
        )
    except DomainError as refused:
        if refused.category is not Category.NOTHING_TO_DO and refused.field not in {
            "stock",
            "ratio",
        }:
            raise
        assume(False)
    return planned, stock


def every_step(planned: Plan) -> list[Step]:
    branches = (step for branch in planned.checkpoint.branches for step in branch.steps)
    return [*planned.steps, *branches]


def by_day(line: LineDose) -> list[Fraction]:
    """What is taken on each day of a week from Monday, told from the tablets alone."""
    if not line.week:
        return [line.amount] * 7
    return [
        sum((part.amount for part, days in zip(line.week, SHARED_WEEK, strict=True) if day in days))
        for day in range(7)
    ]


@given(weekly_plans())
def test_a_week_comes_to_seven_times_the_mean_day(made: tuple[Plan, tuple[int, ...]]) -> None:
    for step in every_step(made[0]):
        for line in step.lines:
            assert sum(by_day(line)) == 7 * line.amount
            if line.tablets:
                assert line.tablets.amount == line.amount


@given(weekly_plans())
def test_only_levothyroxine_shares_a_week_and_in_whole_tablets_that_are_in_stock(
    made: tuple[Plan, tuple[int, ...]],
) -> None:
    planned, stock = made
    allowed = set(map(Fraction, stock)) or set(LT4.strengths)
    for line in (line for step in every_step(planned) for line in step.lines):
        if line.week:
            assert line.preparation.kind is Kind.LEVOTHYROXINE
        if line.preparation.kind is Kind.LEVOTHYROXINE and line.tablets:
            assert not line.has_half
            assert line.tablets.strengths <= allowed


@given(weekly_plans())
def test_no_week_has_more_than_two_kinds_of_day_nor_a_day_left_out(
    made: tuple[Plan, tuple[int, ...]],
) -> None:
    for line in (line for step in every_step(made[0]) for line in step.lines if line.week):
        days = by_day(line)
        assert len(set(days)) == 2
        assert min(days) > 0
        assert max(days) <= 2 * min(days)  # our judgement
        assert all(len(part.pieces) == 1 and part.pieces[0].count == 1 for part in line.week)


@given(weekly_plans())
def test_an_old_dose_never_rises_and_no_day_is_without_hormone(
    made: tuple[Plan, tuple[int, ...]],
) -> None:
    planned, _ = made
    series = [[ln.amount for ln in s.lines if ln.part == "old"] for s in planned.steps]
    totals = [sum(each, Fraction(0)) for each in series]
    assert all(later <= before for before, later in pairwise(totals))
    for step in every_step(planned):
        assert all(sum(by_day(line)[day] for line in step.lines) > 0 for day in range(7))


@given(weekly_plans(), st.integers(0, 6))
def test_what_is_handed_out_covers_the_days_whatever_weekday_the_plan_begins_on(
    made: tuple[Plan, tuple[int, ...]], begins: int
) -> None:
    for order in made[0].prescriptions:
        taken = Fraction(0)
        for use in order.uses:
            line, reserve = use.course.line, order.reserve_days if use is order.uses[-1] else 0
            for day in range(use.course.first_day, use.course.last_day + 1 + reserve):
                week = by_day(line)[(begins + day) % 7]
                shared = line.week and week != use.piece.strength * line.counts(use.piece)[0]
                taken += 0 if shared else (1 if line.week else use.piece.count)
        assert order.tablets >= taken


@pytest.mark.parametrize("pair", [(25, 50), (50, 75), (75, 100), (88, 100), (100, 200)])
@pytest.mark.parametrize("longer", [0, 1])
def test_the_pool_of_t4_stays_within_four_percent_of_that_of_the_mean_day(
    pair: tuple[int, int], longer: int
) -> None:
    """A day's dose at a time, worked out apart from the forecast: the mean day stands for it."""
    four, three = pair[longer], pair[1 - longer]
    week = [four if day in SHARED_WEEK[0] else three for day in range(7)]
    keep, pool, seen = 0.5 ** (1 / KINETICS.t4_half_life_days), 0.0, []
    for dose in islice(cycle(week), 7 * 60):
        pool = pool * keep + dose
        seen.append(pool)
    mean = sum(week) / 7 / (1 - keep)  # the same, once a day
    assert all(abs(value / mean - 1) < 0.04 for value in seen[-7:])


def test_a_week_is_shared_only_where_it_was_asked_for() -> None:
    stock = ((LT4.id, Fraction(25)), (LT4.id, Fraction(50)), (LT4.id, Fraction(75)))
    taken = regimen(lt4=100)
    with_weeks = plan(taken, Target.LIOTHYRONINE, weekly_pattern=True, stock=stock)
    without = plan(taken, Target.LIOTHYRONINE, stock=stock)
    assert any(line.week for step in with_weeks.steps for line in step.lines)
    assert not any(line.week for step in without.steps for line in step.lines)


@examples(20)
@given(weekly_plans())
def test_the_shipped_tables_are_not_changed_by_a_wish(made: tuple[Plan, tuple[int, ...]]) -> None:
    assert made
    for preparation in (LT4, LT3, *CATALOGUE.preparations.values()):
        assert preparation.weekly is None
    assert courses(made[0].steps)
