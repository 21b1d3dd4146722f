"""Regimens: daily hormone, exact, over patterns and several lines."""

from fractions import Fraction

import pytest
from tests.unit.dosing.switches import FIXED, GRAIN_60, GRAIN_65, LT3, LT4

from crossgrain.dosing.preparations import Kind
from crossgrain.dosing.regimens import DoseLine, Regimen
from crossgrain.names.errors import Category, DomainError


def line(preparation, *cycle):
    return DoseLine(preparation, tuple(Fraction(amount) for amount in cycle))


@pytest.mark.parametrize("desiccated", [GRAIN_60, GRAIN_65], ids=lambda family: family.id)
def test_a_third_of_a_grain_three_times_is_one_grain(desiccated):
    third = line(desiccated, desiccated.mg_per_grain / 3)
    regimen = Regimen((third, third, third))
    assert regimen.grains == 1
    assert regimen.t4_ug == 38
    assert regimen.t3_ug == 9


def test_alternate_days_halve_the_daily_dose():
    assert line(LT4, 100, 0).daily == 50


def test_a_week_with_its_own_weekend_is_averaged_exactly():
    assert line(LT4, 100, 100, 100, 100, 100, 50, 50).daily == Fraction(600, 7)


def test_a_tenth_of_a_microgram_ten_times_is_one_microgram():
    assert Regimen((line(LT3, "0.1"),) * 10).t3_ug == 1


def test_lines_add_up_and_desiccated_thyroid_is_kept_apart_from_pure_hormone():
    regimen = Regimen((line(GRAIN_60, 120), line(LT3, 10, 5), line(LT4, 25)))
    assert regimen.grains == 2
    assert (regimen.t4_ug, regimen.t3_ug) == (76 + 25, 18 + Fraction(15, 2))
    assert (regimen.pure_t4_ug, regimen.pure_t3_ug) == (25, Fraction(15, 2))
    assert regimen.kinds == {Kind.DESICCATED_THYROID, Kind.LIOTHYRONINE, Kind.LEVOTHYROXINE}


def test_a_fixed_ratio_tablet_counts_as_its_pure_hormones():
    # secondary: one such tablet holds 50 µg T4 and 12.5 µg T3
    regimen = Regimen((line(FIXED, 50),))
    assert (regimen.pure_t4_ug, regimen.pure_t3_ug) == (50, Fraction("12.5"))


@pytest.mark.parametrize("cycle", [(), (Fraction(100), Fraction(-1))])
def test_a_line_without_days_or_with_a_negative_dose_is_refused(cycle):
    with pytest.raises(DomainError) as refused:
        DoseLine(LT4, cycle)
    assert (refused.value.category, refused.value.field) == (Category.INVALID, "dose")
    assert refused.value.message == "a dose line needs days, none of them negative"


def test_a_day_without_the_medicine_is_an_ordinary_day():
    assert line(LT4, 0).daily == 0
