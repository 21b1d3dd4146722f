"""Plans are kept for the next patient on the same doses: it must never show in an answer.

The judge is the planner itself, asked anew.
"""

from dataclasses import replace
from fractions import Fraction

import hypothesis.strategies as st
import pytest
from hypothesis import given
from tests.budget import examples
from tests.properties.test_planner import wishes
from tests.unit.dosing.switches import GRAIN_60, LT3, LT4, tables, wish

from crossgrain.dosing.kept import KeptPlans
from crossgrain.dosing.planner import plan_switch
from crossgrain.dosing.regimens import DoseLine, Regimen
from crossgrain.dosing.targets import Target
from crossgrain.names.errors import DomainError

WISH = wish(Target.DESICCATED_THYROID)
PLACES = ["", "Bundle.entry[0].resource.dosage[0]", "Bundle.entry[7].resource"]
FEW_DOSES = [(LT4, 50), (LT4, 100), (LT3, 10), (GRAIN_60, 60)]


@st.composite
def patients(draw: st.DrawFn):
    """One of few doses, read from anywhere, so that one patient's doses are soon another's."""
    few = st.lists(
        st.sampled_from(FEW_DOSES), min_size=1, max_size=2, unique_by=lambda dose: dose[0].id
    )
    cycles = st.sampled_from([(1,), (1,), (1, 0), (1, 1)])
    return Regimen(
        tuple(
            DoseLine(
                preparation,
                tuple(Fraction(amount * part) for part in draw(cycles)),
                draw(st.sampled_from(PLACES)),
            )
            for preparation, amount in draw(few)
        )
    )


def answered(plan, *asked):
    """A plan, or in which words it was refused."""
    try:
        return plan(*asked)
    except DomainError as refused:
        return refused.category, refused.field, refused.message


@examples(40)
@given(
    st.lists(patients(), min_size=4, max_size=8),
    wishes(),
    st.sampled_from([None, Fraction(70), Fraction(165, 2)]),
    st.integers(0, 3),
)
def test_a_kept_plan_is_the_plan_made_anew(several, asked, weight_kg, most):
    by = tables()
    plans = KeptPlans(by, most)
    for place, taken in enumerate(several):
        wanted = replace(asked, weight_kg=weight_kg if place % 2 else None)
        assert answered(plans.plan_switch, taken, wanted) == answered(
            plan_switch, taken, wanted, by
        )


def test_the_next_patient_on_the_same_doses_is_not_planned_anew():
    plans = KeptPlans(tables())
    for place in PLACES:
        taken = Regimen((DoseLine(LT4, (Fraction(100),), place),))
        plan = plans.plan_switch(taken, WISH)
        named = {path for statement in plan.rationale for path in statement.inputs}
        assert named == ({place} if place else set())
    assert plans.found == (2, 1)


@pytest.mark.parametrize(("most", "found"), [(0, (0, 4)), (1, (0, 4)), (2, (2, 2))])
def test_no_more_plans_are_kept_than_asked_for(most, found):
    plans = KeptPlans(tables(), most)
    for amount in (50, 100, 50, 100):
        plans.plan_switch(Regimen((DoseLine(LT4, (Fraction(amount),)),)), WISH)
    assert plans.found == found
