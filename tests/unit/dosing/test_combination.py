"""LT4 and LT3 rounded together: the ratio is kept, or the move is refused with words."""

from dataclasses import replace
from fractions import Fraction

import pytest
from tests.unit.dosing.switches import (
    BASES,
    CATALOGUE,
    COMBINING,
    LT3,
    LT4,
    amounts,
    plan,
    regimen,
    stocked,
    tables,
)

from crossgrain.dosing import outlook
from crossgrain.dosing.plan import PriorTherapy
from crossgrain.dosing.targets import Target, combining_from, target_dose
from crossgrain.names.errors import Category, DomainError

# ETA 2012, Eur Thyroid J 1:55: 13:1 to 20:1 by weight, and LT3 = x/20, LT4 = x - 3·LT3 (the rule
# from memory)


@pytest.mark.parametrize(
    ("taken", "lt4_ug", "lt3_ug"),
    [
        ({"lt4": 88}, 75, 5),  # 15:1; 62.5 µg beside 5 would be 12.5:1
        ({"lt4": 100}, 75, 5),  # 95 % on label; 88 + 5 would be 108 %
        ({"lt4": 125}, 100, 5),  # 20:1; 112 µg beside 5 would be 22.4:1
        ({"lt4": 150}, 137, 10),  # 100 + 5 would be 80 % on label
        ({"lt4": 200}, 150, 10),
        ({"mg60": 90}, 75, 5),
        ({"lt4": 100, "lt3": 20}, 137, 10),
    ],
)
def test_the_checkpoint_is_the_pair_in_ratio_that_is_nearest_below_todays_dose(
    taken, lt4_ug, lt3_ug
):
    dose = plan(regimen(**taken), Target.LT4_LT3).checkpoint.dose
    assert (dose.lt4_ug, dose.lt3_ug) == (lt4_ug, lt3_ug)


@pytest.mark.parametrize(
    "taken", [{"lt4": 25}, {"lt4": 50}, {"lt4": 75}, {"lt3": 25}, {"mg60": 60}], ids=str
)
@pytest.mark.parametrize(
    "mixture",
    [COMBINING.mixture(), COMBINING.mixture(ratio=Fraction(13)), COMBINING.mixture(guideline=True)],
)
def test_a_dose_too_small_for_the_weakest_tablet_of_lt3_is_refused_with_what_is_nearest(
    taken, mixture
):
    with pytest.raises(DomainError) as refused:
        plan(regimen(**taken), Target.LT4_LT3, mixture=mixture)
    assert (refused.value.category, refused.value.field) == (Category.OUT_OF_RANGE, "ratio")
    assert refused.value.message.startswith("no tablets keep LT4 to LT3 at 13:1 to 20:1 (ETA 2012)")
    assert "the nearest is LT4 75 micrograms + LT3 5 micrograms" in refused.value.message


def test_weaker_tablets_of_lt3_keep_the_ratio_of_a_smaller_dose():
    weak = stocked(LT3, "2.5", 5, 10)
    dose = plan(regimen(lt4=50), Target.LT4_LT3, by=tables(lt3=weak)).checkpoint.dose
    assert 13 <= dose.lt4_ug / dose.lt3_ug <= 20


# from 88 µg, 75 + 5 is worth 95 on label, and 62 + 5 is in no ratio
@pytest.mark.parametrize("highest", [Fraction(95, 88), Fraction(95, 88) + Fraction(1, 1000)])
def test_a_pair_above_todays_dose_counts_up_to_the_highest_part(highest):
    dose = plan(regimen(lt4=88), Target.LT4_LT3, by=near_from("0.85", highest)).checkpoint.dose
    assert dose.lt4_ug == 75


def test_a_pair_above_the_highest_part_of_todays_dose_is_refused():
    by = near_from("0.85", Fraction(95, 88) - Fraction(1, 1000))
    with pytest.raises(DomainError, match=r"the nearest is LT4 75 micrograms .*, 108 % of it"):
        plan(regimen(lt4=88), Target.LT4_LT3, by=by)


# from 125 µg, 100 + 5 is worth 120 on label, and nothing above it comes within a tenth
@pytest.mark.parametrize("lowest", ["0.959", "0.96"])
def test_a_pair_below_todays_dose_counts_down_to_the_lowest_part(lowest):
    by = near_from(lowest, Fraction(11, 10))
    assert plan(regimen(lt4=125), Target.LT4_LT3, by=by).checkpoint.dose.lt4_ug == 100


def test_a_pair_below_the_lowest_part_of_todays_dose_is_refused():
    with pytest.raises(DomainError, match="no tablets keep LT4 to LT3"):
        plan(regimen(lt4=125), Target.LT4_LT3, by=near_from("0.961", Fraction(11, 10)))


def near_from(lowest, highest):
    by = tables()
    return replace(
        by, policy=replace(by.policy, pair_lowest=Fraction(lowest), pair_highest=highest)
    )


def test_lt4_that_tapers_is_not_held_above_its_ratio_to_lt3():
    for lt4_ug in (100, 112, 125, 137, 150, 175, 200, 250, 300):
        planned = plan(regimen(lt4=lt4_ug), Target.LT4_LT3)
        held = amounts(planned.steps[-1])
        assert held[LT4.id] <= 20 * held[LT3.id]


def test_the_ratio_asked_for_decides_between_pairs_that_are_as_near():
    found = {
        ratio: plan(
            regimen(lt4=400), Target.LT4_LT3, mixture=COMBINING.mixture(ratio=Fraction(ratio))
        ).checkpoint
        for ratio in (13, 20)
    }
    ratios = {asked: at.dose.lt4_ug / at.dose.lt3_ug for asked, at in found.items()}
    assert ratios[13] < ratios[20]


# --- the numbers that it goes by ------------------------------------------------------------


def going_by(**changed):
    """The shipped tables, but for what is changed of how T3 is combined."""
    by = tables()
    combining = replace(COMBINING, **{name: Fraction(value) for name, value in changed.items()})
    return replace(by, policy=replace(by.policy, combining=combining)), combining


@pytest.mark.parametrize(
    ("changed", "keeps"), [({"lowest_ratio": 18}, (18, 20)), ({"highest_ratio": 14}, (13, 14))]
)
def test_a_pair_keeps_the_range_that_the_numbers_give(changed, keeps):
    by, _ = going_by(**changed)
    low, high = keeps
    shipped = plan(regimen(lt4=400), Target.LT4_LT3).checkpoint.dose
    kept = plan(regimen(lt4=400), Target.LT4_LT3, by=by).checkpoint.dose
    assert not low <= shipped.lt4_ug / shipped.lt3_ug <= high
    assert low <= kept.lt4_ug / kept.lt3_ug <= high


def test_lt4_that_tapers_keeps_the_highest_ratio_that_the_numbers_give():
    by, _ = going_by(highest_ratio=15)
    held = amounts(plan(regimen(lt4=400), Target.LT4_LT3, by=by).steps[-1])
    assert held[LT4.id] <= 15 * held[LT3.id]
    shipped = amounts(plan(regimen(lt4=400), Target.LT4_LT3).steps[-1])
    assert shipped[LT4.id] > 15 * shipped[LT3.id]


def test_what_is_said_of_the_range_is_what_the_numbers_give():
    by, combining = going_by(lowest_ratio=14, highest_ratio=16, usual_ratio=15)
    with pytest.raises(DomainError, match=r"keep LT4 to LT3 at 14:1 to 16:1 \(ETA 2012\)"):
        plan(regimen(lt4=25), Target.LT4_LT3, by=by)
    with pytest.raises(DomainError, match=r"lies between 14 and 16 \(ETA 2012\)"):
        combining.mixture(ratio=Fraction(17))


@pytest.mark.parametrize(
    ("changed", "lt4_ug", "lt3_ug"),
    [
        ({}, 85, 5),  # 100 µg by LT3 = x/20, LT4 = x - 3·LT3
        ({"guideline_ratio": 13}, Fraction("81.25"), Fraction("6.25")),  # x/16, x - 3·LT3
        ({"lt3_replaces": 8}, 68, 4),  # x/25, x - 8·LT3
    ],
)
def test_the_guidelines_rule_composes_by_its_numbers(changed, lt4_ug, lt3_ug):
    _, combining = going_by(**changed)
    mixture = combining.mixture(guideline=True)
    dose = target_dose(Target.LT4_LT3, Fraction(100), BASES["practice"], mixture)
    assert (dose.lt4_ug, dose.lt3_ug) == (lt4_ug, lt3_ug)


def is_refused(key, value, words):
    """Such a number of a clinic's is refused in these words, at its own place."""
    changed = replace(CATALOGUE.numbers[key], value=Fraction(value))
    with pytest.raises(DomainError, match=words) as refused:
        combining_from({**CATALOGUE.numbers, key: changed})
    assert refused.value.field == key


@pytest.mark.parametrize("usual", [12, Fraction("12.9"), Fraction("20.1")])
def test_a_usual_ratio_outside_the_range_is_refused(usual):
    is_refused("combination.usual_ratio", usual, "outside the range")


@pytest.mark.parametrize("share", [1, Fraction("1.5")])
def test_a_usual_share_that_is_all_or_more_is_refused(share):
    is_refused("combination.usual_t3_share", share, "between 0 and 1")


def test_a_taper_is_looked_for_over_as_many_strengths_more_as_the_policy_says(monkeypatch):
    tried = []
    monkeypatch.setattr(outlook, "tapered", lambda problem, old: tried.append(max(old.bought)))
    by = tables()
    taper = replace(by.policy.taper, most_bought=3)
    for policy, most in ((by.policy, 2), (replace(by.policy, taper=taper), 3)):
        tried.clear()
        with pytest.raises(DomainError, match="no tablets at home or in stock"):
            plan(
                regimen(lt4=400),
                Target.DESICCATED_THYROID,
                by=replace(by, policy=policy),
                prior_therapy=PriorTherapy.OVERLAP,
            )
        assert tried == list(range(1, most + 1))
