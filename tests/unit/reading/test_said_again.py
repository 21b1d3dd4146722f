"""Renewals, used-up orders, a statement beside its order, days of the week shared by orders.

Each with its twin that differs in the one thing that matters, and is still asked about. A renewal's
gap or overlap is 45 days (`record.renewal_days`, our judgement); the record is read on 2026-03-20.
"""

from typing import Any

import pytest
from tests.unit.reading.records import (
    LT3,
    LT4,
    LT4_100,
    ONE,
    Json,
    dosage,
    doses,
    read,
    repeat,
    request,
    statement,
    ucum,
)

TWO = "Bundle.entry[2].resource"
LT4_50: Json = {"text": "levothyroxine 50 mcg tablet"}
TABLET = dosage(ucum(1, "{tbl}"))
HALF = dosage(ucum("0.5", "{tbl}"))
FIVE = ucum(5, "ug")


def order(written: str, *dosages: Json, days: int | None = None, **more: object) -> Json:
    """An order of LT4 100 µg tablets that says how long its supply lasts."""
    medicine = more.pop("medicine", LT4_100)
    assert isinstance(medicine, dict)
    supply: Json = {"expectedSupplyDuration": ucum(days, "d")} if days else {}
    repeats = more.pop("repeats", None)
    supply |= {} if repeats is None else {"numberOfRepeatsAllowed": repeats}
    supply |= more.pop("supply", {})  # type: ignore[operator]
    made = request(medicine, *(dosages or (TABLET,)), authoredOn=written, **more)
    return {**made, "id": written, **({"dispenseRequest": supply} if supply else {})}


def at(when: str, dose: Json = FIVE) -> Json:
    return dosage(dose, repeat(frequency=1, period=1, periodUnit="d", when=[when]))


def clock(*times: str, dose: str = "1") -> Json:
    often = repeat(frequency=len(times), period=1, periodUnit="d", timeOfDay=list(times))
    return dosage(ucum(dose, "{tbl}"), often)


ONE_TABLET = ucum(1, "{tbl}")


def on(*days: str, dose: str = "1") -> Json:
    return dosage(ucum(dose, "{tbl}"), repeat(dayOfWeek=list(days)))


def pieces(count: int) -> Json:
    """What is handed out, in tablets."""
    return {"quantity": ucum(count, "{tbl}")}


BY: list[Any] = [{"requester": {"reference": f"Practitioner/{name}"}} for name in "ab"]
LT3_5: Json = {"text": "liothyronine 5 mcg tablet"}
DOUBLE = dosage(ucum(2, "{tbl}"))
ONCE: dict[str, tuple[list[Json], str]] = {
    "a renewal at the end of its supply": (
        [order("2025-10-01", days=90), order("2025-12-30", days=90)], "100"),
    "a renewal in the last half of its supply": (
        [order("2025-10-01", days=90), order("2025-11-15", days=90)], "100"),
    "a renewal after repeats": (
        [order("2025-10-01", days=30, repeats=2), order("2025-12-20", days=30)], "100"),
    "a renewal of a renewal": (
        [order("2025-08-01", days=90), order("2025-10-30", days=90), order("2026-02-01", days=90)],
        "100"),
    "an order of the same long after, without a supply": (
        [order("2025-10-01"), order("2025-11-16")], "100"),
    "a dose of the same tablets whose supply was over long before": (
        [order("2025-06-01", HALF, days=90), order("2025-10-15", TABLET, days=90)], "100"),
    "a renewal at the end of its tablets, two a day": (
        [order("2025-10-01", DOUBLE, supply=pieces(180)), order("2025-12-30", DOUBLE)], "200"),
    "a renewal by another prescriber after the supply": (
        [order("2025-10-01", days=90, **BY[0]), order("2025-12-30", days=90, **BY[1])], "100"),
    "renewals that leave no more than one of them did": (
        [order("2025-10-01", days=90), order("2025-12-01", days=90),
         order("2026-03-01", days=90)], "100"),
    "a statement beside its order": ([statement(LT4_100, TABLET), order("2026-01-05")], "100"),
    "a statement of the dose beside an order of the tablets": (
        [statement(LT4, dosage(ucum(100, "ug"))), order("2026-01-05")], "100"),
    "a statement beside its order and the renewal of it": (
        [statement(LT4_100, TABLET), order("2025-10-01", days=90), order("2025-12-30", days=90)],
        "100"),
    **{
        f"a statement of {one} beside its order of {other}": (
            [statement(LT4_100, at(one, ONE_TABLET)), order("2026-01-05", at(other, ONE_TABLET))],
            "100")
        for one, other in (("MORN", "ACM"), ("ACM", "MORN"), ("WAKE", "ACM"), ("ACV", "EVE"),
                           ("NOON", "ACD"), ("HS", "NIGHT"))
    },
    "a statement of the morning beside its order of seven o'clock": (
        [statement(LT4_100, at("MORN", ONE_TABLET)), order("2026-01-05", clock("09:59:00"))],
        "100"),
    "a renewal in another wording of its moment": (
        [order("2025-10-01", at("MORN", ONE_TABLET), days=90),
         order("2025-12-30", at("ACM", ONE_TABLET), days=90)], "100"),
}  # fmt: skip


@pytest.mark.parametrize(("resources", "daily"), ONCE.values(), ids=ONCE.keys())
def test_what_is_said_again_is_counted_once_and_to_be_confirmed(
    resources: list[Json], daily: str
) -> None:
    record = read(*resources)
    assert record.questions == ()
    assert doses(record) == [("levothyroxine", [daily])]
    assert any(
        "counted once" in c.question or "supply is over" in c.question for c in record.confirm
    )
    assert len([u for u in record.unread if "stands for it" in u.why]) == len(resources) - 1


APART = {"group": {"system": "https://ehr.example/g", "value": "7"}}
OPEN: dict[str, list[Json]] = {
    "two strengths": [order("2025-10-01"), order("2025-12-30", medicine=LT4_50)],
    "two strengths of one dose": [
        order("2025-10-01"), order("2025-12-30", dosage(ucum(2, "{tbl}")), medicine=LT4_50)],
    "two doses of the same tablets": [
        order("2025-10-01", HALF, days=90), order("2025-12-30", days=90)],
    "two doses whose supply was over no longer than a renewal waits": [
        order("2025-10-01", HALF, days=90), order("2026-02-13", days=90)],
    "two strengths, the supply of one over long ago": [
        order("2025-01-01", days=30), order("2025-12-30", medicine=LT4_50)],
    "the same while tablets are left, though no days are said": [
        order("2025-10-01", supply=pieces(360)), order("2025-12-30")],
    "the same while tablets are left beyond the days that are said": [
        order("2025-10-01", days=90, supply=pieces(360)), order("2025-12-30", days=90)],
    "the same, the supply in a unit that is not read": [
        order("2025-10-01", supply={"expectedSupplyDuration": {"value": 90, "unit": "doses"}}),
        order("2025-12-30")],
    "the same, a year's supply in months": [
        order("2025-10-01", supply={"expectedSupplyDuration": ucum(12, "mo")}),
        order("2025-12-30")],
    "the same, a supply that is no whole number": [
        order("2025-06-01", supply={"expectedSupplyDuration": ucum("90.5", "d")}),
        order("2025-12-30")],
    "renewals that leave more each time": [
        order("2025-10-01", days=90), order("2025-11-15", days=90), order("2025-12-30", days=90)],
    "an early renewal by another prescriber": [
        order("2025-10-01", days=90, **BY[0]), order("2025-12-29", days=90, **BY[1])],
    "the same by another prescriber, without a supply": [
        order("2025-06-01", **BY[0]), order("2025-12-29", **BY[1])],
    "tablets for some days of the week, the supply of the others over long ago": [
        order("2025-06-01", on("mon", "tue", "wed", "thu", "fri"), days=90),
        order("2025-12-30", on("sun", dose="1.5"), days=90)],
    "one more tablet on Sundays, its supply over long ago": [
        order("2025-06-01", on("sun"), days=90), order("2025-12-30", days=90)],
    "tablets at another time of day, the supply of the one over long ago": [
        order("2025-06-01", at("MORN", ucum(1, "{tbl}")), days=90, medicine=LT3_5),
        order("2025-12-30", at("HS", ucum(2, "{tbl}")), days=90, medicine=LT3_5)],
    "two orders of one day": [order("2025-10-01", days=90), order("2025-10-01", days=90, note=[])],
    "the same in the first half of its supply": [
        order("2025-10-01", days=90), order("2025-11-14", days=90)],
    "the same while more than a renewal's overlap is left": [
        order("2025-10-01", days=120), order("2025-12-14", days=90)],
    "the same too soon, without a supply": [order("2025-10-01"), order("2025-11-15")],
    "repeats that are no number": [
        order("2025-10-01", days=30, repeats="2"), order("2025-10-20", days=30)],
    "another time of day": [
        order("2025-10-01", at("MORN"), medicine=LT3),
        order("2025-12-30", at("AFT"), medicine=LT3)],
    "a time of day that the other lacks": [
        order("2025-10-01", dosage(FIVE), medicine=LT3),
        order("2025-12-30", at("AFT"), medicine=LT3)],
    "a statement at another time of day": [
        statement(LT3, at("MORN")), order("2026-01-05", at("AFT"), medicine=LT3)],
    **{
        f"a statement of {one} beside an order of {other}": [
            statement(LT4_100, at(one, ONE_TABLET)), order("2026-01-05", at(other, ONE_TABLET))]
        for one, other in (
            ("MORN", "NOON"), ("EVE", "HS"), ("ACM", "AC"), ("MORN", "IMD"), ("WAKE", "PCM"),
            ("NOON", "AFT.late"))
    },
    "a statement of the morning beside an order of ten o'clock": [
        statement(LT4_100, at("MORN", ONE_TABLET)), order("2026-01-05", clock("10:00:00"))],
    "a statement of the morning beside an order of two hours of it": [
        statement(LT4_100, at("MORN", ONE_TABLET)),
        order("2026-01-05", clock("06:00:00", "10:00:00", dose="0.5"))],
    "a statement made from an order that is not in the record": [
        statement(LT4_100, TABLET, derivedFrom=[{"reference": "MedicationRequest/other"}]),
        order("2026-01-05")],
    "a statement of another dose": [statement(LT4_100, HALF), order("2026-01-05")],
    "a statement of other tablets": [
        statement(LT4_50, dosage(ucum(2, "{tbl}"))), order("2026-01-05")],
    "two statements": [statement(LT4_100, TABLET), statement(LT4_100, TABLET, id="s2")],
    "two statements beside an order": [
        statement(LT4_100, TABLET), statement(LT4_100, TABLET, id="s2"), order("2026-01-05")],
}  # fmt: skip


@pytest.mark.parametrize("resources", OPEN.values(), ids=OPEN.keys())
def test_what_may_be_taken_beside_the_other_is_asked_about(resources: list[Json]) -> None:
    resources = [{**each, "id": f"r{number}"} for number, each in enumerate(resources)]
    assert read(*resources).questions


def test_orders_of_one_group_are_both_taken_though_they_renew_nothing() -> None:
    group = {"groupIdentifier": APART["group"]}
    both = [order("2025-10-01", days=30, **group), order("2026-01-20", HALF, days=90, **group)]
    assert doses(read(*both)) == [("levothyroxine", ["100"]), ("levothyroxine", ["50"])]


def test_a_renewal_is_no_change_of_the_regimen() -> None:
    record = read(order("2025-10-01", days=90), order("2025-12-30", days=90))
    assert record.facts.regimen_changed_days_ago == 170


def weekly(id_: str, micrograms: int, *days: str) -> Json:
    return request(LT4, dosage(ucum(micrograms, "ug"), repeat(dayOfWeek=list(days))), id=id_)


WORK = ("mon", "tue", "wed", "thu", "fri")


def test_orders_on_days_of_their_own_that_fill_the_week_are_one_regimen() -> None:
    record = read(weekly("a", 50, *WORK), weekly("b", 75, "sat", "sun"))
    assert record.questions == ()
    assert record.regimen.t4_ug * 7 == 400
    assert [c.expression for c in record.confirm] == [ONE]


def test_an_order_of_one_weekday_is_judged_with_the_order_of_the_other_days() -> None:
    """75 µg on Sundays is 11 a day by itself, which nobody takes; beside 50 µg it is a regimen."""
    rest = weekly("b", 50, "mon", "tue", "wed", "thu", "fri", "sat")
    for pair in ((weekly("a", 75, "sun"), rest), (rest, weekly("a", 75, "sun"))):
        record = read(*pair)
        assert record.questions == ()
        assert record.regimen.t4_ug * 7 == 375
        assert "different days of the week" in record.confirm[-1].question


def test_an_order_of_one_weekday_that_nothing_makes_whole_is_asked_about() -> None:
    (question,) = read(weekly("a", 75, "sun")).questions
    assert question.expression == f"{ONE}.dosageInstruction[0]"
    assert "not plausible" in question.question
    both = read(weekly("a", 75, "sun"), weekly("b", 50, *WORK))
    assert [q.expression for q in both.questions] == [f"{ONE}.dosageInstruction[0]", TWO]
    assert doses(both) == [("levothyroxine", ["50"] * 5 + ["0"] * 2)]
    weekend = read(weekly("a", 75000, "sun"), weekly("b", 50, *WORK, "sat"))
    assert len(weekend.questions) == 1


def test_an_order_for_some_days_whose_supply_is_over_still_stands_beside_the_other_days() -> None:
    work = order("2025-06-01", on(*WORK), days=90)
    record = read(work, order("2025-12-30", on("sat", "sun", dose="1.5"), days=90))
    assert record.regimen.t4_ug * 7 == 800
    assert [c.expression for c in record.confirm] == [ONE]


@pytest.mark.parametrize(
    "week",
    [
        (weekly("a", 50, *WORK), weekly("b", 75, "fri", "sat", "sun")),
        (weekly("a", 50, *WORK), weekly("b", 150, "sun")),
        (weekly("a", 50, *WORK), request(LT4, dosage(ucum(75, "ug")), id="b")),
        (
            weekly("a", 50, *WORK),
            request(LT4, dosage(ucum(75, "ug"), repeat(frequency=2, period=1, periodUnit="wk"))),
        ),
    ],
    ids=["a day of both", "a day of neither", "every day", "days that are not named"],
)
def test_orders_whose_days_meet_or_leave_one_out_are_asked_about(week: tuple[Json, Json]) -> None:
    assert [q.expression for q in read(*week).questions] == [TWO]
