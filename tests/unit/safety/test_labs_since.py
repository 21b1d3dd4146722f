"""What labs since the last visit say of the dose taken, at each limit and for each kind of patient.

Limits: 0.4-4.0 mIU/L where the laboratory gives none, 4-6 acceptable at 70-80 years (American
Thyroid Association 2014, secondary), 0.1-2.5 in pregnancy (secondary). Six weeks to a TSH that
speaks of a dose: American Thyroid Association 2014 (from memory); four in pregnancy: its 2017
guideline, quick reference. Free T4 in the upper half of its range in central hypothyroidism:
common practice, no source.
"""

from dataclasses import replace
from fractions import Fraction

import pytest
from tests.unit.safety.patients import CLEAR, RULES, known, patient, regimen, tsh

from crossgrain.safety.facts import Analyte, Facts, Measurement
from crossgrain.safety.labs_since import DoseHeld, labs_since
from crossgrain.safety.visit import LabsSay, Position

HELD = DoseHeld(Position.WAITING, not_answered_from=-90, since=-80, overdue=False)
ON_T3 = regimen(desiccated_thyroid_60=60)


def free_t3(value: str, day: int = -30) -> Measurement:
    limits = {"low": Fraction("3.1"), "high": Fraction("6.8")}
    return Measurement(Analyte.FREE_T3, Fraction(value), day, "Observation/t3", **limits)


def free_t4(value: str, day: int = -30, **more: object) -> Measurement:
    limits = {"low": Fraction(12), "high": Fraction(22)} | more
    return Measurement(Analyte.FREE_T4, Fraction(value), day, "Observation/t4", **limits)  # type: ignore[arg-type]


def said(*found: Measurement, held: DoseHeld = HELD, facts: Facts = CLEAR) -> LabsSay:
    return labs_since(replace(facts, measurements=found), held, RULES).says


@pytest.mark.parametrize(
    ("value", "says"),
    [
        ("0.09", LabsSay.VERY_LOW),
        ("0.1", LabsSay.LOW),
        ("0.39", LabsSay.LOW),
        ("0.4", LabsSay.IN_RANGE),
        ("4.0", LabsSay.IN_RANGE),
        ("4.1", LabsSay.HIGH),
        ("10", LabsSay.HIGH),
        ("10.1", LabsSay.VERY_HIGH),
    ],
)
def test_a_settled_tsh_is_read_by_the_patients_own_limits(value: str, says: LabsSay) -> None:
    assert said(tsh(value)) is says


@pytest.mark.parametrize(
    ("value", "says"),
    [
        ("0.09", LabsSay.EARLY_SUPPRESSED),
        ("0.1", LabsSay.EARLY_LOW),
        ("0.4", LabsSay.EARLY),
        ("10", LabsSay.EARLY),
        ("10.1", LabsSay.EARLY_VERY_HIGH),
    ],
)
def test_drawn_before_six_weeks_it_is_early(value: str, says: LabsSay) -> None:
    assert said(tsh(value, -39), held=replace(HELD, since=-80)) is says


@pytest.mark.parametrize(("since", "says"), [(-71, LabsSay.EARLY), (-72, LabsSay.IN_RANGE)])
def test_six_weeks_are_counted_to_the_draw(since: int, says: LabsSay) -> None:
    assert said(tsh("2"), held=replace(HELD, since=since)) is says


def test_a_dose_since_no_known_day_was_long_held() -> None:
    assert said(tsh("2"), held=replace(HELD, since=None)) is LabsSay.IN_RANGE


@pytest.mark.parametrize(
    ("first_day", "says"), [(-30, LabsSay.IN_RANGE), (-29, LabsSay.NONE)], ids=["that day", "after"]
)
def test_labs_that_a_visit_has_answered_are_none(first_day: int, says: LabsSay) -> None:
    assert said(tsh("2"), held=replace(HELD, not_answered_from=first_day)) is says


def test_where_none_came_they_may_be_overdue() -> None:
    assert said(held=replace(HELD, overdue=True)) is LabsSay.OVERDUE
    assert said() is LabsSay.NONE
    assert said(tsh("2"), held=replace(HELD, overdue=True)) is LabsSay.IN_RANGE


def test_the_latest_day_counts() -> None:
    assert said(tsh("9", -35), tsh("2", -30)) is LabsSay.IN_RANGE
    assert said(tsh("9", -30), tsh("2", -30)) is LabsSay.DISAGREEING
    assert said(tsh("9", -30), tsh("8", -30)) is LabsSay.HIGH


def test_a_preliminary_result_after_a_final_one_is_awaited() -> None:
    assert said(tsh("2", -35), tsh("9", -30, preliminary=True)) is LabsSay.UNREADABLE
    assert said(tsh("9", -35, preliminary=True), tsh("2", -30)) is LabsSay.IN_RANGE


@pytest.mark.parametrize(
    ("comparator", "value", "says"),
    [
        ("<", "0.1", LabsSay.VERY_LOW),
        ("<", "0.4", LabsSay.LOW),
        ("<", "5", LabsSay.UNREADABLE),
        (">", "100", LabsSay.VERY_HIGH),
        (">", "2", LabsSay.UNREADABLE),
    ],
)
def test_a_result_with_a_comparator_counts_where_its_side_is_certain(
    comparator: str, value: str, says: LabsSay
) -> None:
    assert said(tsh(value, comparator=comparator)) is says


@pytest.mark.parametrize(
    ("begun", "says"),
    [(None, LabsSay.UNREADABLE), (-30, LabsSay.UNREADABLE), (-29, LabsSay.IN_RANGE)],
)
def test_biotin_at_the_draw_makes_it_unreadable(begun: int | None, says: LabsSay) -> None:
    facts = patient(medicines=known("biotin", day=begun))
    assert said(tsh("2"), facts=facts) is says


def test_the_laboratorys_range_and_age_set_the_limits() -> None:
    assert said(tsh("4.5", high=Fraction(5))) is LabsSay.IN_RANGE
    assert said(tsh("6.0"), facts=patient(age_years=71)) is LabsSay.IN_RANGE
    assert said(tsh("6.1"), facts=patient(age_years=71)) is LabsSay.HIGH


class TestWithSwallowedT3:
    """Free T3, drawn on the same day, has a say."""

    FACTS = patient(regimen=ON_T3)

    @pytest.mark.parametrize(
        ("value", "t3", "says"),
        [
            ("2", "6.8", LabsSay.IN_RANGE),
            ("2", "6.9", LabsSay.LOW),
            ("9", "6.8", LabsSay.HIGH),
            ("9", "6.9", LabsSay.HIGH_FREE_T3),
            ("12", "6.9", LabsSay.HIGH_FREE_T3),
            ("0.3", "6.9", LabsSay.LOW),
        ],
    )
    def test_above_its_range_it_lowers_or_keeps_t3_from_rising(
        self, value: str, t3: str, says: LabsSay
    ) -> None:
        assert said(tsh(value), free_t3(t3), facts=self.FACTS) is says

    def test_at_the_checkpoint_its_absence_leaves_the_labs_incomplete(self) -> None:
        assert said(tsh("2"), facts=self.FACTS) is LabsSay.INCOMPLETE
        assert said(tsh("2"), free_t3("5", -29), facts=self.FACTS) is LabsSay.INCOMPLETE
        assert said(tsh("9"), facts=self.FACTS) is LabsSay.INCOMPLETE
        assert said(tsh("0.3"), facts=self.FACTS) is LabsSay.LOW

    @pytest.mark.parametrize(
        ("beside", "lacks"),
        [
            ((), "no free T3 beside it"),
            ((free_t3("5", -29),), "no free T3 beside it"),
            ((replace(free_t3("5"), high=None),), "no range of free T3 beside it"),
        ],
        ids=["none", "of another day", "without its range"],
    )
    def test_what_is_missing_is_named(self, beside: tuple[Measurement, ...], lacks: str) -> None:
        facts = replace(self.FACTS, measurements=(tsh("2"), *beside))
        read = labs_since(facts, HELD, RULES)
        assert read.says is LabsSay.INCOMPLETE
        assert read.why.endswith(lacks)

    @pytest.mark.parametrize(
        ("value", "says"),
        [
            ("9", LabsSay.HIGH),
            ("14", LabsSay.VERY_HIGH),
            ("2", LabsSay.INCOMPLETE),
        ],
    )
    def test_where_lt4_alone_rises_a_high_tsh_does_not_wait_for_it(
        self, value: str, says: LabsSay
    ) -> None:
        lt4_rises = replace(HELD, t3_may_rise=False)
        assert said(tsh(value), held=lt4_rises, facts=self.FACTS) is says

    @pytest.mark.parametrize(("value", "says"), [("9", LabsSay.HIGH), ("14", LabsSay.VERY_HIGH)])
    def test_nor_does_it_then_make_the_raise_another(self, value: str, says: LabsSay) -> None:
        lt4_rises = replace(HELD, t3_may_rise=False)
        assert said(tsh(value), free_t3("6.9"), held=lt4_rises, facts=self.FACTS) is says
        assert said(tsh("2"), free_t3("6.9"), held=lt4_rises, facts=self.FACTS) is LabsSay.LOW

    def test_past_the_checkpoint_tsh_alone_is_read(self) -> None:
        after = replace(HELD, position=Position.AFTER)
        assert said(tsh("2"), held=after, facts=self.FACTS) is LabsSay.IN_RANGE

    def test_on_the_way_it_holds(self) -> None:
        early = replace(HELD, position=Position.CLIMB, since=-40)
        assert said(tsh("2"), free_t3("6.9"), held=early, facts=self.FACTS) is LabsSay.EARLY_LOW
        assert said(tsh("2"), free_t3("6.8"), held=early, facts=self.FACTS) is LabsSay.EARLY


class TestInPregnancy:
    """By the trimesters' limits, after four weeks; a low TSH only asks."""

    FACTS = patient(pregnant=True)

    @pytest.mark.parametrize(
        ("value", "says"),
        [
            ("2.5", LabsSay.IN_RANGE),
            ("2.6", LabsSay.HIGH),
            ("0.1", LabsSay.IN_RANGE),
            ("0.09", LabsSay.SPECIALIST),
        ],
    )
    def test_the_limits_are_its_own(self, value: str, says: LabsSay) -> None:
        assert said(tsh(value), facts=self.FACTS) is says

    @pytest.mark.parametrize(("since", "says"), [(-57, LabsSay.EARLY), (-58, LabsSay.IN_RANGE)])
    def test_four_weeks_are_enough(self, since: int, says: LabsSay) -> None:
        assert said(tsh("2"), held=replace(HELD, since=since), facts=self.FACTS) is says

    def test_a_high_tsh_on_the_way_calls_the_specialist(self) -> None:
        early = replace(HELD, since=-40)
        assert said(tsh("3"), held=early, facts=self.FACTS) is LabsSay.SPECIALIST


class TestCentralHypothyroidism:
    """By free T4, in the upper half of its range; TSH says nothing."""

    FACTS = patient(conditions=known("central-hypothyroidism"))

    @pytest.mark.parametrize(
        ("value", "says"),
        [
            ("11.9", LabsSay.VERY_HIGH),
            ("12", LabsSay.HIGH),
            ("16.9", LabsSay.HIGH),
            ("17", LabsSay.IN_RANGE),
            ("22", LabsSay.IN_RANGE),
            ("22.1", LabsSay.LOW),
        ],
    )
    def test_free_t4_decides(self, value: str, says: LabsSay) -> None:
        assert said(tsh("0.01"), free_t4(value), facts=self.FACTS) is says

    def test_without_its_range_it_cannot_be_read(self) -> None:
        assert said(free_t4("18", low=None), facts=self.FACTS) is LabsSay.UNREADABLE

    def test_with_swallowed_t3_no_result_raises_by_itself(self) -> None:
        facts = replace(self.FACTS, regimen=ON_T3)
        assert said(free_t4("9"), facts=facts) is LabsSay.SPECIALIST
        assert said(free_t4("18"), facts=facts) is LabsSay.SPECIALIST
        assert said(free_t4("22.1"), facts=facts) is LabsSay.LOW
        assert said(free_t4("18"), free_t3("6.9"), facts=facts) is LabsSay.LOW

    def test_a_low_free_t4_on_the_way_with_t3_is_expected(self) -> None:
        early = replace(HELD, since=-40)
        facts = replace(self.FACTS, regimen=ON_T3)
        assert said(free_t4("9"), held=early, facts=facts) is LabsSay.EARLY
        assert said(free_t4("9"), held=early, facts=self.FACTS) is LabsSay.EARLY_VERY_HIGH


def test_with_a_suppression_goal_only_the_goals_range_tells() -> None:
    facts = patient(goals=known("tsh-suppression-goal"))
    assert said(tsh("0.05"), facts=facts) is LabsSay.SPECIALIST
