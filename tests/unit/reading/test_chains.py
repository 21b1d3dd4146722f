"""A chain of orders follows the dates and never drops a medicine that is taken."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.unit.reading.records import (
    AS_OF,
    CODES,
    DAILY,
    LT3,
    LT4_100,
    ONE,
    PREPARATIONS,
    TABLET,
    THYROID_60,
    Json,
    asked,
    bundle,
    read,
    request,
    statement,
)

from crossgrain.names.identity import FhirVersion
from crossgrain.reading.posing import posed_in
from crossgrain.reading.reader import read_course, read_record
from crossgrain.reading.reconcile import leading_in_circles
from crossgrain.screening.course import TakingHistory


def order(own_id: str, on: str | None, prior: str = "", medicine: Json = LT4_100) -> Json:
    made = request(medicine, TABLET, id=own_id, authoredOn=on)
    if prior:
        made["priorPrescription"] = {"reference": f"MedicationRequest/{prior}"}
    return {key: value for key, value in made.items() if value is not None}


def ending(own_id: str, last: str, prior: str) -> Json:
    """An active order whose only dose has ended."""
    made = order(own_id, "2026-02-01", prior)
    period = {"start": "2026-02-01", "end": last}
    timed = {"repeat": {**DAILY["repeat"], "boundsPeriod": period}}
    return {**made, "dosageInstruction": [{**TABLET, "timing": timed}]}


def course(*resources: Json) -> TakingHistory:
    return read_course(
        bundle(*resources), version=FhirVersion.R4, as_of=AS_OF, codes=CODES,
        preparations=PREPARATIONS,
    )  # fmt: skip


TWO = "Bundle.entry[2].resource"
PLACE = "Bundle.entry[{}].resource.priorPrescription".format


def test_a_newer_order_takes_the_place_of_an_older_one() -> None:
    record = read(order("new", "2026-03-01", "old"), order("old", "2026-01-01"))
    assert [entry.reference for entry in record.current] == ["MedicationRequest/new"]
    assert asked(record) == []


def test_an_order_of_the_same_day_takes_its_place_too() -> None:
    record = read(order("new", "2026-03-01", "old"), order("old", "2026-03-01"))
    assert [entry.reference for entry in record.current] == ["MedicationRequest/new"]


DOUBTFUL: dict[str, tuple[tuple[Json, ...], list[str]]] = {
    "an order that replaces itself": ((order("a", "2026-01-01", "a"),), [PLACE(1)]),
    "two that replace each other": (
        (order("a", "2026-01-01", "b"), order("b", "2026-01-01", "a", LT3)),
        [PLACE(1), PLACE(2)],
    ),
    "three in a circle": (
        (
            order("a", "2026-01-01", "b"),
            order("b", "2026-01-01", "c", LT3),
            order("c", "2026-01-01", "a", THYROID_60),
        ),
        [PLACE(1), PLACE(2), PLACE(3)],
    ),
    "an older one that replaces a newer": (
        (order("a", "2026-01-01", "b"), order("b", "2026-01-02", medicine=LT3)),
        [PLACE(1)],
    ),
    "an undated one that replaces another": (
        (order("a", None, "b"), order("b", "2026-01-02", medicine=LT3)),
        [PLACE(1)],
    ),
    "one that replaces an undated one": (
        (order("a", "2026-01-02", "b"), order("b", None, medicine=LT3)),
        [PLACE(1)],
    ),
}


@pytest.mark.parametrize(("orders", "places"), DOUBTFUL.values(), ids=DOUBTFUL.keys())
def test_a_chain_in_doubt_is_asked_about_and_drops_nothing(
    orders: tuple[Json, ...], places: list[str]
) -> None:
    record = read(*orders)
    assert len(record.current) == len(orders)
    assert [place for place in asked(record) if "priorPrescription" in place] == places


def test_what_was_never_taken_drops_nothing() -> None:
    void = {**order("void", "2026-03-01", "old"), "status": "entered-in-error"}
    record = read(void, order("old", "2026-01-01"))
    assert [entry.reference for entry in record.current] == ["MedicationRequest/old"]


GIVEN_UP: dict[str, tuple[Json, ...]] = {
    status: ({**order("new", "2026-03-01", "old"), "status": status}, order("old", "2026-01-01"))
    for status in ("on-hold", "stopped", "completed")
}
GIVEN_UP |= {
    "over by its dates": (ending("new", "2026-03-10", "old"), order("old", "2026-01-01")),
    "of another hormone": (
        {**order("new", "2026-03-01", "old", THYROID_60), "status": "stopped"},
        order("old", "2026-01-01"),
    ),
    "without a date": (
        {**order("new", None, "old"), "status": "stopped"},
        order("old", "2026-01-01"),
    ),
    "after another that was given up": (
        {**order("new", "2026-03-01", "between"), "status": "stopped"},
        {**order("between", "2026-02-01", "old"), "status": "completed"},
        order("old", "2026-01-01"),
    ),
}


@pytest.mark.parametrize("orders", GIVEN_UP.values(), ids=GIVEN_UP.keys())
def test_an_order_whose_replacement_was_given_up_is_asked_about(orders: tuple[Json, ...]) -> None:
    """Somebody went back to it, or nothing is taken: nobody wrote down which."""
    record = read(*orders)
    assert asked(record) == [f"Bundle.entry[{len(orders)}].resource"]
    assert "took its place" in record.questions[0].question


@pytest.mark.parametrize("status", ["cancelled", "draft", "entered-in-error"])
def test_a_replacement_that_never_was_in_force_asks_nothing(status: str) -> None:
    record = read(
        {**order("new", "2026-03-01", "old"), "status": status}, order("old", "2026-01-01")
    )
    assert [entry.reference for entry in record.current] == ["MedicationRequest/old"]
    assert asked(record) == []


def test_an_order_written_after_what_replaced_it_is_the_newer_word() -> None:
    stopped = {**order("new", "2026-01-01", "old"), "status": "stopped"}
    assert asked(read(stopped, order("old", "2026-02-01"))) == []
    assert asked(read(stopped, order("old", "2026-01-01"))) == [TWO]


def test_what_took_the_place_of_an_order_is_followed_to_the_one_that_is_taken() -> None:
    """Old, then one that is completed, then the one of today: what is taken is the last."""
    between = {**order("between", "2026-02-01", "old"), "status": "completed"}
    record = read(
        order("old", "2026-01-01"), between, order("new", "2026-03-01", "between", THYROID_60)
    )
    assert [entry.reference for entry in record.current] == ["MedicationRequest/new"]
    assert asked(record) == []


def test_a_chain_over_what_is_given_up_drops_nothing_where_it_has_no_dates() -> None:
    between = {**order("between", None, "old"), "status": "completed"}
    record = read(
        order("old", "2026-01-01"), between, order("new", "2026-03-01", "between", THYROID_60)
    )
    assert len(record.current) == 2
    assert asked(record) == [ONE]


def test_a_second_replacement_that_is_taken_settles_it() -> None:
    """A series names the order from before it with each of its steps."""
    first = {**order("first", "2026-02-01", "old"), "status": "completed"}
    record = read(order("old", "2026-01-01"), first, order("second", "2026-03-01", "old"))
    assert [entry.reference for entry in record.current] == ["MedicationRequest/second"]
    assert asked(record) == []


def test_a_statement_of_its_dose_made_since_settles_it() -> None:
    said = statement(
        LT4_100, TABLET, dateAsserted="2026-03-15",
        derivedFrom=[{"reference": "MedicationRequest/old"}],
    )  # fmt: skip
    record = read(*GIVEN_UP["stopped"], said)
    assert [entry.reference for entry in record.current] == ["MedicationStatement/s1"]
    assert asked(record) == []


def test_the_answer_that_it_is_taken_settles_it() -> None:
    held = bundle(*GIVEN_UP["stopped"])
    look: dict[str, Any] = {
        "version": FhirVersion.R4, "as_of": AS_OF, "codes": CODES, "preparations": PREPARATIONS,
    }  # fmt: skip
    (posed,) = posed_in(held, read(*GIVEN_UP["stopped"]).questions, **look).posed
    assert [choice.code for choice in posed.choices] == ["taken", "not-taken"]
    settled = posed.choices[0].change.settled
    record = read_record(held, settled=settled, **look)
    assert [entry.reference for entry in record.current] == ["MedicationRequest/old"]
    assert asked(record) == []


def test_statements_made_from_each_other_are_asked_about_and_kept() -> None:
    first = statement(LT4_100, TABLET, derivedFrom=[{"reference": "MedicationStatement/s2"}])
    second = {**first, "id": "s2", "derivedFrom": [{"reference": "MedicationStatement/s1"}]}
    record = read(first, second)
    assert len(record.current) == 2
    assert len(asked(record)) >= 2


def test_the_screening_is_in_doubt_about_an_older_order_that_replaces_a_newer() -> None:
    older = order("old", "2025-03-01", "new", THYROID_60)
    intakes = course(older, order("new", "2026-01-01")).intakes
    assert [bool(intake.doubt) for intake in intakes] == [True, False]


def test_the_screening_is_in_doubt_about_a_circle() -> None:
    circle = order("a", "2026-01-01", "b", THYROID_60), order("b", "2026-01-01", "a")
    assert all(intake.doubt for intake in course(*circle).intakes)


@given(st.dictionaries(st.integers(0, 7), st.lists(st.integers(0, 7), max_size=3)))
def test_a_name_leads_in_a_circle_where_following_it_can_go_on_for_ever(
    links: dict[int, list[int]],
) -> None:
    named = {str(name): [str(to) for to in targets] for name, targets in links.items()}
    reached = {name: {name} for name in named}
    for _ in range(9):
        reached = {n: {t for r in rs for t in named.get(r, ())} for n, rs in reached.items()}
    assert leading_in_circles(named) == {name for name, there in reached.items() if there}
