"""Hormone content and marketed strengths against labels and code lists."""

from fractions import Fraction

import pytest

from crossgrain.catalogue import load_catalogue
from crossgrain.dosing.tablets import can_be_ordered

PREPARATIONS = load_catalogue().preparations
FAMILIES = [PREPARATIONS["desiccated-thyroid-60"], PREPARATIONS["desiccated-thyroid-65"]]


def strengths(preparation):
    return [float(strength) for strength in PREPARATIONS[preparation].strengths]


@pytest.mark.parametrize("family", FAMILIES, ids=lambda family: family.id)
@pytest.mark.parametrize(
    ("grains", "t4_ug", "t3_ug"),
    [
        # NHS England code list on OpenCodelists, BNF 0602010Z0, which names the tablets by
        # this content; the one-grain row is also the US thyroid tablet label's
        ("1/4", "9.5", "2.25"),
        ("1/2", "19", "4.5"),
        ("1", "38", "9"),
        ("3/2", "57", "13.5"),
        ("2", "76", "18"),
        ("3", "114", "27"),
    ],
)
def test_desiccated_thyroid_carries_its_labelled_content(family, grains, t4_ug, t3_ug):
    amount = Fraction(grains) * family.mg_per_grain
    assert family.t4_ug(amount) == Fraction(t4_ug)
    assert family.t3_ug(amount) == Fraction(t3_ug)
    assert family.grains(amount) == Fraction(grains)


def test_a_quarter_grain_is_15_mg_in_one_family_and_16_25_mg_in_the_other():
    # US thyroid tablet label, how supplied, revised January 2011: 15 mg (1/4 gr)
    # value set 2.16.840.1.113883.3.464.1003.196.12.1354: 16.25 mg
    quarter_60, quarter_65 = (family.mg_per_grain / 4 for family in FAMILIES)
    assert (quarter_60, quarter_65) == (15, Fraction("16.25"))
    for family, quarter in zip(FAMILIES, (quarter_60, quarter_65), strict=True):
        assert family.increment == quarter
        assert can_be_ordered(family, quarter)


def test_the_60_mg_family_comes_in_its_labels_strengths():
    # US thyroid tablet label, how supplied, revised January 2011
    assert strengths("desiccated-thyroid-60") == [15, 30, 60, 90, 120, 180, 240, 300]


def test_the_65_mg_family_comes_in_its_value_sets_strengths():
    # value set 2.16.840.1.113883.3.464.1003.196.12.1354
    low = [16.25, 32.5, 48.75, 65, 81.25, 97.5, 113.75]
    high = [130, 146.25, 162.5, 195, 260, 325]
    assert strengths("desiccated-thyroid-65") == low + high


def test_the_two_families_make_up_the_value_set():
    # every strength of value set 2.16.840.1.113883.3.464.1003.196.12.1354 is in one family
    value_set = (
        "15 16.25 30 32.5 48.75 60 65 81.25 90 97.5 113.75 120 130 146.25 162.5 180 195 240"
        " 260 300 325"
    )
    together = strengths("desiccated-thyroid-60") + strengths("desiccated-thyroid-65")
    assert sorted(together) == [float(strength) for strength in value_set.split()]


def test_levothyroxine_comes_in_its_labels_twelve_strengths():
    # US levothyroxine sodium tablet label, description
    label = [25, 50, 75, 88, 100, 112, 125, 137, 150, 175, 200, 300]
    assert strengths("levothyroxine") == label


def test_liothyronine_comes_in_its_labels_three_strengths():
    # US liothyronine sodium tablet label, section 3
    assert strengths("liothyronine") == [5, 25, 50]


@pytest.mark.parametrize(
    ("t4_ug", "t3_ug"),
    # secondary: the fixed 4:1 tablets are named by these contents; 12.5 is named 3.1
    [("12.5", "3.1"), ("25", "6.25"), ("50", "12.5"), ("100", "25"), ("150", "37.5")],
)
def test_the_fixed_ratio_tablets_carry_what_they_are_named_by(t4_ug, t3_ug):
    fixed = PREPARATIONS["fixed-ratio-4-1"]
    assert Fraction(t4_ug) in fixed.strengths
    assert fixed.t4_ug(Fraction(t4_ug)) == Fraction(t4_ug)
    assert abs(fixed.t3_ug(Fraction(t4_ug)) - Fraction(t3_ug)) < Fraction("0.05")
