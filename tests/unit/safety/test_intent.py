"""Whether a move lets hormone rise."""

from fractions import Fraction

import pytest
from tests.unit.safety.patients import BASES, regimen

from crossgrain.dosing.bases import Basis, ChartRow, Grade
from crossgrain.dosing.targets import Target, TargetDose
from crossgrain.safety.facts import intent_for

ROUNDING = Fraction(1, 20)


def test_lt4_to_desiccated_thyroid_raises_t3() -> None:
    aim = TargetDose(grains=Fraction(1))
    intent = intent_for(regimen(levothyroxine=100), Target.DESICCATED_THYROID, aim, BASES, ROUNDING)
    assert intent.t3_rises
    assert not intent.hormone_rises


@pytest.mark.parametrize(("lt4_ug", "rises"), [(100, False), (105, False), (106, True)])
def test_two_grains_to_lt4_rise_above_the_smallest_charts_word_by_a_twentieth(
    lt4_ug: int, rises: bool
) -> None:
    aim = TargetDose(lt4_ug=Fraction(lt4_ug))
    intent = intent_for(
        regimen(desiccated_thyroid_60=120), Target.LEVOTHYROXINE, aim, BASES, ROUNDING
    )
    assert not intent.t3_rises
    assert intent.hormone_rises is rises


@pytest.mark.parametrize(("lt3_ug", "rises"), [(5, False), (50, False), (51, True)])
def test_no_more_t3_than_now_is_no_rise_of_t3(lt3_ug: int, rises: bool) -> None:
    aim = TargetDose(lt3_ug=Fraction(lt3_ug), lt4_ug=Fraction(85))
    intent = intent_for(regimen(liothyronine=50), Target.LT4_LT3, aim, BASES, ROUNDING)
    assert intent.t3_rises is rises


def test_the_t3_of_a_grain_is_nine_micrograms_beside_pure_t3() -> None:
    """US label text: 9 µg T3 per grain. Two grains and 5 µg LT3 are 23 µg."""
    aim = TargetDose(lt3_ug=Fraction(5), grains=Fraction(2))
    for now, rises in ((23, False), ("22.9", True)):
        intent = intent_for(regimen(liothyronine=now), Target.DESICCATED_LT3, aim, BASES, ROUNDING)
        assert intent.t3_rises is rises


def test_a_chart_that_does_not_reach_the_dose_counts_as_a_rise() -> None:
    rows = (
        ChartRow(Fraction(50), Fraction(1), Fraction(25)),
        ChartRow(Fraction(100), Fraction(2), Fraction(50)),
    )
    table = Basis("clinic", "", "", Grade.CLINIC, BASES[0].content, rows=rows)
    aim = TargetDose(lt4_ug=Fraction(100))
    now = regimen(desiccated_thyroid_60=180)
    assert intent_for(now, Target.LEVOTHYROXINE, aim, (table,), ROUNDING).hormone_rises


def test_a_basis_that_steers_no_plan_is_passed_over() -> None:
    ddd = tuple(basis for basis in BASES if not basis.sets_checkpoint)
    aim = TargetDose(lt4_ug=Fraction(1000))
    now = regimen(levothyroxine=100)
    assert ddd
    assert not intent_for(now, Target.LEVOTHYROXINE, aim, ddd, ROUNDING).hormone_rises
