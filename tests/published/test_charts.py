"""The shipped bases against the charts, trials and guidelines that they stand for."""

from fractions import Fraction

import pytest
from tests.published.handout import HANDOUT, HANDOUTS_DOSES
from tests.unit.dosing.switches import GRAIN

from crossgrain.catalogue import load_catalogue
from crossgrain.catalogue.charts import clinic_bases_from
from crossgrain.dosing.bases import Grade
from crossgrain.dosing.targets import Target, target_dose

CATALOGUE = load_catalogue()
COMBINING = CATALOGUE.policy.combining
BASES = {basis.id: basis for basis in CATALOGUE.bases}
ENABLED = ["practice", "label", "trial", "content"]
NONE = Fraction(0)


def lt4_of(basis_id, *, lt4_ug=NONE, lt3_ug=NONE, grains=NONE):
    return BASES[basis_id].lt4_for(Fraction(lt4_ug), Fraction(lt3_ug), Fraction(grains))


def target_of(target, lt4_ug, basis_id, mixture=None):
    return target_dose(target, Fraction(lt4_ug), BASES[basis_id], mixture or COMBINING.mixture())


@pytest.mark.parametrize(
    ("lt4_ug", "grains", "lt3_ug"), [(50, 1, 25), (100, 2, 50), (150, 3, 75), (200, 4, 100)]
)
def test_practice_is_the_practising_prescribers_chart(lt4_ug, grains, lt3_ug):
    # common practice, no source
    assert lt4_of("practice", grains=grains) == lt4_ug
    assert lt4_of("practice", lt3_ug=lt3_ug) == lt4_ug


def test_label_calls_a_grain_100_ug_of_lt4_and_25_ug_of_lt3():
    # US Pharmacopeia Drug Information 2000, 20th edition, as quoted: 60 mg = LT4 100 µg;
    # a surgical handbook page: LT3 25 µg = 1 grain = LT4 0.1 mg
    assert lt4_of("label", grains=1) == lt4_of("label", lt3_ug=25) == 100


def test_label_calls_15_mg_25_ug_of_lt4():
    # Drug Facts and Comparisons 2009, pages 486-95, as quoted: LT4 25 µg per 15 mg
    fifteen_mg = CATALOGUE.preparations["desiccated-thyroid-60"].grains(Fraction(15))
    assert lt4_of("label", grains=fifteen_mg) == 25


def test_trial_calls_60_mg_88_ug_of_lt4():
    # Hoang et al., J Clin Endocrinol Metab 2013;98:1982-90, as quoted in a review
    assert lt4_of("trial", grains=1) == 88


def test_trial_is_near_the_mean_doses_of_its_desiccated_arm():
    # Hoang et al. 2013: about 80 mg against about 119 µg at the same TSH (from memory)
    assert lt4_of("trial", grains=Fraction(80, 60)) == pytest.approx(119, rel=0.02)


def test_trial_calls_the_two_mean_doses_of_its_lt3_arm_equal():
    # Celi et al., Clin Endocrinol 2010;72:709, abstract: 40.3 µg LT3, 115.2 µg LT4
    assert lt4_of("trial", lt3_ug="40.3") == Fraction("115.2")


def test_trials_lt3_factor_lies_within_the_published_ratio():
    # Celi et al. 2010, abstract: LT3:LT4 ratio 0.36 ± 0.06
    ratio = 1 / BASES["trial"].weights.lt4_ug_per_lt3_ug
    assert abs(ratio - Fraction("0.36")) <= Fraction("0.06")


@pytest.mark.parametrize(("k", "weight"), [("2", 56), ("3", 65), ("3.3", "67.7"), ("4", 74)])
def test_content_weighs_a_grain_38_and_9_times_the_potency_of_t3(k, weight):
    # arithmetic on label content, 38 µg T4 and 9 µg T3 per grain
    entry = {"id": "at-k", "statement": "content", "source": "label content"}
    weights = {"lt4_ug_per_grain": "content", "lt4_ug_per_lt3_ug": k}
    (basis,) = clinic_bases_from([entry | weights], (), GRAIN)
    assert basis.weights.lt4_ug_per_grain == Fraction(weight)


def test_content_ships_with_a_potency_of_3_3():
    # common practice, no source: 3.3-3.4 on TSH
    assert BASES["content"].weights.lt4_ug_per_lt3_ug == Fraction("3.3")
    assert BASES["content"].weights.lt4_ug_per_grain == Fraction("67.7")


def test_ddd_counts_one_defined_daily_dose_as_another():
    # WHO ATC/DDD: H03AA01 150 µg, H03AA02 60 µg, H03AA05 0.1 g, here at 60 mg per grain
    thyroid = CATALOGUE.preparations["desiccated-thyroid-60"].grains(Fraction(100))
    assert lt4_of("ddd", lt3_ug=60) == lt4_of("ddd", grains=thyroid) == 150
    assert BASES["ddd"].grade is Grade.REFERENCE
    assert not BASES["ddd"].sets_checkpoint


@pytest.mark.parametrize(
    ("basis_id", "grains"),
    # arithmetic on the charts above: 100 over the µg LT4 per grain
    list(zip(ENABLED, [2, 1, 1.14, 1.48], strict=True)),
)
def test_100_ug_of_lt4_as_desiccated_thyroid(basis_id, grains):
    target = target_of(Target.DESICCATED_THYROID, 100, basis_id)
    assert round(float(target.grains), 2) == grains
    assert (target.lt4_ug, target.lt3_ug) == (0, 0)


@pytest.mark.parametrize(
    ("basis_id", "lt4_ug"),
    # arithmetic on the charts above: two grains times the µg LT4 per grain
    list(zip(ENABLED, [100, 200, 176, 135], strict=True)),
)
def test_two_grains_as_lt4(basis_id, lt4_ug):
    target = target_of(Target.LEVOTHYROXINE, lt4_of(basis_id, grains=2), basis_id)
    assert round(target.lt4_ug) == lt4_ug


@pytest.mark.parametrize(
    ("basis_id", "lt3_ug"),
    # arithmetic on the charts above: 100 over the µg LT4 per µg LT3
    list(zip(ENABLED, [50, 25, 35, 30], strict=True)),
)
def test_100_ug_of_lt4_as_lt3(basis_id, lt3_ug):
    assert round(target_of(Target.LIOTHYRONINE, 100, basis_id).lt3_ug) == lt3_ug


def inside_the_handout(basis_id):
    grains = CATALOGUE.preparations["desiccated-thyroid-60"].grains
    return [
        mg
        for mg, low, high in HANDOUT
        if low <= lt4_of(basis_id, grains=grains(Fraction(mg))) <= high
    ]


def test_label_falls_inside_every_range_of_the_handout():
    assert inside_the_handout("label") == [mg for mg, _, _ in HANDOUT]


def test_practice_falls_outside_the_handout_but_for_its_smallest_dose():
    assert inside_the_handout("practice") == [30]


@pytest.mark.parametrize(("mg", "lt4_ug"), HANDOUTS_DOSES[:-1])
def test_label_meets_the_handouts_own_doses(mg, lt4_ug):
    # the fourth row, 125 mg = 200 µg, is rounded from 208
    assert lt4_of("label", grains=Fraction(mg, 60)) == lt4_ug


@pytest.mark.parametrize(
    ("x", "lt4_ug", "lt3_ug"), [(100, "85", 5), (150, "127.5", "7.5"), (200, "170", 10)]
)
@pytest.mark.parametrize("basis_id", ENABLED)
def test_the_guideline_rule_gives_its_doses_on_every_basis(basis_id, x, lt4_ug, lt3_ug):
    # ETA 2012, Eur Thyroid J 1:55; the rule LT3 = x/20, LT4 = x - 3 LT3 is from memory
    dose = target_of(Target.LT4_LT3, x, basis_id, COMBINING.mixture(guideline=True))
    assert (dose.lt4_ug, dose.lt3_ug) == (Fraction(lt4_ug), Fraction(lt3_ug))
    assert dose.lt4_ug == 17 * dose.lt3_ug


@pytest.mark.parametrize(
    ("basis_id", "lt4_ug"),
    # arithmetic: 85 µg LT4 and 5 µg LT3 weighed by each chart
    [("practice", "95"), ("label", "105"), ("content", "101.5")],
)
def test_the_guideline_dose_for_100_ug_is_worth_this_on_each_basis(basis_id, lt4_ug):
    assert lt4_of(basis_id, lt4_ug=85, lt3_ug=5) == Fraction(lt4_ug)


@pytest.mark.parametrize("ratio", [13, 20])
def test_the_ratio_of_a_combination_holds_at_the_guidelines_ends(ratio):
    # ETA 2012, Eur Thyroid J 1:55, abstract: 13:1 to 20:1 by weight
    dose = target_of(Target.LT4_LT3, 100, "label", COMBINING.mixture(ratio=Fraction(ratio)))
    assert dose.lt4_ug == ratio * dose.lt3_ug
    assert lt4_of("label", lt4_ug=dose.lt4_ug, lt3_ug=dose.lt3_ug) == 100


def test_the_classic_slip_is_half_the_dose_on_practice_and_the_same_dose_on_label():
    # arithmetic: 100 µg LT4 moved to one grain
    assert lt4_of("practice", grains=1) / 100 == Fraction(1, 2)
    assert lt4_of("label", grains=1) / 100 == 1
