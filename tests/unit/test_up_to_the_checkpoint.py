"""Day one's checkpoint cuts a plan only where the plan was made to climb past it."""

from contextlib import suppress
from dataclasses import replace
from fractions import Fraction
from itertools import product

from tests.unit.dosing.switches import plan, regimen

from crossgrain.core.running import up_to
from crossgrain.dosing.onward import Dated
from crossgrain.dosing.plan import Plan
from crossgrain.dosing.targets import Target, TargetDose
from crossgrain.names.errors import DomainError

TAKEN = [{"lt4": 100}, {"lt4": 175}, {"mg60": 120}, {"lt3": 50}, {"lt4": 100, "lt3": 10}]


def steps_of(made: Plan) -> tuple[Dated, ...]:
    return tuple(
        Dated(s.first_day, s.last_day, tuple((ln.preparation, ln.amount) for ln in s.lines))
        for s in made.steps
    )


def test_no_plan_is_cut_by_its_own_checkpoint() -> None:
    whole = 0
    for taken, target in product(TAKEN, Target):
        with suppress(DomainError):  # some are no move, or no tablets make them
            made = plan(regimen(**taken), target)
            steps = steps_of(made)
            assert up_to(made.checkpoint.dose, steps, 0, regimen(**taken)) == steps
            whole += 1
    assert whole > 15


def test_steps_that_climb_past_a_smaller_checkpoint_are_held_below_it() -> None:
    made = plan(regimen(lt4=100), Target.DESICCATED_THYROID)
    steps = steps_of(made)
    smaller = TargetDose(grains=Fraction(1, 2))
    cut = up_to(smaller, steps, 1, regimen(lt4=100))
    assert cut == (steps[0], replace(steps[1], last_day=steps[-1].last_day))


def test_what_is_taken_already_is_not_cut_away() -> None:
    made = plan(regimen(lt4=100), Target.DESICCATED_THYROID)
    steps = steps_of(made)
    cut = up_to(TargetDose(grains=Fraction(1, 4)), steps, 3, regimen(lt4=100))
    assert cut == (*steps[:2], replace(steps[2], last_day=steps[-1].last_day))
