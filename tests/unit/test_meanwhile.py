"""What becomes of the doses while nobody decides: what ends, what falls, how low coverage gets.

The plan is the service's own, from levothyroxine 100 micrograms to desiccated thyroid; from day 42
on it is held, with levothyroxine beside it, until labs on day 84 decide.
"""

from collections.abc import Iterator
from dataclasses import replace

import pytest
from tests.unit.reading.records import CATALOGUE, Json
from tests.unit.visits import chart, on, proposed, where

from crossgrain.core.meanwhile import Meanwhile, until_settled
from crossgrain.core.standing import Standing, UnknownStanding
from crossgrain.dosing.underway import Dated
from crossgrain.reading.record import Record

PLAN = proposed()
HELD = 50
LAST = PLAN.plan.steps[-1].last_day
LT4, DESICCATED = "levothyroxine", "desiccated-thyroid-60"


def of(standing: Standing, record: Record | None = None, *, ends_as_meant: bool) -> Meanwhile:
    return until_settled(
        standing, record or standing.record, frozenset(), CATALOGUE, ends_as_meant=ends_as_meant
    )


def settled(day: int) -> Standing:
    _, found = where(chart(PLAN, day), day)
    assert isinstance(found, Standing)
    return found


def doses(each: Dated) -> dict[str, float]:
    return {preparation.id: float(amount) for preparation, amount in each.amounts}


def named(found: Meanwhile) -> set[str]:
    return {line.preparation.id for entry in found.ends for line in entry.lines}


def without_old_at_last(standing: Standing) -> Standing:
    """As if the plan had levothyroxine end by its dates."""
    *before, last = standing.underway.planned
    new = tuple(pair for pair in last.amounts if pair[0].id != LT4)
    planned = (*before, replace(last, amounts=new))
    return replace(standing, underway=replace(standing.underway, planned=planned))


def test_the_old_medicine_that_is_held_until_labs_decide_is_ordered_anew_too() -> None:
    found = of(settled(HELD), ends_as_meant=True)
    assert named(found) == {LT4, DESICCATED}
    assert {entry.last_day for entry in found.ends} == {LAST - HELD}
    assert found.to_come == ()


def test_the_old_medicine_whose_end_the_plan_has_by_its_dates_ends_and_that_is_said() -> None:
    standing = without_old_at_last(settled(HELD))
    found = of(standing, ends_as_meant=True)
    assert named(found) == {DESICCATED}
    (without,) = found.to_come
    assert without.first_day == LAST - HELD + 1
    assert doses(without) == {DESICCATED: 60}
    stays = of(standing, ends_as_meant=False)
    assert named(stays) == {LT4, DESICCATED}
    assert all(found.lowest[basis] < stays.lowest[basis] for basis in stays.lowest)


def test_of_orders_that_follow_one_another_the_last_is_named() -> None:
    standing = settled(HELD)
    record = standing.record
    (first,) = (e for e in record.current if e.lines[0].preparation.id == LT4)
    ends = first.last_day or 0
    further = replace(first, reference="next", first_day=ends + 1, last_day=ends + 30, spans=())
    both = {first.reference, "next"}
    for follows, last in (
        (further, {"next"}),
        (replace(further, first_day=ends + 2), both),  # a day without: it does not go on with it
        (replace(further, first_day=1, last_day=ends), both),  # it ends no later
        (replace(further, last_day=None), set[str]()),
    ):
        found = of(standing, replace(record, ahead=(follows,)), ends_as_meant=False)
        assert {e.reference for e in found.ends if e.lines[0].preparation.id == LT4} == last


def lapsed(day: int, renewed: str) -> list[Json]:
    """The chart once the supply of everything has ended, and one medicine is ordered on."""
    resources = chart(PLAN, day)
    for order in resources:
        text = order.get("medicationCodeableConcept", {}).get("text", "")
        if order["resourceType"] == "MedicationRequest" and renewed in text:
            bounds = order["dosageInstruction"][-1]["timing"]["repeat"]["boundsPeriod"]
            if bounds["end"] == on(LAST):
                again = {key: order[key] for key in order if key not in {"extension", "id", "note"}}
                again |= {"id": f"{order['id']}-again"}
                bounds = {"start": on(LAST + 1), "end": on(LAST + 28)}
                again["dosageInstruction"] = [dated(order["dosageInstruction"][-1], bounds)]
                return [*resources, again]
    raise AssertionError(renewed)


def dated(instruction: Json, bounds: Json) -> Json:
    timing = instruction["timing"]
    repeat = {**timing["repeat"], "boundsPeriod": bounds}
    without_words = {key: instruction[key] for key in instruction if key != "text"}
    return {**without_words, "timing": {**timing, "repeat": repeat}}


@pytest.mark.parametrize("day", [LAST + 1, LAST + 10])
def test_where_it_is_asked_what_is_taken_an_order_that_has_ended_is_named_and_the_floor_told(
    day: int,
) -> None:
    record, found = where(lapsed(day, "desiccated"), day)
    assert isinstance(found, UnknownStanding)
    (question,) = found.questions
    assert "Which is taken?" in question.question
    meanwhile = until_settled(found, record, frozenset(), CATALOGUE, ends_as_meant=False)
    over = [entry for entry in meanwhile.ends if (entry.last_day or 0) < 0]
    assert [entry.lines[0].preparation.id for entry in over] == [LT4]
    assert [entry.last_day for entry in over] == [LAST - day]
    assert named(meanwhile) == {LT4, DESICCATED}
    # 60 mg of 100 micrograms: practice 50, label 100 (US Pharmacopeia Drug Information)
    assert meanwhile.lowest["practice"] == pytest.approx(0.5)
    assert meanwhile.lowest["label"] == pytest.approx(1.0, abs=0.01)


def test_what_was_stopped_or_ended_long_ago_or_is_no_more_of_the_plan_is_not_named() -> None:
    day = LAST + 1
    record, found = where(lapsed(day, "desiccated"), day)
    assert isinstance(found, UnknownStanding)
    assert found.underway is not None
    (gone,) = (e for e in record.past if e.last_day == -1 and e.lines[0].preparation.id == LT4)

    def over(record: Record, where_: UnknownStanding = found) -> Iterator[str]:
        meanwhile = until_settled(where_, record, frozenset(), CATALOGUE, ends_as_meant=False)
        return (e.reference for e in meanwhile.ends if (e.last_day or 0) < 0)

    assert list(over(record)) == [gone.reference]
    for other in (replace(gone, status="stopped"), replace(gone, last_day=-60)):
        assert not list(over(replace(record, past=(other,))))
    follows = replace(gone, reference="next", first_day=0, last_day=20, spans=())
    assert not list(over(replace(record, ahead=(follows,))))
    planned = tuple(
        replace(each, amounts=tuple(pair for pair in each.amounts if pair[0].id != LT4))
        for each in found.underway.planned
    )
    given_up = replace(found, underway=replace(found.underway, planned=planned))
    assert not list(over(record, given_up))
