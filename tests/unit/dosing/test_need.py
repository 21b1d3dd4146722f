"""A plan measured against what today's TSH says is needed, not against today's dose."""

from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from tests.unit.dosing.switches import (
    CATALOGUE,
    GRAIN_65,
    KINETICS,
    amounts,
    plan,
    regimen,
    swallowed,
    tables,
    wish,
)

from crossgrain.dosing.exchange import Exchange
from crossgrain.dosing.kinetics import Curve, Intake, PoolWeights
from crossgrain.dosing.need import needed, turns
from crossgrain.dosing.plan import Plan, PriorTherapy, Statement
from crossgrain.dosing.planner import plan_switch
from crossgrain.dosing.regimens import Regimen
from crossgrain.dosing.targets import Target

NEEDS = tuple(Fraction(n) for n in ("0.8", "0.9", "1", "1.1", "1.2"))
MOVES = [
    (regimen(lt4=100), Target.DESICCATED_THYROID),
    (regimen(lt4=150), Target.LIOTHYRONINE),
    (regimen(lt4=125), Target.LT4_LT3),
    (regimen(lt4=175), Target.DESICCATED_LT3),
    (regimen(mg60=120), Target.LEVOTHYROXINE),
    (regimen(lt3=50), Target.LEVOTHYROXINE),
    (regimen(lt4=100, lt3=10), Target.DESICCATED_THYROID),
]


def lowest(made: Plan) -> float:
    return made.forecasts[0].lowest.lowest.value


def highest(made: Plan) -> float:
    return max(c.highest.value for c in made.forecasts[0].coverage)


@pytest.mark.parametrize(("taken", "target"), MOVES)
def test_a_need_above_1_raises_no_checkpoint_and_one_below_1_lowers_it(
    taken: Regimen, target: Target
) -> None:
    made = {need: plan(taken, target, need=need) for need in NEEDS}
    at_one = made[Fraction(1)]
    for need in NEEDS[3:]:
        assert made[need].checkpoint.dose == at_one.checkpoint.dose
        assert made[need].checkpoint.ladder == at_one.checkpoint.ladder
        assert made[need].aim == at_one.aim
    for need in NEEDS[:2]:
        assert made[need].aim == at_one.aim.times(need)
        own, usual = made[need].checkpoint, at_one.checkpoint
        assert own.dose.share_of(usual.dose) <= 1
        assert [rung.target for rung in own.ladder] == [
            rung.target.times(need) for rung in usual.ladder
        ]
    assert made[Fraction("0.8")].checkpoint.dose != at_one.checkpoint.dose


@pytest.mark.parametrize(("taken", "target"), MOVES)
def test_a_higher_need_never_leaves_the_patient_with_less(taken: Regimen, target: Target) -> None:
    """But for what the tolerance gives for a simpler taper."""
    spare = CATALOGUE.policy.taper.saving_a_strength
    for need, more in pairwise(NEEDS):
        less_needed, more_needed = (plan(taken, target, need=n) for n in (need, more))
        assert lowest(more_needed) >= lowest(less_needed) * (1 - spare)
        assert highest(more_needed) >= highest(less_needed) * (1 - spare)


def test_with_a_need_of_1_nothing_is_said_of_it_and_the_plan_is_the_same() -> None:
    taken, target = MOVES[0]
    assert plan(taken, target, need=Fraction(1)) == plan(taken, target)
    assert plan(taken, target).forecasts[0].of_need == ()
    words = " ".join(s.arithmetic for s in plan(taken, target).rationale)
    assert "times the old dose" not in words


@pytest.mark.parametrize("prior", list(PriorTherapy))
@pytest.mark.parametrize("need", [Fraction("0.8"), Fraction("1.1")])
@pytest.mark.parametrize(("taken", "target"), MOVES[:1] + MOVES[4:])
def test_coverage_of_need_is_that_of_scipys_two_patients(
    taken: Regimen, target: Target, need: Fraction, prior: PriorTherapy
) -> None:
    """One follows the plan, the other takes need times the old dose from day one on.

    Both by SciPy's own integrator, hourly; the closed form knows neither.
    """
    made = plan(taken, target, need=need, prior_therapy=prior)
    old = swallowed({line.preparation.id: line.daily for line in taken})
    days = made.checkpoint.decision_day
    hours = np.arange(0, days * 24) / 24
    steps = [(s.first_day, s.last_day + 1, swallowed(amounts(s))) for s in made.steps]
    follows = _followed(old, steps, hours)
    moved = Intake(*(float(need) * amount for amount in old))
    wanted = _followed(old, [(0, days, moved)], hours)
    for covered in made.forecasts[0].of_need:
        weights = next(b for b in CATALOGUE.bases if b.id == covered.basis_id).weights
        assert weights is not None
        k = float(weights.lt4_ug_per_lt3_ug)
        v = float(weights.lt4_ug_per_desiccated_t3_ug)
        by = np.array([1, k, v])
        ratio = (by @ follows) / (by @ wanted)
        inside = ratio[hours <= days]
        assert covered.lowest.value == pytest.approx(inside.min(), abs=2e-3)
        if covered.highest.day <= days:
            assert covered.highest.value == pytest.approx(inside.max(), abs=2e-3)


def _followed(old: Intake, steps: list[tuple[int, int, Intake]], hours: np.ndarray) -> np.ndarray:
    rates = np.array([1 / KINETICS.t4_tau, 1 / KINETICS.t3_tau, 1 / KINETICS.t3_tau])

    def change(_: float, pools: np.ndarray, *dose: float) -> np.ndarray:
        return rates * (np.array(dose) - pools)

    state, found = np.array(old, dtype=float), []
    for first, until, intake in steps:
        inside = [*hours[(hours >= first) & (hours < until)], until]
        solved = solve_ivp(
            change, (first, until), state, t_eval=inside, args=intake, rtol=1e-9, atol=1e-9
        )
        state = solved.y[:, -1]
        found.append(solved.y[:, :-1])
    return np.concatenate(found, axis=1)


@pytest.mark.parametrize("seed", range(40))
def test_a_ratio_turns_where_a_fine_grid_says_that_it_does(seed: int) -> None:
    draw = np.random.default_rng(seed)
    over, under = Curve(*draw.uniform(-1, 1, 3)), Curve(1 + draw.uniform(), *draw.uniform(0, 1, 2))
    power, end = float(draw.uniform(2, 12)), float(draw.uniform(0.05, 0.9))
    u = np.linspace(end, 1, 200_001)
    ratio = _on(over, u, power) / _on(under, u, power)
    rises = np.diff(ratio) > 0
    grid = u[1:-1][rises[1:] != rises[:-1]]
    found = sorted(turns(power, over, under, end))
    assert len(found) == len(grid)
    assert found == pytest.approx(list(grid), abs=2e-4)


def _on(curve: Curve, u: np.ndarray, power: float) -> np.ndarray:
    return curve.level + curve.slow * u + curve.fast * u**power


def test_what_is_needed_begins_at_the_old_dose_and_ends_at_need_times_it() -> None:
    per_pool = PoolWeights(0.005, 0.02, 0.01)
    curve = needed(Intake(100, 10, 20), 1.2, per_pool)
    assert curve.at(KINETICS, 0) == pytest.approx(0.9)
    assert curve.at(KINETICS, 400) == pytest.approx(1.08)


def test_a_chart_that_no_dose_reaches_low_enough_still_gives_one_increment() -> None:
    made = plan(regimen(lt4=25), Target.DESICCATED_THYROID, need=Fraction("0.8"))
    assert made.checkpoint.dose.grains == Fraction(1, 4)


def test_one_product_in_place_of_another_is_as_many_grains_whatever_the_need() -> None:
    said = Statement("t", "why", ("Observation/1",), "s")
    taken = regimen(mg60=60)
    wanted = wish(Target.DESICCATED_THYROID, need=Fraction("0.9"), need_said=said)
    made = plan_switch(taken, wanted, tables(GRAIN_65))
    assert isinstance(made.exchange, Exchange)
    assert made.need == 1
    assert made.checkpoint.dose.grains == 1
    (told,) = [s for s in made.rationale if "Observation/1" in s.inputs]
    assert told.title == "Today's TSH changes nothing of this plan"
    assert "as many grains" in told.arithmetic


def test_the_rationale_shows_coverage_of_the_old_dose_and_of_what_is_needed() -> None:
    made = plan(*MOVES[0], need=Fraction("0.9"))
    told = next(s for s in made.rationale if s.title.startswith("Forecast with overlap"))
    assert "coverage “practice”" in told.arithmetic
    assert "Against 0.9 times the old dose, taken from day 0 on: “practice”" in told.arithmetic
    target = next(s for s in made.rationale if s.title.startswith("The target on the chosen"))
    assert "0.9 times what the chart gives" in target.arithmetic
    waits = next(s for s in made.rationale if s.title.startswith("The climb waits"))
    assert "each 0.9 times what it gives" in waits.arithmetic


def test_a_published_table_of_equivalents_is_asked_of_the_equivalent() -> None:
    """90 mg is 150 µg on the handout's table (112-175): what is needed does not move it."""
    by_need = plan(regimen(mg60=90), Target.LEVOTHYROXINE, need=Fraction("0.8"), basis_id="label")
    told = next(s for s in by_need.rationale if s.title.startswith("A published table"))
    assert "the equivalent lies inside" in told.title
    assert by_need.aim.lt4_ug == 120
