"""Patients whom TSH does not describe in the usual way, and switches that are under way."""

from dataclasses import replace
from fractions import Fraction

import pytest
from tests.unit.screening.courses import (
    LIMITS,
    flags,
    grades,
    outcome,
    screened,
    to_desiccated,
    took,
    tsh,
)

from crossgrain.dosing.preparations import Kind
from crossgrain.safety.facts import Analyte, Measurement
from crossgrain.screening.course import (
    Aim,
    Dispense,
    FlagCode,
    ScreeningOutcome,
    TakingHistory,
    Urgency,
)

CENTRAL, PREGNANCY, SUPPRESSION = map(
    frozenset, ([Aim.CENTRAL], [Aim.PREGNANCY], [Aim.SUPPRESSION])
)


def free_t4(value, day, low="10", high="20"):
    ends = [Fraction(end) if end else None for end in (low, high)]
    return Measurement(
        Analyte.FREE_T4, Fraction(str(value)), day, "Observation/ft4", low=ends[0], high=ends[1]
    )


class TestCentralHypothyroidism:
    """TSH is no guide in central hypothyroidism: follow free T4 (labels, as quoted)."""

    def test_tsh_neither_confirms_nor_clears(self):
        high = to_desiccated(tsh("1", -220), tsh("9", -100), aims=CENTRAL)
        fine = to_desiccated(tsh("1", -220), tsh("2", -100), aims=CENTRAL)
        assert grades(high)["under-dosed-switch"] == "suspected"
        assert grades(fine)["under-dosed-switch"] == "suspected"

    def from_desiccated(self, *results):
        intakes = (took("dt", 120, -1200, -201), took("lt4", 75, -200))
        return TakingHistory(intakes, free_t4=results, aims=CENTRAL)

    def test_free_t4_is_weighed_where_no_t3_lowers_it(self):
        low = self.from_desiccated(free_t4(14, -220), free_t4(8, -100))
        fine = self.from_desiccated(free_t4(14, -220), free_t4(13, -100))
        assert grades(low) == {"under-dosed-switch": "confirmed"}
        assert outcome(fine) is ScreeningOutcome.CLEARED

    def test_a_free_t4_that_was_weighed_is_not_kept_as_a_tsh(self):
        """A table of TSHs in which 8 pmol/L of free T4 stood would be read as a high TSH."""
        found = screened(self.from_desiccated(free_t4(14, -220), free_t4(8, -100)))
        (flag,) = found.flags
        assert (flag.tsh_before, flag.tsh_after, found.tsh_after) == (None, None, None)
        assert flag.summary.result.startswith("free T4 8 ")

    def test_free_t4_without_a_laboratorys_range_is_not_weighed(self):
        course = self.from_desiccated(free_t4(14, -220, "", ""), free_t4(8, -100, "", ""))
        assert grades(course) == {"under-dosed-switch": "likely"}


class TestPregnancy:
    def test_no_climb_window_excuses_a_low_dose(self):
        assert outcome(to_desiccated(ago=20)) is ScreeningOutcome.CLIMBING
        flag = flags(to_desiccated(ago=20, aims=PREGNANCY))[FlagCode.UNDER]
        assert flag.urgency is Urgency.URGENT

    @pytest.mark.parametrize(
        ("value", "found"),
        [("2.5", "cleared"), ("2.8", "suspected"), ("3.0", "suspected"), ("3.1", "confirmed")],
    )
    def test_only_what_holds_in_every_trimester_counts(self, value, found):
        # 0.1-2.5, 0.2-3.0, 0.3-3.0 mIU/L by trimester: clinical reference, as quoted.
        course = to_desiccated(tsh("2.2", -220), tsh(value, -100), aims=PREGNANCY)
        said = grades(course).get("under-dosed-switch") or outcome(course)
        assert said == found


class TestSuppressionGoal:
    def test_a_tsh_in_range_clears_nothing(self):
        course = to_desiccated(tsh("0.2", -220), tsh("2", -100), aims=SUPPRESSION)
        assert grades(course)["under-dosed-switch"] == "suspected"

    def test_a_low_tsh_is_the_goal_and_confirms_no_excess(self):
        intakes = (took("dt", 120, -1200, -201), took("lt4", 200, -200))
        results = (tsh("1.4", -220), tsh("0.02", -100))
        course = TakingHistory(intakes, tsh=results, aims=SUPPRESSION)
        assert grades(course) == {"over-dosed-switch": "suspected"}


@pytest.mark.parametrize(("ago", "found"), [(41, "climbing"), (42, "climbing"), (43, "flagged")])
def test_a_fresh_switch_with_t3_has_six_weeks(ago, found):
    assert outcome(to_desiccated(ago=ago)) == found


@pytest.mark.parametrize(("ago", "found"), [(55, "climbing"), (56, "climbing"), (57, "flagged")])
def test_a_fresh_switch_to_levothyroxine_has_eight_weeks(ago, found):
    # The older or cardiac rise every 6-8 weeks: levothyroxine label, as quoted.
    intakes = (took("dt", 120, -1200, -ago - 1), took("lt4", 75, -ago))
    assert outcome(TakingHistory(intakes)) == found


def climb(last_step: int) -> TakingHistory:
    steps = (
        took("dt", 15, -120, -107),
        took("dt", 30, -106, -last_step - 1),
        took("dt", 45, -last_step),
    )
    return TakingHistory((took("lt4", 125, -1200, -121), *steps), tsh=(tsh("2", -119),))


def test_a_rising_dose_is_no_flag_and_the_same_dose_beyond_its_window_is():
    assert outcome(climb(last_step=42)) is ScreeningOutcome.CLIMBING
    assert outcome(climb(last_step=43)) is ScreeningOutcome.FLAGGED


def test_a_tsh_drawn_on_an_earlier_step_does_not_speak_of_the_present_one():
    course = replace(climb(60), tsh=(tsh("2", -130), tsh("9", -70)))
    assert grades(course)["under-dosed-switch"] == "likely"  # 0.72 on no basis reaches 0.8


def test_an_overlap_that_tapers_the_old_while_the_new_one_climbs_is_still_moving():
    steps = (
        took("lt4", 100, -1200, -81),
        took("lt4", 50, -80, -31),
        took("lt4", 25, -30),
        took("dt", 15, -80, -31),
        took("dt", 30, -30),
    )
    assert outcome(TakingHistory(steps, tsh=(tsh("2", -70),))) is ScreeningOutcome.CLIMBING


@pytest.mark.parametrize(("until", "found"), [(0, "climbing"), (1, "climbing"), (-1, "flagged")])
def test_a_series_of_ours_is_exempt_until_its_end(until, found):
    assert outcome(to_desiccated(tsh("9", -100), planned_until=until)) == found


def test_the_old_medicine_left_running_is_named_so():
    intakes = (took("lt4", 100, -1200), took("dt", 60, -60))
    assert grades(TakingHistory(intakes)) == {"old-medicine-left-running": "likely"}


def test_a_reduced_old_medicine_is_a_combination_and_not_left_running():
    intakes = (took("lt4", 100, -1200, -61), took("lt4", 75, -60), took("dt", 90, -60))
    assert grades(TakingHistory(intakes)) == {"over-dosed-switch": "likely"}


def test_a_dispense_after_the_end_of_the_old_medicine_stands_in_the_evidence():
    dispense = Dispense(Kind.LEVOTHYROXINE, -20, "MedicationDispense/d1")
    flag = flags(to_desiccated(ago=60, dispenses=(dispense,)))[FlagCode.UNDER]
    assert ("MedicationDispense/d1",) in [e.references for e in flag.evidence]


def test_the_dead_are_counted_and_not_flagged():
    assert outcome(TakingHistory((), deceased=True)) is ScreeningOutcome.DECEASED


@pytest.mark.parametrize(
    ("value", "age", "frail", "urgency"),
    [
        ("0.09", 65, False, Urgency.URGENT),
        ("0.09", 64, False, Urgency.SOON),
        ("0.09", 40, True, Urgency.URGENT),
        ("0.1", 65, False, Urgency.SOON),
    ],
)
def test_a_suppressed_tsh_is_urgent_in_the_old_and_the_frail(value, age, frail, urgency):
    # Below 0.1, the more so at 65+, heart disease or osteoporosis: Am Fam Physician 2017;95:710.
    intakes = (took("dt", 120, -1200, -201), took("lt4", 200, -200))
    course = TakingHistory(
        intakes, tsh=(tsh("1", -220), tsh(value, -9)), age_years=age, frail=frail
    )
    assert flags(course)[FlagCode.OVER].urgency is urgency


@pytest.mark.parametrize(("value", "urgency"), [("9.9", "soon"), ("10", "urgent")])
def test_a_frankly_high_tsh_is_urgent(value, urgency):
    course = to_desiccated(tsh("1", -220), tsh(value, -9))
    assert flags(course)[FlagCode.UNDER].urgency == urgency


def test_an_unreadable_tsh_is_not_taken_for_none():
    course = to_desiccated(unread_labs=("Observation/odd",))
    assert outcome(course) is ScreeningOutcome.NEEDS_REVIEW
    assert screened(course).references == ("Observation/odd",)


def test_flags_come_most_certain_and_most_pressing_first():
    course = to_desiccated(lt4=150)
    assert [flag.code for flag in screened(course).flags] == [FlagCode.UNDER, FlagCode.NO_TSH]
    assert LIMITS.labs_first_within_days == 84


class TestAMoveBetweenGrainFamilies:
    """As many labelled grains, so no ratio is off; what the labels do not show, a TSH does."""

    def moved(self, *results, days=100):
        intakes = (took("dt", 60, -900, -days - 1), took("dt65", 65, -days))
        return TakingHistory(intakes, tsh=results)

    @pytest.mark.parametrize(
        ("days", "missing"), [(84, {}), (85, {"no-tsh-after-switch": "observed"})]
    )
    def test_it_is_seen_where_no_tsh_followed_in_time(self, days, missing):
        assert grades(self.moved(tsh("1", -300), days=days)) == missing

    def test_a_tsh_that_is_high_after_it_is_seen(self):
        found = self.moved(tsh("1", -300), tsh("6", -20))
        assert grades(found) == {"tsh-high-after-switch": "observed"}

    def test_a_tsh_in_range_after_it_says_that_nothing_is_off(self):
        assert outcome(self.moved(tsh("1", -300), tsh("2", -20))) is ScreeningOutcome.SOUND

    def test_half_the_grains_are_a_slip_as_in_any_switch(self):
        intakes = (took("dt", 120, -900, -101), took("dt65", 65, -100))
        assert "under-dosed-switch" in grades(
            TakingHistory(intakes, tsh=(tsh("1", -300), tsh("9", -20)))
        )
