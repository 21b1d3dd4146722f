"""A chain of orders follows the dates and never drops a medicine that is taken."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.unit.reading.records import (
    AS_OF,
    CODES,
    LT3,
    LT4_100,
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
from crossgrain.reading.reader import read_course
from crossgrain.reading.reconcile import leading_in_circles
from crossgrain.screening.course import TakingHistory


def order(own_id: str, on: str | None, prior: str = "", medicine: Json = LT4_100) -> Json:
    made = request(medicine, TABLET, id=own_id, authoredOn=on)
    if prior:
        made["priorPrescription"] = {"reference": f"MedicationRequest/{prior}"}
    return {key: value for key, value in made.items() if value is not None}


def course(*resources: Json) -> TakingHistory:
    return read_course(
        bundle(*resources), version=FhirVersion.R4, as_of=AS_OF, codes=CODES,
        preparations=PREPARATIONS,
    )  # fmt: skip


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
