"""From medicines to regimens in force: renewals, replacements, and what stays in doubt."""

from dataclasses import replace

import pytest
from tests.unit.screening.courses import LIMITS, grades, outcome, screened, took, tsh

from crossgrain.dosing.preparations import Kind
from crossgrain.screening.course import End, ScreeningOutcome, TakingHistory, Undecided
from crossgrain.screening.stretches import stretches_of
from crossgrain.screening.switches import last_switch


def days(*intakes):
    return [(s.first_day, s.last_day) for s in stretches_of(TakingHistory(intakes), LIMITS)]


def doses(*intakes):
    return [float(s.regimen.t4_ug) for s in stretches_of(TakingHistory(intakes), LIMITS)]


def test_one_open_medicine_is_one_stretch_to_today():
    assert days(took("lt4", 100, -300)) == [(-300, 0)]


def test_a_change_of_dose_begins_a_stretch():
    assert days(took("lt4", 75, -300, -101), took("lt4", 100, -100)) == [(-300, -101), (-100, 0)]


def test_a_dose_that_begins_today_is_a_stretch_of_today():
    assert days(took("lt4", 75, -300, -1), took("lt4", 100, 0)) == [(-300, -1), (0, 0)]


def test_the_smallest_rise_is_a_step_of_a_climb():
    """Half a microgram more a month ago: who climbs by so little climbs all the same."""
    new = [took("lt3", 5, -200), took("lt4", 50, -200, -31), took("lt4", "50.5", -30)]
    old, results = took("lt4", 100, -1200, -201), (tsh(9, -10),)
    assert outcome(TakingHistory((old, *new), tsh=results)) is ScreeningOutcome.CLIMBING
    held = [took("lt3", 5, -200), took("lt4", 50, -200)]
    assert outcome(TakingHistory((old, *held), tsh=results)) is ScreeningOutcome.FLAGGED


def test_days_without_hormone_stand_in_no_stretch():
    assert days(took("lt4", 75, -300, -200), took("lt4", 100, -100)) == [(-300, -200), (-100, 0)]


@pytest.mark.parametrize(("gap", "count"), [(44, 1), (45, 1), (46, 2)])
def test_a_gap_in_one_dose_is_a_renewal_up_to_a_month_and_a_half(gap, count):
    assert len(days(took("lt4", 100, -300, -200), took("lt4", 100, -199 + gap))) == count


def test_an_order_renewed_early_is_not_counted_twice():
    early = took("lt4", 100, -300, -90), took("lt4", 100, -110)
    assert doses(*early) == [100]


def test_medicines_that_share_one_day_follow_each_other():
    assert doses(took("lt4", 75, -300, -100), took("lt4", 100, -100)) == [75, 100]


def test_an_order_gives_way_to_the_one_that_replaces_it():
    old = took("lt4", 100, -300)
    new = took("lt4", 125, -100, replaces=frozenset({old.reference}))
    assert doses(old, new) == [100, 125]


@pytest.mark.parametrize(
    ("replaced", "taken"),
    [(-71, [15, 60]), (-70, [15, 60]), (-69, [15, 30, 60]), (-40, [15, 30, 60])],
)
def test_doses_that_lie_ahead_in_an_order_when_it_is_replaced_are_not_taken(replaced, taken):
    climb = [took("dt", mg, first, last, reference="r/1", group="r/1")
             for mg, first, last in ((15, -100, -71), (30, -70, -41), (45, -40, 60))]  # fmt: skip
    new = took("dt", 60, replaced, replaces=frozenset({"r/1"}))
    found = stretches_of(TakingHistory((*climb, new)), LIMITS)
    assert [s.doubt for s in found] == [""] * len(found)
    assert [sum(line.daily for line in s.regimen) for s in found] == taken


def test_orders_of_one_group_are_taken_together():
    pair = [took("lt4", amount, -100, reference=f"r/{amount}", group="g") for amount in (100, 25)]
    (stretch,) = stretches_of(TakingHistory(tuple(pair)), LIMITS)
    assert (float(stretch.regimen.t4_ug), stretch.doubt) == (125, "")


def test_two_of_one_hormone_side_by_side_are_in_doubt():
    pair = took("lt4", 100, -100), took("lt4", 25, -90)
    assert [bool(s.doubt) for s in stretches_of(TakingHistory(pair), LIMITS)] == [False, True]


def test_doubt_about_the_present_or_the_old_regimen_needs_review():
    old, new = took("lt4", 100, -300, -101), took("dt", 60, -100)
    assert outcome(TakingHistory((old, new, took("dt", 30, -90)))) is ScreeningOutcome.NEEDS_REVIEW
    assert (
        outcome(TakingHistory((old, took("lt4", 25, -200, -101), new)))
        is ScreeningOutcome.NEEDS_REVIEW
    )


def test_doubt_about_days_long_before_does_not_matter():
    early = took("lt4", 50, -900, -501), took("lt4", 25, -800, -701)
    course = TakingHistory((*early, took("lt4", 100, -500, -61), took("dt", 60, -60)))
    assert grades(course) == {"under-dosed-switch": "suspected"}


def test_a_dose_that_cannot_be_read_needs_review_with_its_reason():
    unread = replace(took("dt", 60, -60), lines=(), doubt="How much is taken?")
    answer = screened(TakingHistory((took("lt4", 100, -300, -61), unread)))
    assert (answer.outcome, answer.why) == (ScreeningOutcome.NEEDS_REVIEW, "How much is taken?")


def unread(what, first, last=None, doubt="How much is taken?", **more):
    return replace(took(what, 1, first, last, **more), lines=(), doubt=doubt)


def test_two_unread_doses_of_different_kinds_are_a_switch_in_doubt():
    answer = screened(TakingHistory((unread("lt4", -400, -101), unread("dt", -100))))
    assert (answer.outcome, answer.why) == (ScreeningOutcome.NEEDS_REVIEW, "How much is taken?")


def test_an_unread_dose_that_changes_kind_beside_a_read_one_is_a_switch_in_doubt():
    lt4 = took("lt4", 50, -400)
    assert (
        outcome(TakingHistory((lt4, unread("lt3", -400, -101), unread("dt", -100))))
        == "needs-review"
    )


def test_two_unread_doses_of_one_kind_that_meet_are_no_switch():
    assert (
        outcome(TakingHistory((unread("lt4", -400, -101), unread("lt4", -100))))
        is ScreeningOutcome.NO_SWITCH
    )


@pytest.mark.parametrize(("held", "found"), [(83, "flagged"), (84, "needs-review")])
def test_unread_doses_that_together_may_have_been_kept_are_not_passed_over(held, found):
    half = -101 - held // 2
    old = took("lt4", 100, -900, -101 - held)
    way = unread("lt3", -100 - held, half - 1, "One."), unread("lt3", half, -101, "Two.")
    assert outcome(TakingHistory((old, *way, took("dt", 30, -100)))) == found


def test_an_order_of_the_same_day_gives_way_to_the_one_that_replaces_it():
    old = took("lt4", 100, -100)
    new = took("dt", 60, -100, replaces=frozenset({old.reference}))
    (stretch,) = stretches_of(TakingHistory((old, new)), LIMITS)
    assert stretch.kinds == {Kind.DESICCATED_THYROID}


@pytest.mark.parametrize(("count", "refused"), [(49, False), (50, False), (51, True)])
@pytest.mark.parametrize("last", [None, 0, -1])
def test_more_medicines_at_once_than_anyone_takes_are_not_compared(count, refused, last):
    crowd = tuple(took("lt4", 25, -200 + n, last, reference=f"r/{n}") for n in range(count))
    answer = screened(TakingHistory((took("dt", 60, -400, -300), *crowd)))
    assert answer.outcome is ScreeningOutcome.NEEDS_REVIEW
    assert ("more than 50" in answer.why) is refused


def test_a_lifetime_of_orders_one_after_the_other_is_read():
    long = tuple(took("lt4", 25 + n % 2, -4 * n - 3, -4 * n) for n in range(2000))
    assert len(stretches_of(TakingHistory(long), LIMITS)) == 2000


class TestAnEndThatIsNotRecorded:
    def over(self, first):
        return took("lt4", 100, first, end=End.UNDATED)

    def test_is_the_day_before_the_next_order_of_the_hormone(self):
        assert days(self.over(-300), took("lt4", 75, -100)) == [(-300, -101), (-100, 0)]

    def test_is_the_day_before_the_change_where_no_order_followed_in_time(self):
        found = stretches_of(TakingHistory((self.over(-900), took("dt", 60, -100))), LIMITS)
        assert [(s.first_day, s.last_day, s.assumed_end) for s in found] == [
            (-900, -101, True),
            (-100, 0, False),
        ]

    @pytest.mark.parametrize(("later", "kinds"), [(400, 1), (401, 0)])
    def test_an_order_of_the_hormone_counts_within_a_year_and_a_month(self, later, kinds):
        t3 = took("lt3", 10, -700)
        found = stretches_of(
            TakingHistory((self.over(-800), t3, took("lt4", 75, -800 + later))), LIMITS
        )
        between = [s for s in found if s.first_day == -700]
        assert len(between[0].kinds & {Kind.LEVOTHYROXINE}) == kinds

    def test_without_anything_after_it_is_undecided(self):
        with pytest.raises(Undecided, match="does not say since when"):
            stretches_of(TakingHistory((took("lt3", 5, -900), self.over(-300))), LIMITS)


class TestTheLastSwitch:
    def of(self, *intakes):
        return last_switch(stretches_of(TakingHistory(intakes), LIMITS), LIMITS)

    def test_a_change_of_dose_is_none(self):
        assert self.of(took("lt4", 75, -300, -101), took("lt4", 100, -100)) is None

    def test_a_change_of_grain_family_alone_is_one(self):
        switch = self.of(took("dt", 60, -300, -101), took("dt65", 65, -100))
        assert switch.day == -100
        assert [line.preparation.mg_per_grain for line in switch.old.regimen] == [60]

    def test_a_change_of_grain_family_never_hides_that_of_the_medicine_before_it(self):
        switch = self.of(
            took("lt4", 100, -600, -301), took("dt", 60, -300, -101), took("dt65", 65, -100)
        )
        assert switch.day == -300
        assert switch.old.kinds == {Kind.LEVOTHYROXINE}

    def test_a_change_of_grain_family_through_days_in_doubt_is_none(self):
        assert (
            self.of(
                took("dt", 60, -300, -201),
                took("dt", 60, -200, -101, doubt="the dose is not said", lines=()),
                took("dt65", 65, -100),
            )
            is None
        )

    @pytest.mark.parametrize(("held", "old"), [(41, 150), (42, 75), (43, 75)])
    def test_the_old_dose_is_the_last_that_was_held_for_six_weeks(self, held, old):
        # A dose reaches its steady state in 6 weeks: labels, as quoted.
        switch = self.of(
            took("lt4", 150, -900, -101 - held),
            took("lt4", 75, -100 - held, -101),
            took("dt", 60, -100),
        )
        assert (float(switch.old.regimen.t4_ug), switch.day) == (old, -100)

    def test_the_old_dose_is_the_last_where_none_was_held(self):
        switch = self.of(
            took("lt4", 25, -140, -121), took("lt4", 50, -120, -101), took("dt", 60, -100)
        )
        assert float(switch.old.regimen.t4_ug) == 50

    @pytest.mark.parametrize(("gap", "sure"), [(400, True), (401, False)])
    def test_hormone_taken_up_again_after_more_than_a_year_needs_review(self, gap, sure):
        course = TakingHistory((took("lt4", 100, -2000, -101 - gap), took("dt", 60, -100)))
        assert (outcome(course) is not ScreeningOutcome.NEEDS_REVIEW) is sure

    @pytest.mark.parametrize(("held", "old"), [(83, "lt4"), (84, "lt3")])
    def test_a_regimen_too_short_to_be_kept_is_on_the_way(self, held, old):
        switch = self.of(
            took("lt4", 100, -900, -101 - held), took("lt3", 25, -100 - held, -101),
            took("dt", 60, -100),
        )  # fmt: skip
        assert switch.old.kinds == {Kind.LEVOTHYROXINE if old == "lt4" else Kind.LIOTHYRONINE}

    def test_the_last_of_two_switches_counts(self):
        course = TakingHistory(
            (took("lt4", 100, -900, -501), took("dt", 60, -500, -61), took("lt4", 88, -60))
        )
        assert (
            outcome(course) is ScreeningOutcome.FLAGGED
        )  # 88 µg after one grain: 1.76 on practice
        assert grades(course) == {"over-dosed-switch": "suspected"}


@pytest.mark.parametrize(
    ("ended", "found"), [(-44, "flagged"), (-45, "flagged"), (-46, "needs-review")]
)
def test_a_supply_that_ran_out_long_ago_needs_review(ended, found):
    course = TakingHistory((took("lt4", 100, -900, -201), took("dt", 60, -200, ended)))
    assert outcome(course) == found


@pytest.mark.parametrize(("last", "doubted"), [(-91, True), (-90, True), (-89, False)])
def test_an_early_renewal_outlives_what_it_renews(last, doubted):
    """One that ends with it, or before, is a second order of the same days: which was taken?"""
    found = stretches_of(
        TakingHistory((took("lt4", 100, -300, -90), took("lt4", 100, -110, last))), LIMITS
    )
    assert any(stretch.doubt for stretch in found) is doubted
