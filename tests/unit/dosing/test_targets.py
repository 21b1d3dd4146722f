"""Targets: what may be mixed, and the dose that a basis calls equivalent."""

from fractions import Fraction

import pytest
from tests.unit.dosing.switches import COMBINING, GRAIN

from crossgrain.dosing.bases import Basis, ChartRow, Grade, Weights
from crossgrain.dosing.targets import Target, TargetDose, target_dose
from crossgrain.names.errors import Category, DomainError

WEIGHTS = Weights(Fraction(100), Fraction(4), GRAIN)
LABEL = Basis("label", "", "", Grade.LABEL, GRAIN, weights=WEIGHTS)


def refusal(**mixture):
    with pytest.raises(DomainError) as refused:
        COMBINING.mixture(**{name: Fraction(value) for name, value in mixture.items()})
    return refused.value.category, refused.value.field, refused.value.message


@pytest.mark.parametrize(("ratio", "usable"), [("12.9", 0), (13, 1), (20, 1), ("20.1", 0)])
def test_t4_to_t3_lies_between_13_and_20_by_weight(ratio, usable):
    """ETA guideline 2012, Eur Thyroid J 1:55."""
    if usable:
        assert COMBINING.mixture(ratio=Fraction(ratio)).ratio == Fraction(ratio)
    else:
        assert refusal(ratio=ratio) == (
            Category.INVALID,
            "ratio",
            "the T4:T3 ratio lies between 13 and 20 (ETA 2012)",
        )


@pytest.mark.parametrize(
    ("share", "usable"), [("-0.1", 0), (0, 0), ("0.01", 1), ("0.99", 1), (1, 0)]
)
def test_the_share_that_lt3_carries_beside_desiccated_thyroid_is_some_and_not_all(share, usable):
    if usable:
        assert COMBINING.mixture(t3_share=Fraction(share)).t3_share == Fraction(share)
    else:
        assert refusal(t3_share=share) == (
            Category.INVALID,
            "t3-share",
            "the share carried by LT3 lies between 0 and 1",
        )


def test_left_to_itself_a_mixture_is_17_to_1_and_a_quarter_lt3():
    # LT3 = x/20 and LT4 = x - 3·LT3 make 17:1 (ETA 2012, rule from memory)
    usual = COMBINING.mixture()
    assert (usual.ratio, usual.t3_share, usual.guideline) == (17, Fraction(1, 4), False)


@pytest.mark.parametrize(
    ("target", "mixture", "dose"),
    [
        (Target.LEVOTHYROXINE, COMBINING.mixture(), TargetDose(lt4_ug=Fraction(100))),
        (Target.LIOTHYRONINE, COMBINING.mixture(), TargetDose(lt3_ug=Fraction(25))),
        (Target.DESICCATED_THYROID, COMBINING.mixture(), TargetDose(grains=Fraction(1))),
        # 85 + 5 µg: the guideline's worked rule (ETA 2012, from memory)
        (
            Target.LT4_LT3,
            COMBINING.mixture(guideline=True),
            TargetDose(lt4_ug=Fraction(85), lt3_ug=Fraction(5)),
        ),
        # E/(r + k) = 100/(16 + 4)
        (
            Target.LT4_LT3,
            COMBINING.mixture(ratio=Fraction(16)),
            TargetDose(lt4_ug=Fraction(80), lt3_ug=Fraction(5)),
        ),
        # a quarter of 100 µg in LT3 at 4 µg each, three quarters at 100 µg a grain
        (
            Target.DESICCATED_LT3,
            COMBINING.mixture(),
            TargetDose(lt3_ug=Fraction(25, 4), grains=Fraction(3, 4)),
        ),
    ],
)
def test_a_hundred_micrograms_of_lt4_on_the_labels_chart(target, mixture, dose):
    """Label: 60 mg = LT4 100 µg = LT3 25 µg (product monograph, as quoted)."""
    assert target_dose(target, Fraction(100), LABEL, mixture) == dose


def test_so_much_of_a_dose_is_so_much_of_each_of_its_parts():
    dose = TargetDose(Fraction(80), Fraction(5), Fraction(2)).times(Fraction(1, 2))
    assert dose == TargetDose(Fraction(40), Fraction(5, 2), Fraction(1))


# --- tables ---------------------------------------------------------------------------------

TABLE = Basis(
    "ours",
    "",
    "",
    Grade.CLINIC,
    GRAIN,
    rows=tuple(
        ChartRow(Fraction(lt4), Fraction(grains), Fraction(lt3))
        for lt4, grains, lt3 in ((0, 0, 0), (100, 1, 25), (300, 4, 65))
    ),
)


def test_a_table_adds_up_what_each_medicine_is_worth():
    # 25 µg LT3 and 1 grain are 100 µg each; half way to the next row, 45 µg LT3 are 200
    assert TABLE.lt4_for(Fraction(10), Fraction(25), Fraction(1)) == 210
    assert TABLE.lt4_for(Fraction(10), Fraction(45), Fraction(0)) == 210
    assert TABLE.lt4_for(Fraction(10), Fraction(0), Fraction(5, 2)) == 210


def test_a_table_gives_a_combination_where_its_line_meets_the_ratio():
    # between the rows (100, 25) and (300, 65): 17·45 + 200 = 965
    dose = target_dose(Target.LT4_LT3, Fraction(965), TABLE, COMBINING.mixture())
    assert dose == TargetDose(lt4_ug=Fraction(17 * 45), lt3_ug=Fraction(45))


def test_a_dose_of_nothing_has_no_weight_on_a_table():
    with pytest.raises(DomainError) as refused:
        TABLE.weights_at(Fraction(0))
    assert (refused.value.category, refused.value.field) == (Category.OUT_OF_RANGE, "ours")
    assert refused.value.message == "a dose of zero has no weight on a table chart"


def test_a_table_says_where_it_ends():
    with pytest.raises(DomainError) as refused:
        TABLE.grains_for(Fraction("300.5"))
    assert refused.value.message == (
        "the chart runs from 0 to 300 and does not reach 300.5; nothing is extrapolated"
    )
