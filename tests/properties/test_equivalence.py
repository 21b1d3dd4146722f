"""Equivalence on any chart: a round trip gives back the dose, and more is never less."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.unit.dosing.switches import COMBINING, GRAIN

from crossgrain.dosing.bases import Basis, ChartRow, Grade, Weights
from crossgrain.dosing.targets import Target, target_dose
from crossgrain.names.errors import DomainError

ONE_MEDICINE = [Target.LEVOTHYROXINE, Target.LIOTHYRONINE, Target.DESICCATED_THYROID]

doses = st.fractions(min_value="1/8", max_value=600, max_denominator=64)
steps = st.fractions(min_value="1/16", max_value=3, max_denominator=32)
mixtures = st.builds(
    COMBINING.mixture,
    ratio=st.fractions(min_value=13, max_value=20, max_denominator=50),
    t3_share=st.fractions(min_value="1/100", max_value="99/100", max_denominator=100),
)


def chart(*, weights=None, rows=()):
    return Basis("chart", "any chart", "example", Grade.CLINIC, GRAIN, weights=weights, rows=rows)


@st.composite
def proportional(draw):
    """Any chart by weights that is not refused: a grain weighs at least its T4."""
    return chart(
        weights=Weights(
            draw(st.fractions(min_value=38, max_value=200, max_denominator=40)),
            draw(st.fractions(min_value="1/10", max_value=10, max_denominator=40)),
            GRAIN,
        )
    )


@st.composite
def tables(draw):
    """Any table that is not refused: strictly rising, a grain at least its T4."""
    rows = [ChartRow(Fraction(0), Fraction(0), Fraction(0))]
    for _ in range(draw(st.integers(min_value=2, max_value=6))):
        grains, lt3_ug, per_grain = draw(steps), 10 * draw(steps), 38 + 20 * draw(steps)
        last = rows[-1]
        lt4_ug = last.lt4_ug + per_grain * grains
        rows.append(ChartRow(lt4_ug, last.grains + grains, last.lt3_ug + lt3_ug))
    return chart(rows=tuple(rows[draw(st.sampled_from([0, 1])) :]))


def back(basis, dose):
    return basis.lt4_for(dose.lt4_ug, dose.lt3_ug, dose.grains)


@given(proportional(), st.sampled_from(Target), doses, mixtures)
def test_a_target_is_worth_the_dose_that_it_replaces(basis, target, lt4_ug, mixture):
    dose = target_dose(target, lt4_ug, basis, mixture)
    assert back(basis, dose) == lt4_ug


@given(tables(), st.sampled_from(ONE_MEDICINE), st.fractions(0, 1, max_denominator=97))
def test_on_a_table_a_single_medicine_is_worth_the_dose_that_it_replaces(basis, target, part):
    low, high = basis.rows[0].lt4_ug, basis.rows[-1].lt4_ug
    lt4_ug = low + part * (high - low)
    if lt4_ug:
        dose = target_dose(target, lt4_ug, basis, COMBINING.mixture())
        assert back(basis, dose) == lt4_ug


@given(tables(), st.sampled_from(["below", "above"]), st.fractions("1/64", 50, max_denominator=64))
def test_a_table_is_refused_outside_its_rows(basis, side, beyond):
    edge = basis.rows[0 if side == "below" else -1].lt4_ug
    outside = edge - beyond if side == "below" else edge + beyond
    with pytest.raises(DomainError, match="nothing is extrapolated"):
        basis.weights_at(outside)


@given(proportional(), doses, doses, doses, doses, st.sampled_from(["lt4", "lt3", "grains"]))
def test_more_of_any_hormone_is_worth_more(basis, lt4_ug, lt3_ug, grains, more, which):
    before = basis.lt4_for(lt4_ug, lt3_ug, grains)
    after = basis.lt4_for(
        lt4_ug + more * (which == "lt4"),
        lt3_ug + more * (which == "lt3"),
        grains + more * (which == "grains"),
    )
    assert after > before


@given(tables(), st.sampled_from(["grains", "lt3_ug"]), st.data())
def test_more_of_a_medicine_is_worth_more_on_a_table(basis, column, data):
    low, high = getattr(basis.rows[0], column), getattr(basis.rows[-1], column)
    parts = st.fractions(0, 1, max_denominator=97)
    less, more = sorted(data.draw(st.tuples(parts, parts).filter(lambda pair: pair[0] != pair[1])))

    def worth(part):
        dose = {"lt3_ug": Fraction(0), "grains": Fraction(0)}
        return basis.lt4_for(Fraction(0), **(dose | {column: low + part * (high - low)}))

    assert worth(less) < worth(more)


@given(proportional(), doses, doses, st.sampled_from(Target), mixtures)
def test_a_larger_dose_never_has_a_smaller_target(basis, lt4_ug, more, target, mixture):
    small = target_dose(target, lt4_ug, basis, mixture)
    large = target_dose(target, lt4_ug + more, basis, mixture)
    assert large.lt4_ug >= small.lt4_ug
    assert large.lt3_ug >= small.lt3_ug
    assert large.grains >= small.grains


@given(doses, proportional())
def test_the_guideline_rule_keeps_the_dose_only_where_lt3_weighs_three(lt4_ug, basis):
    dose = target_dose(Target.LT4_LT3, lt4_ug, basis, COMBINING.mixture(guideline=True))
    kept = back(basis, dose) == lt4_ug
    assert kept is (basis.weights.lt4_ug_per_lt3_ug == 3)


@given(doses, st.fractions(38, 200, max_denominator=40))
def test_the_guideline_rule_keeps_the_dose_at_a_weight_of_three(lt4_ug, per_grain):
    basis = chart(weights=Weights(per_grain, Fraction(3), GRAIN))
    dose = target_dose(Target.LT4_LT3, lt4_ug, basis, COMBINING.mixture(guideline=True))
    assert back(basis, dose) == lt4_ug


@given(proportional(), doses)
def test_a_grain_weighs_what_its_t4_and_its_t3_weigh_together(basis, grains):
    t3_weight = basis.weights.lt4_ug_per_desiccated_t3_ug
    assert t3_weight >= 0
    assert basis.lt4_for(Fraction(0), Fraction(0), grains) == grains * (38 + 9 * t3_weight)
