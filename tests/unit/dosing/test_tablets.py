"""A day's dose in tablets: which pieces are chosen, and what is said when none fit."""

from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import pytest
from tests.unit.dosing.switches import GRAIN_60, GRAIN_65, LT3, LT4, stocked

from crossgrain.dosing.moves import climbing, next_up, rungs
from crossgrain.dosing.tablets import (
    ONCE_A_DAY,
    best_day_dose,
    can_be_ordered,
    makings,
    nearest_doses,
)
from crossgrain.names.errors import Category, DomainError

FIVE_PERCENT = Fraction(1, 20)


def shown(tablets):
    return [(str(piece.count), str(float(piece.strength))) for piece in tablets.pieces]


@pytest.mark.parametrize(
    ("preparation", "amount", "pieces"),
    [
        (LT4, "100", [("1", "100.0")]),  # a whole tablet, not half of the 200
        (LT4, "75", [("1", "75.0")]),
        (LT4, "12.5", [("1/2", "25.0")]),
        (LT4, "44", [("1/2", "88.0")]),
        (LT4, "176", [("2", "88.0")]),
        (LT4, "225", [("1", "175.0"), ("1", "50.0")]),  # not one and a half of 150
        (LT4, "162", [("1", "137.0"), ("1", "25.0")]),
        (GRAIN_60, "45", [("1", "30.0"), ("1", "15.0")]),  # not half of 90: it is not scored
        (GRAIN_60, "75", [("1", "60.0"), ("1", "15.0")]),
        (GRAIN_60, "150", [("1", "120.0"), ("1", "30.0")]),  # not half of the scored 300
    ],
)
def test_a_dose_is_made_of_whole_tablets_first_then_of_the_fewest_pieces(
    preparation, amount, pieces
):
    tablets = best_day_dose(preparation, Fraction(amount)).tablets
    assert tablets.amount == Fraction(amount)
    assert shown(tablets) == pieces


@pytest.mark.parametrize(
    ("preparation", "amount"),
    [
        (LT4, "0"),
        (LT4, "6.25"),  # a quarter of 25: nothing is quartered
        (LT4, "99"),
        (LT4, "1000"),  # four pieces of the strongest
        (GRAIN_60, "7.5"),  # half of 15 mg, which is not scored
        (GRAIN_60, "67.5"),
        (GRAIN_65, "8.125"),
        (LT3, "2.5"),
    ],
)
def test_a_dose_that_no_combination_makes_is_not_made(preparation, amount):
    assert not can_be_ordered(preparation, Fraction(amount))
    assert best_day_dose(preparation, Fraction(amount)) is None


@pytest.mark.parametrize(
    ("tablets", "made"), [(LT4.handful.pieces, True), (LT4.handful.pieces + 1, False)]
)
def test_three_pieces_at_a_time_are_the_most(tablets, made):
    only_five = stocked(LT4, 5, scored=False)
    assert can_be_ordered(only_five, Fraction(5 * tablets)) is made


def test_a_half_is_a_piece():
    only_ten = stocked(LT4, 10)
    assert can_be_ordered(only_ten, Fraction(25))  # two and a half
    assert not can_be_ordered(only_ten, Fraction(35))


@pytest.mark.parametrize("amount", [90, 150])
def test_only_180_and_300_mg_of_desiccated_thyroid_are_halved(amount):
    # US thyroid tablet label, how supplied, revised January 2011: scored are these two alone
    strong = replace(
        GRAIN_60,
        strengths=tuple(s for s in GRAIN_60.strengths if s >= 180),
    )
    assert shown(best_day_dose(strong, Fraction(amount)).tablets) == [("1/2", f"{2 * amount:.1f}")]
    assert all(
        piece.strength in {180, 300}
        for steps, ways in makings(GRAIN_60).by_steps.items()
        for way in ways
        if way.halves
        for piece in best_day_dose(strong, Fraction(amount)).tablets.pieces
    )


def test_the_two_grain_families_share_no_dose_made_of_the_other():
    of_60 = best_day_dose(GRAIN_60, Fraction(195)).tablets
    of_65 = best_day_dose(GRAIN_65, Fraction(195)).tablets
    assert of_60.strengths <= set(GRAIN_60.strengths)
    assert of_65.strengths <= set(GRAIN_65.strengths)
    assert set(GRAIN_60.strengths).isdisjoint(GRAIN_65.strengths)


def test_a_quarter_grain_of_one_family_cannot_be_made_of_the_other():
    assert not can_be_ordered(GRAIN_60, Fraction("16.25"))
    assert not can_be_ordered(GRAIN_65, Fraction(15))


def test_only_stocked_strengths_are_used():
    few = stocked(LT4, 50, 100)
    assert shown(best_day_dose(few, Fraction(75)).tablets) == [("3/2", "50.0")]
    assert not can_be_ordered(few, Fraction(88))


# --- LT3 by the day -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("amount", "times"),
    [
        (5, [[("1", "5.0")]]),
        (10, [[("1", "5.0")]] * 2),
        (15, [[("2", "5.0")], [("1", "5.0")]]),  # the larger in the morning, no broken tablet
        (20, [[("2", "5.0")]] * 2),
        (25, [[("3", "5.0")], [("2", "5.0")]]),
        (50, [[("1", "25.0")]] * 2),
        (55, [[("1", "25.0"), ("1", "5.0")], [("1", "25.0")]]),
    ],
)
def test_lt3_above_5_is_taken_in_two_doses_the_larger_in_the_morning(amount, times):
    # ETA guideline 2012, Eur Thyroid J 1:55: two doses a day
    dose = best_day_dose(LT3, Fraction(amount))
    assert [shown(taken) for taken in dose.times] == times
    assert dose.tablets.amount == amount
    assert not dose.note


THRICE = replace(LT3, division=replace(LT3.division, doses=3))
UNITED_KINGDOM = stocked(LT3, 5, 10, 20, 25, 50, scored=False)
"""An NHS England code list (BNF 0602020M0): tablets of 5, 10 and 20 µg beside 25 and 50."""


@pytest.mark.parametrize(
    ("amount", "times"),
    [(5, [5]), (10, [5, 5]), (15, [5, 5, 5]), (20, [10, 5, 5]), (25, [10, 10, 5]), (75, [25] * 3)],
)
def test_three_doses_are_as_even_as_tablets_allow_and_the_first_is_the_largest(amount, times):
    dose = best_day_dose(THRICE, Fraction(amount))
    assert [taken.amount for taken in dose.times] == times


@pytest.mark.parametrize("lt3", [LT3, THRICE, UNITED_KINGDOM], ids=["two", "three", "more tablets"])
def test_no_single_dose_of_lt3_rises_by_more_than_5_where_the_day_rises_or_falls_by_5(lt3):
    days = [best_day_dose(lt3, Fraction(amount)).times for amount in range(5, 155, 5)]
    for lower, higher in pairwise([sorted(t.amount for t in times) for times in days]):
        assert higher[-1] - lower[-1] <= 5
        assert lower[-1] - higher[-1] <= 5
        assert len(higher) >= len(lower)


@pytest.mark.parametrize("lt3", [LT3, THRICE, UNITED_KINGDOM], ids=["two", "three", "more tablets"])
def test_the_days_doses_of_lt3_never_grow_and_differ_by_5_at_the_most(lt3):
    for amount in range(5, 155, 5):
        single = [taken.amount for taken in best_day_dose(lt3, Fraction(amount)).times]
        assert single == sorted(single, reverse=True)
        assert single[0] - single[-1] <= 5


def test_more_than_three_tablets_at_a_time_are_only_for_the_sake_of_lt3s_single_doses():
    crowded = {
        taken.amount
        for amount in range(5, 155, 5)
        for taken in best_day_dose(LT3, Fraction(amount)).times
        if sum(piece.count for piece in taken.pieces) > LT4.handful.pieces
    }
    # what three tablets of 5, 25 and 50 µg do not make: 25 + 15, 25 + 20, 50 + 15, 50 + 20
    assert crowded == {20, 40, 45, 65, 70}


def test_where_tablets_of_10_and_20_are_stocked_none_is_a_fourth():
    for amount in range(5, 155, 5):
        for taken in best_day_dose(UNITED_KINGDOM, Fraction(amount)).times:
            assert sum(piece.count for piece in taken.pieces) <= LT4.handful.pieces


def test_whole_tablets_make_an_uneven_day_before_broken_ones_make_an_even_one():
    scored = stocked(LT3, 5)
    dose = best_day_dose(scored, Fraction(15))
    assert [shown(taken) for taken in dose.times] == [[("2", "5.0")], [("1", "5.0")]]


def test_a_dose_that_no_tablets_divide_evenly_is_no_step_of_a_climb():
    lt3 = stocked(LT3, 5, 50, scored=False)
    assert 55 in rungs(lt3, Fraction(5))  # 50 and 5 µg are no two doses
    assert {40, 100} <= set(climbing(lt3, Fraction(5)))
    assert not {55, 60, 65} & set(climbing(lt3, Fraction(5)))
    with pytest.raises(DomainError, match="no single dose rising by more than 5 micrograms"):
        next_up(lt3, Fraction(5), Fraction(40))


def test_a_dose_of_lt3_that_cannot_be_divided_is_given_once_and_says_so():
    dose = best_day_dose(stocked(LT3, 25, scored=False), Fraction(25))
    assert [shown(taken) for taken in dose.times] == [[("1", "25.0")]]
    assert dose.note == ONCE_A_DAY


# --- the nearest dose -----------------------------------------------------------------------


def test_a_preparation_without_fixed_strengths_has_no_tablets():
    compounded = stocked(LT3)
    near = nearest_doses(compounded, Fraction(10), FIVE_PERCENT)
    assert (near.within, near.below, near.above) == (None, None, None)
    assert best_day_dose(compounded, Fraction(10)) is None


def test_a_target_that_is_orderable_is_met_exactly():
    near = nearest_doses(GRAIN_60, Fraction(60), FIVE_PERCENT)
    assert near.within == near.below == near.above == 60


def test_the_nearest_dose_within_tolerance_is_taken_with_its_neighbours_shown():
    near = nearest_doses(LT4, Fraction("136.9"), FIVE_PERCENT)
    assert near.within == 137
    assert near.below < Fraction("136.9") < near.above


@pytest.mark.parametrize(
    ("tolerance", "nearest"), [("0.0999", None), ("0.1", 10), ("0.1001", 10), ("0", None)]
)
def test_the_tolerance_is_a_fraction_of_the_target_and_its_edge_counts(tolerance, nearest):
    near = nearest_doses(stocked(LT4, 20), Fraction(10) / Fraction("0.9"), Fraction(tolerance))
    assert near.within == nearest
    assert (near.below, near.above) == (10, 20)


def test_a_dose_above_the_target_by_more_than_the_tolerance_is_never_taken():
    near = nearest_doses(stocked(LT4, 20, scored=False), Fraction(19), FIVE_PERCENT)
    assert (near.within, near.below, near.above) == (None, None, 20)


def test_between_two_equally_near_doses_the_plainer_one_is_taken():
    near = nearest_doses(stocked(LT4, 20), Fraction(35), Fraction(1, 5))
    assert (near.below, near.above) == (30, 40)
    assert near.within == 40  # both are two pieces, and whole tablets come first


def test_a_target_above_every_combination_has_no_dose_above_it():
    near = nearest_doses(LT4, Fraction(5000), FIVE_PERCENT)
    assert (near.within, near.above) == (None, None)
    assert near.below == 900


@pytest.mark.parametrize("target", ["0", "-1"])
def test_a_target_that_is_not_above_zero_is_refused(target):
    with pytest.raises(DomainError) as refused:
        nearest_doses(LT4, Fraction(target), FIVE_PERCENT)
    assert (refused.value.category, refused.value.field) == (Category.INVALID, "target")
    assert refused.value.message == "a dose to be ordered is above zero"


def test_a_dose_below_the_smallest_piece_has_only_the_one_above():
    near = nearest_doses(LT4, Fraction("0.5"), FIVE_PERCENT)
    assert (near.target, near.within, near.below) == (Fraction("0.5"), None, None)
    assert near.above == Fraction("12.5")


@pytest.mark.parametrize(
    ("pair", "shared"), [((88, 175), True), ((25, 50), True), ((75, 175), False)]
)
def test_two_tablets_share_a_week_only_where_one_is_at_most_twice_the_other(pair, shared):
    tablets = replace(stocked(LT4, *pair), scored=frozenset(), weekly=Fraction(2))
    longer, shorter = map(Fraction, pair)
    ways = makings(tablets).ways((4 * longer + 3 * shorter) / 7)
    assert [way.weekly for way in ways] == [1] * shared


def test_a_week_that_is_shared_is_two_whole_tablets_each_on_days_of_its_own():
    tablets = replace(stocked(LT4, 50, 75), scored=frozenset(), weekly=Fraction(2))
    dose = best_day_dose(tablets, Fraction(425, 7))
    assert [part.amount for part in dose.week] == [50, 75]
    assert dose.tablets.amount == Fraction(425, 7)
    assert [piece.count for piece in dose.tablets.pieces] == [Fraction(3, 7), Fraction(4, 7)]
