"""What must hold of any plan, over a grid of patients, read from the answer's own resources."""

import copy
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from tests.properties.titration import branches, doses, draws, need, planted
from tests.properties.titration.claims import Claim, Seen, name_of
from tests.properties.titration.door import ask
from tests.properties.titration.grid import Case, Taken, call_of, case
from tests.properties.titration.reading import Answer
from tests.properties.titration.run import EVERY_SENTENCE, answer_to, seen

SEED, FEW, MANY = 1, 16, 400


@pytest.fixture(scope="module")
def few() -> Seen:
    """A small sample of the grid."""
    return seen(SEED, range(FEW))


@pytest.fixture(scope="module")
def many() -> Seen:
    """A larger one, of other patients."""
    return seen(SEED, range(FEW, FEW + MANY))


@pytest.mark.parametrize("sentence", EVERY_SENTENCE)
def test_of_a_sample(few: Seen, sentence: str) -> None:
    assert not few.objections.get(sentence)


@pytest.mark.slow
@pytest.mark.parametrize("sentence", EVERY_SENTENCE)
def test_of_a_larger_sample_in_which_every_claim_looks(many: Seen, sentence: str) -> None:
    assert not many.objections.get(sentence)
    assert many.looks[sentence]


def test_most_of_the_sample_is_planned_and_some_is_stopped(few: Seen) -> None:
    assert few.answers["plan"] >= FEW / 2
    assert few.answers["stop"]
    assert not few.answers["asked"]  # a record of the grid leaves nothing to be asked


def test_a_case_is_the_same_whenever_it_is_made() -> None:
    assert call_of(case(SEED, 7)) == call_of(case(SEED, 7)) != call_of(case(SEED, 8))


# --- a claim can object -------------------------------------------------------------------------

FROM_LT4 = Case()
FRAGILE = replace(FROM_LT4, age=72)
STOPPED = replace(FROM_LT4, prior="stop")
TO_LT3 = Case(taken=(Taken("lt4", 100),), target="liothyronine")
MUCH_LT3 = Case(taken=(Taken("lt4", 175),), target="liothyronine")
COMBINED = Case(taken=(Taken("lt4", 100),), target="levothyroxine-liothyronine")
EXPECTING = Case(taken=(Taken("d60", 60),), target="levothyroxine", age=30, weeks=16)
LIGHT = Case(taken=(Taken("lt4", 150),), weight=45)
LITTLE = Case(taken=(Taken("lt4", 12.5),), target="desiccated-thyroid-liothyronine")
Plant = Callable[[dict[str, Any]], None]
PLANTED: list[tuple[Claim, Case, Plant]] = [
    (draws.draws_are_at_most_eight_weeks_apart_and_four_in_pregnancy, FROM_LT4,
     planted.no_draw_on_the_way),
    (draws.the_draw_that_decides_is_read_before_the_decision, FROM_LT4,
     planted.the_last_draw_comes_on_the_day_before_the_decision),
    (draws.a_draw_on_the_way_is_read_before_a_step_where_one_is_in_reach, FROM_LT4,
     planted.a_draw_on_the_way_falls_on_its_step),
    (draws.a_medicine_that_ends_on_day_one_is_followed_by_a_draw_in_week_four, STOPPED,
     planted.no_draw_on_the_way),
    (draws.draws_stay_close_in_a_branch_until_two_in_a_row_are_in_range, FROM_LT4,
     planted.the_first_draw_of_every_branch_comes_three_weeks_later),
    (draws.in_pregnancy_every_branch_draws_every_four_weeks, EXPECTING,
     planted.the_first_draw_of_every_branch_comes_three_weeks_later),
    (draws.tablets_reach_two_weeks_past_the_decision, FROM_LT4,
     planted.the_supply_ends_with_the_decision),
    (draws.tablets_are_enough_for_their_days_and_no_more, FROM_LT4, planted.a_tablet_is_missing),
    (draws.a_draw_on_the_way_says_at_which_values_it_holds_and_that_it_raises_nothing, FROM_LT4,
     planted.draws_say_nothing),
    (draws.recent_results_are_not_ordered_again_unless_today_s_dose_had_not_settled,
     replace(FROM_LT4, free_t4=14.0), planted.the_first_draw_is_on_day_one),
    (draws.what_a_finding_demands_is_measured_on_dates, replace(FROM_LT4, others=("warfarin",)),
     planted.nothing_is_measured),
    (draws.the_pulse_is_taken_at_each_rise_of_t3_in_a_fragile_heart, FRAGILE,
     planted.nothing_is_measured),
    (branches.for_any_results_at_most_one_branch_is_taken, FROM_LT4,
     planted.two_branches_have_one_condition),
    (branches.a_high_tsh_gives_more_than_one_in_range_on_every_chart, FROM_LT4,
     planted.a_high_tsh_gives_what_one_in_range_gives),
    (branches.a_high_tsh_raises_by_8_percent_on_every_chart_it_leaves_open_and_above_10_by_12,
     FROM_LT4, planted.a_high_tsh_keeps_the_dose),
    (branches.what_is_left_of_the_old_medicine_is_not_lowered_while_the_dose_rises, FROM_LT4,
     planted.the_old_medicine_is_halved_while_the_dose_rises),
    (branches.a_step_back_takes_a_tenth_off_and_a_fifth_where_tsh_is_suppressed, FROM_LT4,
     planted.a_low_tsh_keeps_the_dose),
    (branches.a_step_back_begins_with_t3_and_never_leaves_a_patient_without_hormone, FROM_LT4,
     planted.a_low_tsh_leaves_nothing),
    (branches.symptoms_without_a_low_tsh_lower_nothing, FROM_LT4, planted.symptoms_step_back),
    (branches.free_t3_above_range_raises_no_t3, FROM_LT4, planted.free_t3_is_not_looked_at),
    (branches.a_branch_goes_by_the_patients_own_limits, FRAGILE,
     planted.age_is_forgotten_in_the_conditions),
    (doses.lt3_above_5_micrograms_is_taken_twice_a_day, TO_LT3, planted.lt3_is_taken_in_one_dose),
    (doses.a_single_dose_of_lt3_rises_by_5_micrograms_at_the_most, TO_LT3,
     planted.the_last_lt3_is_doubled),
    (doses.lt3_never_goes_back_to_once_a_day_on_the_way_up, TO_LT3,
     planted.lt3_comes_back_to_one_dose),
    (doses.more_than_25_micrograms_of_lt3_at_once_waits_for_a_named_act, MUCH_LT3,
     planted.nothing_was_found),
    (doses.a_ratio_that_was_asked_for_is_kept, COMBINED, planted.lt3_is_twice_as_much),
    (doses.a_ratio_is_spoken_of_only_where_one_is_meant, FROM_LT4, planted.a_ratio_is_spoken_of),
    (doses.pregnant_to_lt4_is_never_less_than_the_most_generous_chart, EXPECTING,
     planted.half_the_lt4),
    (doses.in_pregnancy_desiccated_thyroid_is_not_ended_ahead_of_its_lt4, EXPECTING,
     planted.desiccated_ends_on_day_one),
    (doses.more_than_the_weight_allows_waits_for_a_named_act, LIGHT, planted.nothing_was_found),
    (doses.more_than_a_quarter_above_today_waits_for_a_named_act, LITTLE,
     planted.nothing_was_found),
    (branches.in_pregnancy_a_low_tsh_lowers_nothing, EXPECTING,
     planted.a_low_tsh_steps_back_in_pregnancy),
]  # fmt: skip


@pytest.mark.parametrize(
    ("claim", "made", "plant"), PLANTED, ids=[name_of(claim) for claim, _, _ in PLANTED]
)
def test_a_planted_fault_is_objected_to(claim: Claim, made: Case, plant: Plant) -> None:
    bundle = ask(made.version, call_of(made))
    assert bundle
    looks = list(claim(Answer(bundle, made)))
    assert looks
    assert all(holds for holds, _ in looks)
    tree = copy.deepcopy(bundle)
    plant(tree)
    assert not all(holds for holds, _ in claim(Answer(tree, made)))


def _for_a_larger_dose(made: Case) -> Answer | None:
    """What a service would answer to whom any TSH out of range were a reason for more."""
    more = tuple(replace(taken, amount=200.0) for taken in made.taken)
    return answer_to(made if made.tsh == 2.0 else replace(made, taken=more))


CENTRAL = replace(FROM_LT4, conditions=("central-hypothyroidism",))
PAIRED = [
    (need.a_high_tsh_of_today_never_raises_the_checkpoint, FROM_LT4),
    (need.a_low_tsh_of_today_lowers_the_checkpoint, FROM_LT4),
    (need.tsh_of_today_changes_nothing_in_central_hypothyroidism, CENTRAL),
]


@pytest.mark.parametrize(("pair", "made"), PAIRED, ids=[name_of(pair) for pair, _ in PAIRED])
def test_a_service_that_hears_tsh_wrong_is_objected_to(pair: need.Pair, made: Case) -> None:
    assert all(holds for holds, _ in pair(made, answer_to))
    assert not all(holds for holds, _ in pair(made, _for_a_larger_dose))


def test_every_claim_is_seen_to_object() -> None:
    planted_for = {claim for claim, _, _ in PLANTED} | {pair for pair, _ in PAIRED}
    assert {name_of(claim) for claim in planted_for} == set(EVERY_SENTENCE)
