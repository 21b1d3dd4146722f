"""Tablet combinations: which pieces are chosen, and what is said when none fit."""

from dataclasses import replace
from fractions import Fraction

import pytest
from tests.unit.dosing.switches import GRAIN_60, GRAIN_65, LT3, LT4

from crossgrain.dosing.errors import Category, DomainError
from crossgrain.dosing.tablets import MOST_PIECES, exact_tablets, half_dose, search_tablets

FIVE_PERCENT = Fraction(1, 20)


def shown(tablets):
    return [(str(piece.count), str(float(piece.strength))) for piece in tablets.pieces]


@pytest.mark.parametrize(
    ("preparation", "amount", "pieces"),
    [
        (LT4, "100", [("1", "100.0")]),  # a whole tablet, not half of the 200
        (LT4, "75", [("1", "75.0")]),
        (LT4, "12.5", [("1/2", "25.0")]),
        (LT4, "62.5", [("1/2", "125.0")]),  # one piece before two
        (LT4, "225", [("3/2", "150.0")]),  # one strength before two
        (LT4, "176", [("2", "88.0")]),
        (LT4, "162", [("1", "137.0"), ("1", "25.0")]),  # not 112 + 50: the stronger first
        (LT4, "187.5", [("3/2", "125.0")]),
        (LT3, "7.5", [("3/2", "5.0")]),
        (LT3, "30", [("1", "25.0"), ("1", "5.0")]),
        (LT3, "20", [("1/2", "25.0"), ("3/2", "5.0")]),  # three pieces before four
        (GRAIN_60, "67.5", [("1", "60.0"), ("1/2", "15.0")]),
        (GRAIN_60, "75", [("1", "60.0"), ("1", "15.0")]),
        (GRAIN_65, "8.125", [("1/2", "16.25")]),
    ],
)
def test_a_dose_is_made_of_the_fewest_and_plainest_pieces(preparation, amount, pieces):
    tablets = exact_tablets(preparation, Fraction(amount))
    assert tablets.amount == Fraction(amount)
    assert shown(tablets) == pieces


@pytest.mark.parametrize(
    ("preparation", "amount"),
    [
        (LT4, "0"),
        (LT4, "6.25"),  # a quarter of 25, and levothyroxine is not quartered
        (LT4, "99"),
        (LT3, "60.5"),
        (LT4, "1500"),  # five pieces
    ],
)
def test_a_dose_that_no_combination_makes_is_not_made(preparation, amount):
    assert exact_tablets(preparation, Fraction(amount)) is None


@pytest.mark.parametrize(("tablets", "made"), [(MOST_PIECES, True), (MOST_PIECES + 1, False)])
def test_four_pieces_are_the_most(tablets, made):
    only_five = replace(LT3, strengths=(Fraction(5),))
    assert (exact_tablets(only_five, Fraction(5 * tablets)) is not None) is made


def test_a_half_and_a_quarter_are_two_pieces():
    quartered = replace(LT3, strengths=(Fraction(8),), smallest_piece=Fraction(1, 4))
    assert exact_tablets(quartered, Fraction(22)) is not None  # 2 3/4 tablets: four pieces
    assert exact_tablets(quartered, Fraction(30)) is None  # 3 3/4 tablets: five


def test_three_strengths_are_too_many():
    three = replace(LT3, strengths=(Fraction(1), Fraction(10), Fraction(100)))
    assert exact_tablets(three, Fraction(110)) is not None
    assert exact_tablets(three, Fraction(111)) is None


@pytest.mark.parametrize(("smallest_piece", "made"), [("1", False), ("1/2", False), ("1/4", True)])
def test_a_quarter_is_offered_only_where_the_tablet_may_be_quartered(smallest_piece, made):
    scored = replace(GRAIN_60, smallest_piece=Fraction(smallest_piece))
    assert (exact_tablets(scored, Fraction("3.75")) is not None) is made


def test_a_whole_tablet_is_not_halved_where_it_may_not_be():
    capsule = replace(LT3, smallest_piece=Fraction(1))
    assert exact_tablets(capsule, Fraction("2.5")) is None
    assert exact_tablets(capsule, Fraction(5)) is not None


def test_the_two_grain_families_share_no_dose_made_of_the_other():
    of_60 = exact_tablets(GRAIN_60, Fraction(195))
    of_65 = exact_tablets(GRAIN_65, Fraction(195))
    assert {piece.strength for piece in of_60.pieces} <= set(GRAIN_60.strengths)
    assert {piece.strength for piece in of_65.pieces} <= set(GRAIN_65.strengths)
    assert set(GRAIN_60.strengths).isdisjoint(GRAIN_65.strengths)


def test_a_quarter_grain_of_one_family_cannot_be_made_of_the_other():
    assert exact_tablets(GRAIN_60, Fraction("16.25")) is None
    assert exact_tablets(GRAIN_65, Fraction(15)) is None


def test_only_stocked_strengths_are_used():
    stocked = replace(LT4, strengths=(Fraction(50), Fraction(100)))
    assert shown(exact_tablets(stocked, Fraction(75))) == [("3/2", "50.0")]
    assert exact_tablets(stocked, Fraction(88)) is None


def test_a_preparation_without_fixed_strengths_has_no_tablets():
    compounded = replace(LT3, strengths=())
    search = search_tablets(compounded, Fraction(10), FIVE_PERCENT)
    assert (search.within, search.below, search.above) == (None, None, None)
    assert exact_tablets(compounded, Fraction(10)) is None


def test_a_target_that_is_orderable_is_met_exactly():
    search = search_tablets(GRAIN_60, Fraction(60), FIVE_PERCENT)
    assert search.within == search.below == search.above
    assert search.within.amount == 60


def test_the_nearest_dose_within_tolerance_is_taken_with_its_neighbours_shown():
    search = search_tablets(LT4, Fraction("135.2"), FIVE_PERCENT)
    assert search.within.amount == 137
    assert search.below.amount < Fraction("135.2") < search.above.amount


@pytest.mark.parametrize(
    ("tolerance", "nearest"), [("0.0999", None), ("0.1", 10), ("0.1001", 10), ("0", None)]
)
def test_the_tolerance_is_a_fraction_of_the_target_and_its_edge_counts(tolerance, nearest):
    tens = replace(LT3, strengths=(Fraction(20),))
    search = search_tablets(tens, Fraction(10) / Fraction("0.9"), Fraction(tolerance))
    assert (search.within and search.within.amount) == nearest
    assert (search.below.amount, search.above.amount) == (10, 20)


def test_a_dose_above_the_target_by_more_than_the_tolerance_is_never_taken():
    twenties = replace(LT3, strengths=(Fraction(20),), smallest_piece=Fraction(1))
    above = search_tablets(twenties, Fraction(19), FIVE_PERCENT)
    assert (above.within, above.below, above.above.amount) == (None, None, 20)


def test_between_two_equally_near_doses_the_one_of_fewer_pieces_is_taken():
    twenties = replace(LT3, strengths=(Fraction(20),))
    search = search_tablets(twenties, Fraction(35), Fraction(1, 5))
    assert (search.below.amount, search.above.amount) == (30, 40)
    assert search.within.amount == 40  # both are two pieces, and whole tablets come first


def test_a_target_above_every_combination_has_no_dose_above_it():
    search = search_tablets(LT3, Fraction(500), FIVE_PERCENT)
    assert (search.within, search.above) == (None, None)
    assert search.below.amount == 200


@pytest.mark.parametrize("target", ["0", "-1"])
def test_a_target_that_is_not_above_zero_is_refused(target):
    with pytest.raises(DomainError) as refused:
        search_tablets(LT4, Fraction(target), FIVE_PERCENT)
    assert (refused.value.category, refused.value.field) == (Category.INVALID, "target")
    assert refused.value.message == "a dose to be ordered is above zero"


def test_a_dose_below_the_smallest_piece_has_only_the_one_above():
    search = search_tablets(LT4, Fraction("0.5"), FIVE_PERCENT)
    assert (search.target, search.within, search.below) == (Fraction("0.5"), None, None)
    assert search.above.amount == Fraction("12.5")


@pytest.mark.parametrize(
    ("preparation", "amount", "half"),
    [
        (LT3, "10", [("1", "5.0")]),
        (LT3, "5", [("1/2", "5.0")]),
        (LT3, "25", [("1/2", "25.0")]),
        (LT3, "15", [("3/2", "5.0")]),
        (GRAIN_60, "15", [("1/2", "15.0")]),
        (GRAIN_65, "48.75", [("1/2", "48.75")]),
    ],
)
def test_a_daily_dose_splits_in_two_equal_orderable_doses(preparation, amount, half):
    split = half_dose(preparation, Fraction(amount))
    assert split.amount * 2 == Fraction(amount)
    assert shown(split) == half


@pytest.mark.parametrize(("preparation", "amount"), [(LT3, "7.5"), (LT3, "2.5"), (LT4, "12.5")])
def test_a_daily_dose_that_does_not_split_says_so(preparation, amount):
    assert exact_tablets(preparation, Fraction(amount)) is not None
    assert half_dose(preparation, Fraction(amount)) is None
