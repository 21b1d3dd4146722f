"""A higher need leaves a patient with no less, and raises no dose that waits for labs.

Doses are not continuous: where 5 micrograms are a third of the dose, one need may come out at a
better taper than the next. So the floor is held to what one increment is worth.
"""

from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import hypothesis.strategies as st
from hypothesis import assume, given
from tests.budget import examples
from tests.properties.test_planner import PREPARATION_OF, STEERING, Switch, switches, worth
from tests.unit.dosing.switches import CATALOGUE, by_id, tables

from crossgrain.dosing.plan import Plan
from crossgrain.dosing.planner import plan_switch
from crossgrain.names.errors import DomainError

NEEDS = tuple(Fraction(n) for n in ("0.8", "0.9", "1", "1.1", "1.2"))
SPARE = CATALOGUE.policy.taper.saving_a_strength
"""What may be given for a simpler taper, in ln coverage."""


def one_step(switch: Switch) -> Fraction:
    """What one increment of a medicine of the move is worth at most, of the old dose."""
    moved = {*switch.target_ids, *switch.old}
    worths = (
        (
            worth(basis.id, {medicine: PREPARATION_OF[medicine].increment})
            / basis.lt4_equivalent(switch.taken)
        )
        for basis in STEERING
        for medicine in moved
    )
    return max(worths)


def floor(made: Plan) -> float:
    return made.forecasts[0].lowest.lowest.value


@examples(60)
@given(switches(), st.sampled_from(list(pairwise(NEEDS))))
def test_a_higher_need_never_lowers_the_floor_nor_raises_the_checkpoint_above_that_of_1(
    switch: Switch, needs: tuple[Fraction, Fraction]
) -> None:
    try:
        less, more = (
            plan_switch(switch.taken, replace(switch.wish, need=need), tables(switch.family))
            for need in needs
        )
    except DomainError as refused:  # too little for tablets that stay whole
        if refused.field not in {"stock", "ratio"}:
            raise
        assume(False)
    assert floor(more) >= floor(less) * (1 - SPARE) - float(one_step(switch))
    low, high = (by_id(made.checkpoint.dose, switch.family) for made in (less, more))
    assert all(amount <= high[key] for key, amount in low.items())
    if needs[0] >= 1:
        assert low == high
