"""Whole answers against what is published about climbing, labs and monitoring.

Each is asked for through the operation and read from its own resources. The source stands beside
each check; "from memory", "secondary" and "common practice, no source" are said.
"""

from dataclasses import replace
from pathlib import Path

import pytest
from tests.properties.titration.claims import holding, labs
from tests.properties.titration.grid import Case, Taken
from tests.properties.titration.reading import Answer, Branch, grains
from tests.properties.titration.run import answer_to

from crossgrain.catalogue import load_catalogue

LT4_100, LT4_150 = (Taken("lt4", 100),), (Taken("lt4", 150),)
TO_DESICCATED = Case(taken=LT4_150)
TO_LT4 = Case(taken=(Taken("d60", 120),), target="levothyroxine")
TO_LT3 = Case(taken=LT4_100, target="liothyronine")
COMBINED = Case(taken=LT4_150, target="levothyroxine-liothyronine")


def planned(made: Case) -> Answer:
    answer = answer_to(made)
    assert answer
    assert answer.ends == "plan"
    return answer


def high(answer: Answer) -> Branch:
    (branch,) = holding(answer, labs(answer.case, tsh=9.0, freeT4=12.0, freeT3=5.0))
    return branch


# --- charts --------------------------------------------------------------------------------------


@pytest.mark.parametrize(("lt4_ug", "lowest", "highest"), [(75, 1, 2), (100, 1, 2), (150, 1, 3)])
def test_usual_doses_of_lt4_wait_within_the_usual_doses_of_desiccated_thyroid(
    lt4_ug: int, lowest: float, highest: float
) -> None:
    # usual ranges: LT4 25-200 µg, most 75-150; desiccated ¼-3 grains: common practice, no source.
    # At the checkpoint: 60-120 mg, the label's maintenance (secondary), is not passed
    answer = planned(replace(TO_DESICCATED, taken=(Taken("lt4", lt4_ug),)))
    assert lowest * 0.75 <= grains(answer.hold) <= min(highest, 2)


def test_four_grains_become_three_and_25_micrograms_of_lt3() -> None:
    # one or two grains of a four-grain dose replaced; add-on 25-50 µg beside 2-3 grains:
    # common practice, no source. On that practice's chart a grain is 25 µg of LT3
    four = Case(taken=(Taken("d60", 240),), target="desiccated-thyroid-liothyronine")
    answer = planned(four)
    assert 2 <= grains(answer.hold) <= 3
    assert 5 <= answer.hold["lt3"] <= 50


# --- climbing ------------------------------------------------------------------------------------


def test_only_the_two_scored_strengths_of_the_60_mg_family_are_ever_halved() -> None:
    # desiccated thyroid label, how supplied: 180 and 300 mg are scored (secondary)
    assert load_catalogue().preparations["desiccated-thyroid-60"].scored == {180, 300}


@pytest.mark.parametrize("made", [TO_LT4, replace(TO_LT4, age=72), COMBINED])
def test_lt4_that_was_raised_is_kept_six_weeks_before_it_is_judged(made: Case) -> None:
    # levothyroxine label: every 4-6 weeks, older or cardiac every 6-8 (secondary)
    answer = planned(made)
    raised = high(answer).course
    rises = [day for day in raised.steps if raised.daily(day) != answer.hold]
    assert [day for day in raised.drawn() if day >= rises[-1] + 42]
    assert len(rises) == 1


@pytest.mark.parametrize(
    ("sign", "named"),
    [
        ("flutter", True), ("palpitations", True), ("jitter", True), ("anxi", True),
        ("fast pulse", True), ("weight", False),
    ],
)  # fmt: skip
def test_the_signs_of_too_fast_a_climb_are_named(sign: str, named: bool) -> None:
    # flutter, palpitations with a normal pulse, jitteriness, anxiety, tachycardia: common practice,
    # no source
    said = " ".join(branch.words for branch in planned(TO_DESICCATED).branches)
    assert (sign in said) is named


# --- labs ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("age", "tsh", "high_for_age"),
    [(69, 4.0, False), (69, 4.1, True), (70, 5.9, False), (70, 6.0, False), (80, 6.1, True)],
)
def test_from_70_years_a_tsh_of_up_to_6_is_not_high(
    age: int, tsh: float, high_for_age: bool
) -> None:
    # ATA 2014, as summarised: 4-6 mIU/L acceptable at 70-80 years; 0.4-4.0 else (secondary)
    answer = planned(replace(TO_LT4, age=age, tsh=tsh))
    assert ("tsh-high" in answer.findings) is high_for_age


@pytest.mark.parametrize(("tsh", "above"), [(2.5, False), (2.6, True), (3.5, True)])
def test_in_pregnancy_a_tsh_above_2_5_is_high(tsh: float, above: bool) -> None:
    # ATA 2017 pregnancy guideline, quick reference: below 2.5, or the trimester's own range
    expecting = replace(TO_LT4, age=31, weeks=10, tsh=tsh)
    answer = planned(expecting)
    assert ("tsh-high" in answer.findings) is above
    (branch,) = holding(answer, labs(expecting, tsh=tsh, freeT4=16.0, freeT3=5.0))
    assert (branch.title == high(answer).title) is above


@pytest.mark.parametrize(("free_t4", "like"), [(12.0, 10.0), (15.0, 18.0), (14.0, 16.0)])
def test_in_central_hypothyroidism_free_t4_decides_and_tsh_does_not(
    free_t4: float, like: float
) -> None:
    # levothyroxine label, secondary and tertiary hypothyroidism: free T4 in the upper half of its
    # range, here 9 to 19 pmol/L; TSH is no guide
    made = replace(TO_LT4, prior="stop", conditions=("central-hypothyroidism",))
    answer = planned(made)
    taken = {
        branch.title
        for tsh in (0.02, 2.0, 80.0)
        for value in (free_t4, like)
        for branch in holding(answer, labs(made, tsh=tsh, freeT4=value, freeT3=5.0))
    }
    assert len(taken) == 1
    (other,) = holding(answer, labs(made, tsh=2.0, freeT4=13.9 if like > 14 else 14.1, freeT3=5.0))
    assert other.title not in taken


def test_draws_at_baseline_are_of_tsh_free_t4_and_free_t3() -> None:
    # TSH, free T4, free T3 at baseline: common practice, no source; LOINC 3016-3, 3024-7, 3051-0
    answer = planned(replace(TO_DESICCATED, tsh=None))
    first = {draw.code for draw in answer.series.draws if draw.day == 0}
    assert first >= {"3016-3", "3024-7", "3051-0"}


@pytest.mark.parametrize("made", [TO_DESICCATED, TO_LT4, TO_LT3, COMBINED])
def test_a_dose_that_is_kept_is_drawn_every_three_to_six_months_then_yearly(made: Case) -> None:
    # 3-6-monthly, then yearly: ATA 2014 (from memory)
    answer = planned(made)
    (stays,) = holding(answer, labs(made, tsh=2.0, freeT4=16.0, freeT3=5.0))
    *_, one, two, three = stays.course.drawn()
    assert 84 <= two - one <= 183
    assert three - two <= 366


# --- names met outside English records (from memory) ---------------------------------------------

NAMES = {
    "lt4": ["Levothyroxin-Natrium", "L-Thyroxin", "lévothyroxine sodique", "levotiroxina sódica",
            "Levotyroxinnatrium", "levothyroxinum natricum"],
    "lt3": ["Liothyronin", "Liothyroninnatrium", "liothyronine sodique", "liotironina"],
    "d60": ["Schilddrüsenextrakt 60 mg", "tiroides desecada 60 mg"],
}  # fmt: skip
DOSES = {"lt4": 100.0, "lt3": 20.0, "d60": 60.0}


@pytest.mark.parametrize(
    ("medicine", "name"), [(key, name) for key, names in NAMES.items() for name in names]
)
def test_a_generic_name_of_another_language_is_that_medicine(medicine: str, name: str) -> None:
    target = "liothyronine" if medicine == "lt4" else "levothyroxine"
    own = Case(taken=(Taken(medicine, DOSES[medicine]),), target=target)
    named = planned(replace(own, names=((medicine, name),)))
    assert named.series.doses == planned(own).series.doses


# --- what nobody publishes --------------------------------------------------------------------

JUDGED = {
    "taper.choice.tolerance": 0.02, "labs.between.latest_days": 3, "labs.between.earliest_days": 7,
    "supply.reserve_days": 14, "need.frankly_high": 1.2, "need.high": 1.1, "need.low": 0.9,
    "need.suppressed": 0.8, "guard.ug_per_kg": 2, "guard.coverage": 1.25,
    "guard.pregnant_ug_per_kg": 2.4, "guard.pregnant_coverage": 1.5, "branch.raise.high": 0.08,
    "branch.raise.very_high": 0.12, "branch.raise.most_at_once": 0.25, "branch.in_range.from": 0.85,
    "branch.in_range.to": 1.18, "branch.step_back.low": 0.1, "branch.step_back.very_low": 0.2,
    "lt3.most_rise_ug": 5, "t3.highest_single_ug": 25,
}  # fmt: skip
ROWS = {
    cells[1].strip().strip("`"): cells
    for line in (Path(__file__).parents[2] / "service/docs/numbers.md").read_text().splitlines()
    if len(cells := line.split("|")) > 6
}


@pytest.mark.parametrize(("key", "value"), JUDGED.items())
def test_a_number_that_is_our_judgement_stands_in_the_table_and_is_marked_so(
    key: str, value: float
) -> None:
    assert float(ROWS[key][2]) == value
    assert "our judgement" in ROWS[key][-2]


def test_eight_weeks_between_draws_is_the_labels() -> None:
    # levothyroxine label: every 6-8 weeks (secondary)
    assert float(ROWS["labs.between.apart_days"][2]) == 56
    assert "label" in ROWS["labs.between.apart_days"][-2]
