"""What the screening says of a plan that runs and waits for somebody, and when it says nothing.

The days are those of the numbers file (`next_step`), our judgement.
"""

import json
from collections.abc import Mapping
from datetime import timedelta
from typing import Any

import pytest
from fixtures.visits.chart import DAY_ONE, Chart, begun, desk, first_day

from crossgrain.core.waiting import with_plan
from crossgrain.names.identity import FhirVersion
from crossgrain.reading.door import Look
from crossgrain.reading.json import parse
from crossgrain.screening.course import Flag, FlagCode, Screened, ScreeningOutcome, Urgency

CATALOGUE = desk().catalogue
DECISION = 119
"""Day of the plan on which its labs decide; they are drawn a week before."""
AT_CHECKPOINT = 70
"""Day of the plan from which the dose is held for them."""


@pytest.fixture
def chart() -> Chart:
    """A move from 150 micrograms of levothyroxine to desiccated thyroid, taken up as a whole."""
    return begun("01-levothyroxine-150.json", "desiccated-thyroid")


def screened(
    chart: Chart, day: int, outcome: ScreeningOutcome = ScreeningOutcome.CLIMBING
) -> Screened:
    record: Mapping[str, Any] = parse(json.dumps(chart.bundle()).encode())
    look: Look = {
        "version": FhirVersion.R4,
        "as_of": DAY_ONE + timedelta(day),
        "codes": CATALOGUE.codes,
        "preparations": CATALOGUE.preparations,
    }
    return with_plan(Screened(outcome), record, look, CATALOGUE)


def flags(chart: Chart, day: int) -> list[FlagCode]:
    return [flag.code for flag in screened(chart, day).flags]


def only(chart: Chart, day: int) -> Flag:
    (flag,) = screened(chart, day).flags
    return flag


def test_a_plan_that_goes_by_its_dates_waits_for_nobody(chart: Chart) -> None:
    for day in (1, 30, 69, AT_CHECKPOINT, 100, DECISION):
        assert screened(chart, day) == Screened(ScreeningOutcome.CLIMBING)


@pytest.mark.parametrize(("after", "listed"), [(13, False), (14, False), (15, True)])
def test_labs_are_overdue_two_weeks_after_their_draw(
    chart: Chart, after: int, listed: bool
) -> None:
    drawn = DECISION - CATALOGUE.policy.results_days
    assert (flags(chart, drawn + after) == [FlagCode.LABS_OVERDUE]) is listed


def test_what_is_overdue_says_since_when_and_what_is_taken(chart: Chart) -> None:
    drawn = DECISION - CATALOGUE.policy.results_days
    flag = only(chart, drawn + 15)
    assert (DAY_ONE + timedelta(drawn)).isoformat() in flag.statement
    assert "desiccated thyroid 90 mg and levothyroxine 44 micrograms a day" in flag.statement
    assert flag.switch == "2025-03-03 levothyroxine to desiccated-thyroid"
    assert flag.urgency is Urgency.SOON


@pytest.mark.parametrize(("after", "listed"), [(13, False), (14, True), (15, True)])
def test_labs_that_nobody_answered_are_listed_two_weeks_after_the_draw(
    chart: Chart, after: int, listed: bool
) -> None:
    drawn = AT_CHECKPOINT + 42
    chart.result("tsh", drawn, 6.4)
    assert (flags(chart, drawn + after) == [FlagCode.LABS_UNANSWERED]) is listed


def test_a_flag_names_the_resources_that_it_rests_on(chart: Chart) -> None:
    """Their order in the record changes nothing."""
    chart.result("tsh", AT_CHECKPOINT + 42, 6.4)
    flag = only(chart, AT_CHECKPOINT + 60)
    named = {reference for fact in flag.evidence for reference in fact.references}
    resources = [*chart.resources, *chart.filed]
    assert named <= {f"{each['resourceType']}/{each['id']}" for each in resources}
    assert {each.partition("/")[0] for each in named} >= {"CarePlan", "Observation"}
    chart.resources.reverse()
    chart.filed.reverse()
    assert only(chart, AT_CHECKPOINT + 60) == flag


def test_a_result_inside_a_panel_is_named_by_the_panel(chart: Chart) -> None:
    chart.result("tsh", AT_CHECKPOINT + 42, 6.4)
    panel = chart.resources[-1]
    inside = {key: panel.pop(key) for key in ("code", "valueQuantity", "referenceRange")}
    panel |= {"code": {"text": "Thyroid panel"}, "component": [inside]}
    (_, _, result) = only(chart, AT_CHECKPOINT + 60).evidence
    assert result.references == (f"Observation/{panel['id']}",)


def test_what_a_visit_has_answered_is_not_listed(chart: Chart) -> None:
    drawn = AT_CHECKPOINT + 42
    chart.result("tsh", drawn, 6.4)
    chart.result("free-t3", drawn, 4.6)
    chart.take_up(chart.next_step(drawn + 4))
    assert flags(chart, drawn + 20) == []


@pytest.mark.parametrize(
    ("tsh", "urgency"),
    [(9.9, None), (10.0, Urgency.URGENT), (0.1, None), (0.09, Urgency.URGENT)],
)
def test_a_frankly_high_or_suppressed_tsh_is_listed_at_once(
    chart: Chart, tsh: float, urgency: Urgency | None
) -> None:
    drawn = AT_CHECKPOINT + 42
    chart.result("tsh", drawn, tsh)
    assert [flag.urgency for flag in screened(chart, drawn + 1).flags] == [urgency] * bool(urgency)


def test_labs_stay_unanswered_when_the_supply_ends(chart: Chart) -> None:
    """They were drawn of a dose that by the record is not taken any more."""
    drawn = AT_CHECKPOINT + 42
    chart.result("tsh", drawn, 6.4)
    assert flags(chart, 200) == [FlagCode.LABS_UNANSWERED]


def test_labs_on_the_way_that_change_nothing_are_not_listed(chart: Chart) -> None:
    chart.result("tsh", 40, 2.0)
    assert flags(chart, 60) == []


@pytest.mark.parametrize(("after", "listed"), [(27, False), (28, False), (29, True)])
def test_a_dose_below_the_checkpoint_is_parked_four_weeks_after_its_step(
    chart: Chart, after: int, listed: bool
) -> None:
    stays_on_step(chart, ends=41)
    chart.result("tsh", 41 + after - 2, 2.0)
    assert (FlagCode.PARKED in flags(chart, 41 + after)) is listed


def stays_on_step(chart: Chart, ends: int) -> None:
    """What was ordered for the day of a step's end goes on, and no later order was ever signed."""
    last = (DAY_ONE + timedelta(ends)).isoformat()
    later = [order for order in chart.orders() if first_day(order) > last]
    chart.filed = [resource for resource in chart.filed if resource not in later]
    for order in chart.orders():
        bounds = order["dosageInstruction"][-1]["timing"]["repeat"]["boundsPeriod"]
        if bounds["end"] >= last:
            bounds["end"] = (DAY_ONE + timedelta(ends + 200)).isoformat()
            order["dosageInstruction"][-1].pop("text", None)


def test_a_dose_that_reached_the_checkpoint_is_not_parked(chart: Chart) -> None:
    assert FlagCode.PARKED not in flags(chart, DECISION + 60)


def test_a_plan_that_was_given_up_waits_for_nobody(chart: Chart) -> None:
    for resource in chart.filed:
        if resource["resourceType"] == "CarePlan":
            resource["status"] = "revoked"
    assert flags(chart, DECISION + 60) == []


def test_where_the_patient_stands_cannot_be_told_the_answer_stays(chart: Chart) -> None:
    for order in chart.orders():
        for dose in order["dosageInstruction"]:
            dose["doseAndRate"] = dose["doseAndRate"][:1]
            dose["doseAndRate"][0]["doseQuantity"]["value"] = 5
    assert screened(chart, 130) == Screened(ScreeningOutcome.CLIMBING)


@pytest.mark.parametrize("outcome", [ScreeningOutcome.DECEASED, ScreeningOutcome.NEEDS_REVIEW])
def test_a_record_that_is_not_judged_has_no_plan_that_waits(
    chart: Chart, outcome: ScreeningOutcome
) -> None:
    assert screened(chart, 140, outcome) == Screened(outcome)


def test_in_pregnancy_whatever_waits_is_urgent(chart: Chart) -> None:
    chart.condition("77386006", "Pregnant", 100)
    flag = only(chart, DECISION + 10)
    assert flag.urgency is Urgency.URGENT
    assert "specialist" in flag.act


def test_where_nothing_is_taken_by_the_record_that_is_said(chart: Chart) -> None:
    flag = only(chart, 200)
    assert "By the record nothing is taken now" in flag.statement


def test_how_the_patient_feels_and_other_tests_change_nothing_here(chart: Chart) -> None:
    """A night keeps neither, and the same flag has to be found by a call with the whole record."""
    drawn = AT_CHECKPOINT + 42
    chart.result("tsh", drawn, 6.4)
    alone = screened(chart, drawn + 20)
    chart.result("free-t3", drawn, 4.6)
    chart.told(drawn + 1, palpitations=True, missed_days=9)
    assert screened(chart, drawn + 20) == alone
