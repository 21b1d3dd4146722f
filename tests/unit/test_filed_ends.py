"""Which filed tasks end what is taken, from which day, and whether an order follows by then."""

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest
from tests.unit.test_already_ordered import CATALOGUE, DAY_ONE, FILED
from tests.unit.test_changes_ahead import taken
from tests.unit.test_propose import entry

from crossgrain.core.changes_ahead import orders_keep_up
from crossgrain.core.filed_ends import FiledEnd, as_ended, filed_ends
from crossgrain.dosing.preparations import Kind
from crossgrain.dosing.regimens import Regimen
from crossgrain.reading.filed import ABORT, Filed
from crossgrain.reading.record import MedicineEntry, Record, Span
from crossgrain.safety.facts import Facts

LT4 = replace(entry("levothyroxine", 150), reference="MedicationStatement/a")
RECORD = Record(DAY_ONE, "Patient/p", Facts(Regimen(LT4.lines)), (LT4,))


def task(**more: Any) -> Filed:
    said = {"code": ABORT, "focus": LT4.reference, "days": ((DAY_ONE + timedelta(9)).isoformat(),)}
    return Filed("Task/t", "Task", **{"status": "requested", "plan_id": "p", **said, **more})


def found(*acts: Filed, ours: frozenset[str] = frozenset()) -> list[FiledEnd]:
    return list(filed_ends(acts, RECORD, ours))


def test_a_task_ends_the_medicine_that_it_is_about_from_its_day_on() -> None:
    act = task()
    assert found(act) == [FiledEnd(act, LT4, DAY_ONE + timedelta(9))]


@pytest.mark.parametrize(
    "focus", ["https://ehr.example/fhir/MedicationStatement/a", "MedicationStatement/a/_history/2"]
)
def test_the_medicine_is_known_by_its_address_and_by_a_version_of_it(focus: str) -> None:
    assert [each.entry for each in found(task(focus=focus))] == [LT4]


@pytest.mark.parametrize(
    "other",
    [
        {"status": "completed"},
        {"status": "cancelled"},
        {"option": True},
        {"code": "suspend"},
        {"focus": "MedicationStatement/b"},
    ],
)
def test_what_is_done_or_only_an_option_or_about_something_else_ends_nothing(
    other: dict[str, Any],
) -> None:
    assert found(task(**other)) == []


def test_an_order_of_a_plan_of_ours_ends_by_its_own_dates() -> None:
    assert found(task(), ours=frozenset({LT4.reference})) == []


@pytest.mark.parametrize("days", [(), ("soon",)])
def test_a_task_without_a_day_is_found_too(days: tuple[str, ...]) -> None:
    assert [each.day for each in found(task(days=days))] == [None]


def ended(day: date | None, own: MedicineEntry = LT4) -> MedicineEntry:
    record = replace(RECORD, current=(own,))
    (cut,) = as_ended(record, [FiledEnd(task(), own, day)]).current
    return cut


def test_what_a_standing_task_ends_is_taken_until_the_day_before() -> None:
    assert ended(DAY_ONE + timedelta(9)).last_day == 8
    assert ended(DAY_ONE + timedelta(1)).last_day == 0


@pytest.mark.parametrize("day", [None, DAY_ONE, DAY_ONE - timedelta(3)])
def test_a_task_whose_day_is_here_or_past_changes_no_day_of_what_is_taken(day: date | None) -> None:
    assert ended(day) == LT4


def test_a_medicine_that_ends_before_is_left_and_one_by_several_dates_cut_off_at_the_day() -> None:
    assert ended(DAY_ONE + timedelta(9), replace(LT4, last_day=5)).last_day == 5
    spans = (Span(-5, 3, LT4.lines), Span(4, 20, LT4.lines), Span(21, 30, LT4.lines))
    cut = ended(DAY_ONE + timedelta(9), replace(LT4, last_day=30, spans=spans))
    assert [(s.first_day, s.last_day) for s in cut.spans] == [(-5, 3), (4, 8)]


def test_an_exchange_for_the_same_dose_ends_the_product_of_before() -> None:
    """The orders of a plan give as much from a day on: what is taken now may end by it."""
    own = [o.mark.ordered for o in FILED if o.mark.ordered]
    falls = [o for o in own if o.preparation_id == "levothyroxine"]
    day, daily = falls[0].first_day, int(falls[0].doses[0].daily)

    def keep_up(micrograms: int, on: date) -> bool:
        today = taken(micrograms, 0)
        return orders_keep_up({Kind.LEVOTHYROXINE}, FILED, today, on, CATALOGUE.preparations)

    assert keep_up(daily, day)
    assert not keep_up(daily + 1, day)
    assert not keep_up(daily - 1, day)
    assert not keep_up(daily, day - timedelta(1))
