"""A switch taken apart: which medicine rises, which falls, and the grid that doses lie on."""

from fractions import Fraction

import pytest
from tests.unit.dosing.switches import (
    CATALOGUE,
    FIXED,
    GRAIN_60,
    GRAIN_65,
    LT3,
    LT4,
    regimen,
    stocked,
    tables,
)

from crossgrain.dosing.kinetics import Intake
from crossgrain.dosing.moves import (
    Move,
    amounts_of,
    as_dose,
    medicines,
    next_down,
    next_up,
    old_amounts,
    on_grid,
    round_down,
    step,
    total_intake,
)
from crossgrain.dosing.preparations import Kind
from crossgrain.dosing.steps import SwitchPart
from crossgrain.dosing.targets import TargetDose
from crossgrain.names.errors import Category, DomainError

PRODUCTS = tables().products
STANDARD = CATALOGUE.policy.pace("standard")
CAUTIOUS = CATALOGUE.policy.pace("cautious")


def fractions(*amounts):
    return tuple(Fraction(amount) for amount in amounts)


# --- the grid -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("amount", "rounded"),
    [("59.9", 45), (60, 60), ("60.1", 60), ("74.99", 60), (75, 75), (15, 15), ("15.1", 15)],
)
def test_a_dose_is_rounded_down_to_an_increment(amount, rounded):
    assert round_down(GRAIN_60, Fraction(15), Fraction(amount)) == rounded


@pytest.mark.parametrize("amount", ["14.99", 5, "0.01", 0])
def test_a_dose_is_never_rounded_below_one_increment(amount):
    assert round_down(GRAIN_60, Fraction(15), Fraction(amount)) == 15


def test_rounding_skips_what_the_stock_does_not_make():
    thirties = stocked(GRAIN_60, 30, scored=False)
    assert round_down(thirties, Fraction(15), Fraction(50)) == 30


def test_a_stock_that_makes_no_dose_that_small_is_said():
    sixties = stocked(GRAIN_60, 60, scored=False)
    with pytest.raises(DomainError, match="no stocked strength") as refused:
        round_down(sixties, Fraction(15), Fraction(50))
    assert (refused.value.category, refused.value.field) == (Category.OUT_OF_RANGE, "stock")


@pytest.mark.parametrize(("amount", "up"), [(0, 5), (4, 5), (5, 10), ("7.5", 10), (10, 15)])
def test_the_next_dose_up_lies_on_the_grid_above(amount, up):
    assert next_up(LT3, Fraction(5), Fraction(amount)) == up


def test_a_step_up_that_the_stock_cannot_make_is_refused():
    with pytest.raises(DomainError, match=r"makes the step above 0 micrograms") as refused:
        next_up(stocked(LT3, 25, scored=False), Fraction(5), Fraction(0))
    assert refused.value.field == "stock"


@pytest.mark.parametrize(
    ("amount", "down"), [(25, 20), ("22.5", 20), (10, 5), ("7.5", 5), (5, "2.5"), ("2.5", 0)]
)
def test_the_next_dose_down_lies_on_the_grid_below_then_half_an_increment_then_nothing(
    amount, down
):
    scored = stocked(LT3, 5, 25)
    assert next_down(scored, Fraction(5), Fraction(amount)) == Fraction(down)


def test_a_medicine_ends_where_half_an_increment_cannot_be_made():
    assert next_down(LT4, Fraction("12.5"), Fraction("12.5")) == 0


@pytest.mark.parametrize(
    ("preparation", "full", "half"),
    [
        (GRAIN_60, 15, 15),  # 15 mg is not scored
        (GRAIN_65, "16.25", "16.25"),
        (LT3, 5, 5),  # nor is 5 µg in any label that was read
        (stocked(LT3, 5, 25), 5, "2.5"),
        (LT4, "12.5", "12.5"),
    ],
)
def test_a_cautious_step_is_half_an_increment_where_tablets_allow(preparation, full, half):
    assert step(preparation, STANDARD) == Fraction(full)
    assert step(preparation, CAUTIOUS) == Fraction(half)


def test_a_target_is_rounded_down_in_each_of_its_medicines_apart():
    dose = TargetDose(lt4_ug=Fraction("89.5"), lt3_ug=Fraction("5.3"))
    assert on_grid(dose, PRODUCTS) == TargetDose(lt4_ug=Fraction(88), lt3_ug=Fraction(5))


@pytest.mark.parametrize(
    ("amount", "rounded"),
    [
        ("87.9", 75),  # 87.5 would break a tablet, and 88 is half a microgram away
        (88, 88),
        ("99.9", 88),
        (112, 112),
        ("124.9", 112),  # not 112.5
        (125, 125),
        ("136.9", 125),
        (137, 137),
        ("62.5", "62.5"),
        ("12.5", "12.5"),
    ],
)
def test_lt4_is_rounded_to_single_tablets_before_broken_ones(amount, rounded):
    assert round_down(LT4, Fraction("12.5"), Fraction(amount)) == Fraction(rounded)


@pytest.mark.parametrize(
    ("amount", "up"), [(88, 100), (100, 112), (112, 125), (125, 137), (137, 150), (75, 88)]
)
def test_a_step_of_lt4_is_a_tablet_further_never_half_a_microgram(amount, up):
    assert next_up(LT4, Fraction("12.5"), Fraction(amount)) == up
    assert next_down(LT4, Fraction("12.5"), Fraction(up)) == amount


# --- amounts --------------------------------------------------------------------------------


def test_grains_become_mg_of_the_family_that_is_ordered():
    dose = TargetDose(lt3_ug=Fraction(5), grains=Fraction(3, 2))
    assert amounts_of(dose, PRODUCTS) == ((GRAIN_60, 90), (LT3, 5))
    in_65 = amounts_of(dose, tables(GRAIN_65).products)
    assert in_65 == ((GRAIN_65, Fraction("97.5")), (LT3, 5))


@pytest.mark.parametrize("family", [GRAIN_60, GRAIN_65])
def test_amounts_and_dose_are_each_others_inverse(family):
    dose = TargetDose(*fractions("87.5", "7.5", "5/4"))
    products = tables(family).products
    by_id = {preparation.id: amount for preparation, amount in amounts_of(dose, products)}
    assert as_dose(by_id, products) == dose


def test_hormone_is_counted_by_origin():
    taken = [
        (LT4, Fraction(50)),
        (LT3, Fraction(5)),
        (GRAIN_65, Fraction(65)),
        (FIXED, Fraction(100)),
    ]
    assert total_intake(taken) == pytest.approx(Intake(50 + 38 + 100, 5 + 25, 9))


def test_lines_of_one_preparation_are_added_up_and_zeros_left_out():
    both = regimen(lt4=88).lines + regimen(lt4=12, lt3=0).lines
    assert old_amounts(both, PRODUCTS) == {LT4.id: (LT4, Fraction(100))}


def test_lt4_tapers_in_the_tablets_that_are_ordered():
    few = stocked(LT4, 50, 100)
    (entry,) = old_amounts(regimen(lt4=100), tables(lt4=few).products).values()
    assert entry[0] is few


# --- medicines ------------------------------------------------------------------------------


def split(taken, dose):
    old = old_amounts(taken, PRODUCTS)
    return {m.preparation.id: m for m in medicines(old, dose, PRODUCTS, STANDARD)}


def test_a_medicine_in_both_regimens_is_one_that_changes_dose():
    moving = split(regimen(lt4=100), TargetDose(lt4_ug=Fraction("87.5"), lt3_ug=Fraction(5)))
    assert moving[LT4.id] == Move(LT4, *fractions(100, "87.5", "12.5"))
    assert moving[LT4.id].part is SwitchPart.SHARED
    assert not moving[LT4.id].rises
    assert moving[LT3.id].part is SwitchPart.NEW
    assert moving[LT3.id].rises


def test_a_medicine_not_in_the_target_ends():
    moving = split(regimen(lt4=100), TargetDose(grains=Fraction(1)))
    assert list(moving) == [GRAIN_60.id, LT4.id]  # the new one first
    assert (moving[LT4.id].part, moving[LT4.id].goal) == (SwitchPart.OLD, 0)


@pytest.mark.parametrize(("start", "rises"), [(59, True), (60, False), (61, False)])
def test_a_medicine_rises_only_where_its_goal_is_above_what_is_taken(start, rises):
    (medicine,) = split(regimen(mg60=start), TargetDose(grains=Fraction(1))).values()
    assert medicine.rises is rises


def test_a_fixed_combination_tapers_as_itself():
    moving = split(regimen(fixed=100), TargetDose(grains=Fraction(1)))
    assert moving[FIXED.id].preparation.kind is Kind.FIXED_RATIO
    assert moving[FIXED.id].goal == 0
