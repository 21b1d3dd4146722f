"""Each grade by its definition, and each threshold below, at and above.

The ratios follow from the charts (µg LT4 per grain: practice 50, label 100, trial 88, content
67.7; clinical tables named in `data/bases.toml`). The limits 0.8, 1.25 and one half are the
service's own judgement: no source.
"""

from dataclasses import replace
from fractions import Fraction

import pytest
from tests.unit.screening.courses import (
    AS_OF,
    CATALOGUE,
    LIMITS,
    RULER,
    flags,
    grades,
    outcome,
    to_desiccated,
    took,
    tsh,
)

from crossgrain.screening.course import (
    Aim,
    End,
    FlagCode,
    FlagGrade,
    ScreeningOutcome,
    TakingHistory,
)
from crossgrain.screening.grading import LimitsOfNormal, fell, rose
from crossgrain.screening.screen import Ruler, screen

SETTLED = -200 + 42
PRACTICE = Ruler(AS_OF, (CATALOGUE.basis("practice"),), LIMITS)


def test_suspected_is_a_ratio_below_the_limit_on_any_basis():
    assert grades(to_desiccated(ago=60)) == {"under-dosed-switch": "suspected"}


def test_the_ratio_is_shown_on_every_enabled_basis():
    flag = flags(to_desiccated(ago=60))[FlagCode.UNDER]
    assert flag.ratios == {
        "practice": Fraction(1, 2),
        "label": Fraction(1),
        "trial": Fraction(88, 100),
        "content": Fraction(677, 1000),
    }


@pytest.mark.parametrize(
    ("mg", "found"),
    [
        ("95.99", ScreeningOutcome.FLAGGED),
        ("96", ScreeningOutcome.SOUND),
        ("96.01", ScreeningOutcome.SOUND),
    ],
)
def test_the_low_limit_is_below_eight_tenths_and_not_at_it(mg, found):
    # 100 µg to 96 mg is 1.6 grains: 80 µg on practice, 0.8.
    assert screen(to_desiccated(mg=mg, ago=60), PRACTICE).outcome is found


@pytest.mark.parametrize(
    ("mg", "found"),
    [
        ("149.99", ScreeningOutcome.SOUND),
        ("150", ScreeningOutcome.SOUND),
        ("150.01", ScreeningOutcome.FLAGGED),
    ],
)
def test_the_high_limit_is_above_one_and_a_quarter_and_not_at_it(mg, found):
    # 150 mg is 2.5 grains: 125 µg on practice.
    assert screen(to_desiccated(mg=mg, ago=60), PRACTICE).outcome is found


def test_likely_is_a_ratio_below_the_limit_on_every_basis():
    assert grades(to_desiccated(lt4=150, ago=60)) == {"under-dosed-switch": "likely"}


@pytest.mark.parametrize(
    ("after", "grade"), [("3.59", "suspected"), ("3.6", "likely"), ("3.61", "likely")]
)
def test_suspected_with_tsh_up_by_half_is_likely(after, grade):
    course = to_desiccated(tsh("2.4", -230), tsh(after, -180))
    assert grades(course)["under-dosed-switch"] == grade


@pytest.mark.parametrize(
    ("after", "grade"), [("2.19", "suspected"), ("2.2", "suspected"), ("2.21", "likely")]
)
def test_tsh_up_by_half_counts_only_above_mid_range(after, grade):
    # Mid-range of 0.4 to 4.0 is 2.2.
    course = to_desiccated(tsh("1.0", -230), tsh(after, -180))
    assert grades(course)["under-dosed-switch"] == grade


def test_confirmed_is_in_range_before_and_high_on_the_present_dose():
    course = to_desiccated(tsh("1.8", -220), tsh("9", SETTLED))
    assert grades(course) == {"under-dosed-switch": "confirmed"}


@pytest.mark.parametrize(
    ("day", "grade"), [(SETTLED - 1, "likely"), (SETTLED, "confirmed"), (SETTLED + 1, "confirmed")]
)
def test_a_tsh_confirms_from_six_weeks_on(day, grade):
    # 6 weeks after a dose that will be kept: ATA 2014 (4-8 weeks), from memory.
    course = to_desiccated(tsh("1.8", -220), tsh("9", day))
    assert grades(course)["under-dosed-switch"] == grade


@pytest.mark.parametrize(
    ("after", "found"),
    [("4.0", ScreeningOutcome.CLEARED), ("4.01", ScreeningOutcome.FLAGGED)],
)
def test_high_is_above_the_range_and_not_at_its_end(after, found):
    # 0.4-4.0 mIU/L unless the laboratory gives its own: clinical reference.
    assert outcome(to_desiccated(tsh("1.8", -220), tsh(after, SETTLED))) is found


def test_the_laboratorys_own_range_comes_first():
    course = to_desiccated(tsh("1.8", -220), tsh("4.5", SETTLED, "0.5", "5.0"))
    assert outcome(course) is ScreeningOutcome.CLEARED


def test_the_first_tsh_on_the_dose_confirms_and_the_last_clears():
    high_then_fine = to_desiccated(tsh("1.8", -220), tsh("9", -150), tsh("2", -30))
    assert outcome(high_then_fine) is ScreeningOutcome.CLEARED
    fine_then_high = to_desiccated(tsh("1.8", -220), tsh("2", -150), tsh("9", -30))
    assert grades(fine_then_high) == {"under-dosed-switch": "likely"}


def test_unresolved_is_high_already_before_the_switch():
    course = to_desiccated(tsh("6", -220), tsh("12", -100))
    assert grades(course) == {"under-dosed-switch": "unresolved"}


def test_a_baseline_older_than_a_year_and_a_month_is_none():
    oldest = -200 - LIMITS.labs_baseline_days
    fresh = to_desiccated(tsh("1.8", oldest), tsh("9", -100))
    stale = to_desiccated(tsh("1.8", oldest - 1), tsh("9", -100))
    assert grades(fresh)["under-dosed-switch"] == "confirmed"
    assert grades(stale)["under-dosed-switch"] == "suspected"


@pytest.mark.parametrize(("age", "found"), [(69, "flagged"), (70, "cleared"), (71, "cleared")])
def test_a_tsh_up_to_six_is_acceptable_from_seventy(age, found):
    # 4-6 acceptable at 70-80 years: ATA 2014, as quoted.
    course = to_desiccated(tsh("1.8", -220), tsh("5.9", -100), age_years=age)
    assert outcome(course) == found


def test_a_comparator_that_leaves_it_open_neither_clears_nor_confirms():
    course = to_desiccated(tsh("1.8", -220), tsh("5", -100, comparator="<"))
    assert grades(course) == {"under-dosed-switch": "suspected"}
    course = to_desiccated(tsh("1.8", -220), tsh("50", -100, comparator=">"))
    assert grades(course) == {"under-dosed-switch": "confirmed"}


def test_a_preliminary_or_undated_tsh_is_not_weighed():
    course = to_desiccated(tsh("1.8", -220), tsh("9", -100, preliminary=True))
    assert grades(course) == {
        "under-dosed-switch": "suspected", "no-tsh-after-switch": "observed",
    }  # fmt: skip


class TestOverdose:
    """The mirror image: two grains to 200 µg is 2 on practice and 1 on label."""

    def course(self, *results, **more):
        intakes = (took("dt", 120, -1200, -201), took("lt4", 200, -200))
        return TakingHistory(intakes=intakes, tsh=results, **more)

    def test_suspected(self):
        assert grades(self.course(tsh("1.4", -220))) == {
            "over-dosed-switch": "suspected", "no-tsh-after-switch": "observed",
        }  # fmt: skip

    @pytest.mark.parametrize(
        ("after", "grade"), [("1.01", "suspected"), ("1.0", "likely"), ("0.99", "likely")]
    )
    def test_likely_with_tsh_down_to_half(self, after, grade):
        assert grades(self.course(tsh("2", -220), tsh(after, -180)))["over-dosed-switch"] == grade

    def test_tsh_down_to_half_counts_only_below_mid_range(self):
        course = self.course(tsh("6", -220, "0.4", "7"), tsh("2.9", -180))
        assert grades(course)["over-dosed-switch"] == "suspected"

    @pytest.mark.parametrize(
        ("after", "found"), [("0.4", ScreeningOutcome.CLEARED), ("0.39", ScreeningOutcome.FLAGGED)]
    )
    def test_low_is_below_the_range_and_not_at_its_end(self, after, found):
        assert outcome(self.course(tsh("1.4", -220), tsh(after, -100))) is found

    def test_confirmed(self):
        course = self.course(tsh("1.4", -220), tsh("0.2", -100))
        assert grades(course) == {"over-dosed-switch": "confirmed"}

    def test_unresolved_where_low_before(self):
        course = self.course(tsh("0.1", -220), tsh("0.02", -100))
        assert grades(course) == {"over-dosed-switch": "unresolved"}

    def test_likely_on_every_basis(self):
        intakes = (took("lt3", 25, -1200, -61), took("lt4", 150, -60))
        assert grades(TakingHistory(intakes)) == {"over-dosed-switch": "likely"}


def test_a_dose_that_one_chart_calls_low_and_another_high_is_one_disputed_flag():
    assert grades(to_desiccated(mg=90, ago=60)) == {"disputed-switch": "suspected"}


def test_tsh_settles_a_dispute():
    low = to_desiccated(tsh("1.8", -220), tsh("9", -100), mg=90)
    high = to_desiccated(tsh("1.8", -220), tsh("0.1", -100), mg=90)
    assert grades(low) == {"under-dosed-switch": "confirmed"}
    assert grades(high) == {"over-dosed-switch": "confirmed"}


def test_a_low_tsh_clears_an_underdose_and_is_a_finding_of_its_own():
    course = to_desiccated(tsh("1.8", -220), tsh("0.05", -100))
    only_practice = replace(RULER, bases=(CATALOGUE.basis("practice"),))
    found = {flag.code: flag.grade for flag in screen(course, only_practice).flags}
    assert found == {FlagCode.TSH_LOW: FlagGrade.OBSERVED}


def combination(*results, ago=200, **more):
    """A switch that no chart calls off: 100 µg to 75 + 10."""
    intakes = (
        took("lt4", 100, -ago - 1000, -ago - 1),
        took("lt4", 75, -ago),
        took("lt3", 10, -ago),
    )
    return TakingHistory(intakes, tsh=results, **more)


def test_tsh_high_without_a_low_ratio_is_a_finding_of_its_own():
    assert grades(combination(tsh("8", -100))) == {"tsh-high-after-switch": "observed"}
    assert outcome(combination(tsh("3", -100))) is ScreeningOutcome.SOUND


@pytest.mark.parametrize(("ago", "found"), [(83, False), (84, False), (85, True)])
def test_no_tsh_within_twelve_weeks_is_found(ago, found):
    assert ("no-tsh-after-switch" in grades(combination(ago=ago))) is found


def test_any_tsh_since_the_switch_settles_that_one_was_drawn():
    assert grades(combination(tsh("2", -199))) == {}
    assert grades(combination(tsh("2", -200))) == {"no-tsh-after-switch": "observed"}


def test_a_clinics_own_limit_decides():
    strict = replace(LIMITS, ratio_under=Fraction(49, 100))
    course = to_desiccated(ago=60)
    assert screen(course, replace(PRACTICE, limits=strict)).outcome is ScreeningOutcome.SOUND


@pytest.mark.parametrize(("day", "grade"), [(-600, "confirmed"), (-601, "suspected")])
def test_a_baseline_is_no_older_than_a_year_and_a_month(day, grade):
    """400 days before the switch, which was 200 days ago; without one a change cannot be told."""
    found = grades(to_desiccated(tsh(2, day), tsh(9, -20)))
    assert found["under-dosed-switch"] == grade


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        ("2.5", ScreeningOutcome.CLEARED),
        ("2.51", ScreeningOutcome.FLAGGED),
        ("3.01", ScreeningOutcome.FLAGGED),
    ],
)
def test_in_pregnancy_a_tsh_clears_only_where_it_does_in_each_trimester(value, expected):
    """ATA 2011, from memory: 0.1-2.5, 0.2-3.0 and 0.3-3.0 mIU/L."""
    course = to_desiccated(tsh(2, -300), tsh(value, -20), aims=frozenset({Aim.PREGNANCY}))
    assert outcome(course) is expected


USUAL = LimitsOfNormal(Fraction("0.4"), Fraction(4), Fraction(4))


@pytest.mark.parametrize("comparator", ["", "<", "<=", ">", ">="])
def test_tsh_moved_only_where_no_bound_leaves_that_open(comparator):
    """A result of "below 8" may be 1: nothing rose for certain."""
    lower, upper = comparator in {">", ">="}, comparator in {"<", "<="}
    bounded = replace(tsh(8, -20), comparator=comparator)
    assert rose(tsh(2, -300), bounded, USUAL, LIMITS) is not upper
    assert (
        rose(replace(tsh(2, -300), comparator=comparator), tsh(8, -20), USUAL, LIMITS) is not lower
    )
    bounded = replace(tsh("0.5", -20), comparator=comparator)
    assert fell(tsh(2, -300), bounded, USUAL, LIMITS) is not lower
    assert (
        fell(replace(tsh(2, -300), comparator=comparator), tsh("0.5", -20), USUAL, LIMITS)
        is not upper
    )


YEARS = LIMITS.kept_long_days
"""Two years: our judgement, no source."""
BACK = 60
"""Days since the patient went back: still within the climb window of neither."""


def went_back(*results, days=YEARS, away=150, old=150, new=150, mg=60, **more) -> TakingHistory:
    """Levothyroxine for so many days, desiccated thyroid for a while, levothyroxine again."""
    left = -BACK - away
    return TakingHistory(
        intakes=(
            took("lt4", old, left - days, left - 1),
            took("dt", mg, left, -BACK - 1),
            took("lt4", new, -BACK),
        ),
        tsh=results,
        **more,
    )


@pytest.mark.parametrize(
    ("days", "found"),
    [
        (YEARS - 1, {"over-dosed-switch": "likely"}),
        (YEARS, {}),
        (YEARS + 1, {}),
    ],
)
def test_going_back_to_a_dose_taken_for_two_years_is_no_flag(days, found):
    # 60 mg to 150 µg is more than 1.25 on every basis: 3.0, 1.5, 1.7 and 2.2
    assert grades(went_back(days=days)) == found


@pytest.mark.parametrize(
    ("away", "is_flagged"), [(YEARS - 1, False), (YEARS, False), (YEARS + 1, True)]
)
def test_a_dose_left_for_longer_than_two_years_is_not_gone_back_to(away, is_flagged):
    assert bool(flags(went_back(away=away)).get(FlagCode.OVER)) is is_flagged


@pytest.mark.parametrize("new", ["149.9", "150.1", 175])
def test_another_dose_than_that_of_years_is_flagged_as_before(new):
    assert FlagCode.OVER in flags(went_back(new=new))


def test_going_back_to_a_lower_dose_of_years_is_no_flag_either():
    assert grades(went_back(old=50, new=50, mg=120)) == {}
    assert grades(went_back(old=50, new=50, mg=120, days=YEARS - 1)) == {
        "under-dosed-switch": "likely"
    }


@pytest.mark.parametrize(
    "results",
    [
        (tsh("0.1", -15),),
        (tsh("0.1", -100),),
        (tsh(3, -100), tsh("0.9", -30)),
    ],
    ids=["low on it since", "low before", "fallen by half and below mid-range"],
)
def test_a_result_that_speaks_against_the_dose_of_years_is_heard(results):
    assert FlagCode.OVER in flags(went_back(*results))


@pytest.mark.parametrize("aim", [Aim.PREGNANCY, Aim.SUPPRESSION])
def test_in_pregnancy_or_for_suppression_the_dose_of_other_years_tells_nothing(aim):
    low = {"old": 50, "new": 50, "mg": 120}
    assert FlagCode.UNDER in flags(went_back(**low, aims=frozenset({aim})))


def test_years_of_which_the_dose_is_in_doubt_are_no_dose_of_ones_own():
    course = went_back()
    first, *rest = course.intakes
    doubtful = replace(first, lines=(), doubt="How much was taken?")
    assert FlagCode.OVER in flags(replace(course, intakes=(doubtful, *rest)))


def test_years_whose_end_nobody_wrote_down_are_no_dose_of_ones_own():
    course = went_back()
    first, *rest = course.intakes
    undated = replace(first, last_day=None, end=End.UNDATED)
    assert FlagCode.OVER in flags(replace(course, intakes=(undated, *rest)))


def test_going_back_still_asks_for_a_tsh_in_time():
    course = went_back()
    shifted = tuple(
        replace(i, first_day=i.first_day - 60, last_day=i.last_day and i.last_day - 60)
        for i in course.intakes
    )
    assert grades(replace(course, intakes=shifted)) == {"no-tsh-after-switch": "observed"}


@pytest.mark.parametrize("again", [YEARS, 90])
def test_an_interlude_before_the_last_one_does_not_hide_the_years(again):
    """For years, three months of LT3, the same dose for a while, desiccated, and back."""
    course = went_back(days=again)
    start = course.intakes[0].first_day
    before = (
        took("lt4", 150, start - 90 - YEARS, start - 91),
        took("lt3", 40, start - 90, start - 1),
    )
    assert grades(replace(course, intakes=(*before, *course.intakes))) == {}
