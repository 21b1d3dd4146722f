"""Both prior therapies, drawn from one plan."""

from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from tests.conformance.patients import CATALOGUE, every_direction, proposed
from tests.unit.sheet.pages import PLANNED

from crossgrain.core.proposal import Proposal
from crossgrain.dosing.forecast import coverage_weights
from crossgrain.dosing.kinetics import ConstantIntake, Intake, PoolWeights, intake_of, steady
from crossgrain.dosing.moves import total_intake
from crossgrain.dosing.plan import Mode, Plan, PriorTherapy
from crossgrain.sheet.charted import charted, modes, trace

KINETICS = CATALOGUE.kinetics


def plans() -> list[Proposal]:
    return [proposal for proposal in every_direction() if proposal.plan]


def per_day(periods: tuple[ConstantIntake, ...]) -> list[Intake]:
    return [period.intake for period in periods for _ in range(int(period.days))]


def swallowed(plan: Plan) -> list[Intake]:
    return [
        total_intake((line.preparation, line.amount) for line in step.lines)
        for step in plan.steps
        for _ in range(step.days)
    ]


def test_the_other_prior_therapy_is_what_the_planner_plans_when_it_is_asked_for() -> None:
    compared = 0
    for file, target in PLANNED.items():
        for asked, other in (tuple(PriorTherapy), tuple(PriorTherapy)[::-1]):
            proposal, alternative = proposed(file, target, asked), proposed(file, target, other)
            assert proposal.plan
            assert alternative.plan
            if proposal.plan.prior_therapy is alternative.plan.prior_therapy:
                continue  # the heart allows overlap alone
            drawn = per_day(modes(proposal.plan)[1].whole)
            planned = swallowed(alternative.plan)
            shared = min(len(drawn), len(planned))
            assert drawn[:shared] == planned[:shared], (file, asked)
            assert all(intake == planned[-1] for intake in drawn[shared:])
            compared += 1
    assert compared > 12


def test_both_are_drawn_over_the_days_of_the_plan() -> None:
    for proposal in plans():
        assert proposal.plan
        for mode in modes(proposal.plan):
            days = proposal.plan.steps[-1].last_day + 1
            assert len(per_day(mode.whole)) == len(per_day(mode.old)) == days


def test_what_is_drawn_stays_between_the_extremes_that_the_answer_gives() -> None:
    for proposal in plans():
        assert proposal.plan
        chart = charted(proposal, proposal.plan, CATALOGUE)
        for forecast in proposal.plan.forecasts:
            drawn = chart.traces[forecast.prior_therapy]
            least, most = forecast.t3_exposure
            assert min(drawn.t3.value) >= least.value - 1e-9
            assert max(drawn.t3.value) <= most.value + 1e-9
            covered = {found.basis_id: found for found in forecast.coverage}[chart.leanest]
            assert min(drawn.coverage.value) >= covered.lowest.value - 1e-9
            if covered.lowest.day <= drawn.days - 1:  # a day's grid misses an extreme by little
                assert min(drawn.coverage.value) == pytest.approx(covered.lowest.value, abs=0.01)


def test_the_band_holds_the_value_and_reaches_as_far_as_the_answer_says() -> None:
    for proposal in plans():
        plan = proposal.plan
        assert plan
        own = charted(proposal, plan, CATALOGUE).own
        for banded in (own.coverage, own.t3):
            together = zip(banded.low, banded.value, banded.high, strict=True)
            assert all(low - 1e-9 <= value <= high + 1e-9 for low, value, high in together)
        band = plan.forecasts[0].band
        assert band
        assert max(own.t3.high) <= band.highest_t3_exposure[1] + 1e-9


def test_values_are_those_of_an_independent_solver() -> None:
    """SciPy's LSODA on the two-pool equations; no code of ours is in its right-hand side."""
    old, doses = Intake(150.0, 0.0, 0.0), [(14, 9.5, 2.25), (14, 19.0, 4.5), (42, 28.5, 6.75)]
    periods = tuple(ConstantIntake(days, Intake(t4, 0.0, t3)) for days, t4, t3 in doses)
    weights = PoolWeights(1 / 150, 2 / 150, (50 - 38) / 9 / 150)  # practice: 50 µg a grain
    drawn = trace(KINETICS, old, Mode(PriorTherapy.STOP, periods, periods), weights, weights)
    usual = KINETICS.default
    k4, k3 = np.log(2) / usual.t4_half_life_days, np.log(2) / usual.t3_half_life_days
    made = usual.t4_to_t3_molar * 650.97 / 776.87 * usual.t4_absorbed / usual.t3_absorbed
    now, day = [150.0, 150.0, 0.0], 0
    for days, t4, t3 in doses:
        solved = solve_ivp(
            lambda _, y, t4=t4, t3=t3: [k4 * (t4 - y[0]), k3 * (y[0] - y[1]), k3 * (t3 - y[2])],
            (0, days),
            now,
            method="LSODA",
            t_eval=range(days + 1),
            rtol=1e-10,
            atol=1e-10,
        )
        for offset in range(days + 1):
            pool_t4, pool_made, pool_t3 = solved.y[:, offset]
            covered = (pool_t4 + (50 - 38) / 9 * pool_t3) / 150
            assert drawn.coverage.value[day + offset] == pytest.approx(covered, rel=1e-6)
            exposed = (made * pool_made + pool_t3) / (made * 150)
            assert drawn.t3.value[day + offset] == pytest.approx(exposed, rel=1e-6)
        now, day = list(solved.y[:, -1]), day + days


def test_what_is_left_of_the_old_regimen_only_falls_once_its_doses_do() -> None:
    proposal = proposed("01-levothyroxine-150.json", "desiccated-thyroid")
    assert proposal.plan
    chart = charted(proposal, proposal.plan, CATALOGUE)
    assert chart.own.of_old[0] == pytest.approx(1.0)
    assert all(after <= before + 1e-12 for before, after in pairwise(chart.own.of_old))
    assert chart.other
    # LT4 alone, stopped: after one half-life of 7 days half is left (kinetics.toml, the label).
    assert chart.other.of_old[7] == pytest.approx(0.5)


def test_before_the_first_dose_everything_is_the_old_regimen() -> None:
    for proposal in plans():
        assert proposal.plan
        old = intake_of(proposal.record.regimen)
        assert steady(old).t4 == old.t4_ug
        basis = CATALOGUE.basis("practice")
        worth = basis.lt4_equivalent(proposal.record.regimen)
        weights = coverage_weights(basis.weights_at(worth), old)
        for mode in modes(proposal.plan):
            drawn = trace(KINETICS, old, mode, weights, weights)
            assert drawn.coverage.value[0] == pytest.approx(1.0)
            assert drawn.t3.value[0] == pytest.approx(1.0)
