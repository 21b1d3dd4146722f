"""Records in which pharmacies alone tell of a hormone: asked about, with the dose filled in.

A hand-over is no dose taken. How long tablets last, and that a renewal may come 45 days late
(`record.renewal_days`), are our judgement, no source. The record is read on 2026-03-20.
"""

from datetime import timedelta
from typing import Any

import pytest
from tests.unit.reading.records import (
    AS_OF,
    CODES,
    LT3,
    LT4,
    LT4_100,
    ONE,
    PREPARATIONS,
    SUBJECT,
    TABLET,
    THYROID_60,
    Json,
    asked,
    bundle,
    dosage,
    doses,
    encoded,
    read,
    repeat,
    request,
    statement,
    ucum,
)

from crossgrain.names.identity import FhirVersion
from crossgrain.reading.json import parse
from crossgrain.reading.reader import read_course
from crossgrain.screening.course import TakingHistory, Undecided

RENEWAL = CODES.believed.renewal_days
LT4_50: Json = {"text": "levothyroxine 50 mcg tablet"}
TWO = "Bundle.entry[2].resource"


def ago(days: int) -> str:
    return (AS_OF - timedelta(days=days)).isoformat()


def handed(
    medicine: Json = LT4_100, *dosages: Json, on: int = 30, tablets: Any = 90, days: Any = 90,
    **more: Any,
) -> Json:  # fmt: skip
    """So many tablets for so many days, handed out so many days ago."""
    made: Json = {
        "resourceType": "MedicationDispense",
        "id": "d1",
        "status": "completed",
        "medicationCodeableConcept": medicine,
        "subject": SUBJECT,
        "whenHandedOver": ago(on),
        **({"quantity": ucum(tablets, "{tbl}")} if tablets else {}),
        **({"daysSupply": ucum(days, "d")} if days else {}),
        **({"dosageInstruction": list(dosages)} if dosages else {}),
    }
    return {**made, **more}


FILLED_IN = {
    "tablets over days": (handed(), "100 micrograms a day of levothyroxine sodium"),
    "half a tablet over days": (
        handed(tablets=45), "50 micrograms a day of levothyroxine sodium"),
    "its dosage": (
        handed(LT4_100, TABLET, tablets=None, days=None),
        "100 micrograms a day of levothyroxine sodium"),
    "its words": (
        handed(LT4_50, {"text": "Take 2 tablets by mouth daily"}, tablets=180),
        "100 micrograms a day of levothyroxine sodium"),
    "its dosage where tablets were left over": (
        handed(LT4_100, TABLET, tablets=100), "100 micrograms a day of levothyroxine sodium"),
    "desiccated thyroid": (
        handed(THYROID_60), "60 mg a day of desiccated thyroid"),
    "a dose of some days": (
        handed(LT4_100, dosage(ucum(1, "{tbl}"), repeat(frequency=1, period=2, periodUnit="d")),
               tablets=None),
        "50 micrograms a day of levothyroxine sodium"),
}  # fmt: skip


@pytest.mark.parametrize(("resource", "dose"), FILLED_IN.values(), ids=FILLED_IN.keys())
def test_what_was_handed_out_alone_is_asked_about_with_its_dose(resource: Json, dose: str) -> None:
    record = read(resource)
    assert asked(record) == [ONE]
    assert record.questions[0].question.startswith(f"{dose} were handed out 30 days before")
    assert record.questions[0].question.endswith("Is that what is taken now?")
    assert doses(record) == []


OPEN = {
    "no strength": handed(LT4),
    "no quantity": handed(tablets=None),
    "no days": handed(days=None),
    "a third of a tablet": handed(tablets=30),
    "days that are no whole number": handed(days="90.5"),
    "millilitres": handed(quantity=ucum(90, "mL")),
    "a dosage that is not read": handed(LT4_100, {"text": "as directed"}),
    "a dosage that the tablets contradict": handed(LT4_100, dosage(ucum(2, "{tbl}"))),
    "a dosage of another unit": handed(LT4_100, dosage(ucum(75, "ug"), text="2 tablets daily")),
}


@pytest.mark.parametrize("resource", OPEN.values(), ids=OPEN.keys())
def test_a_dose_that_a_hand_over_does_not_tell_is_asked_for(resource: Json) -> None:
    record = read(resource)
    assert asked(record) == [ONE]
    assert "How much of it is taken a day?" in record.questions[0].question


@pytest.mark.parametrize(("on", "over"), [(90, False), (91, True), (400, True)])
def test_a_supply_that_is_over_still_says_what_was_probably_taken(on: int, over: bool) -> None:
    (question,) = read(handed(on=on)).questions
    assert ("for 90 days that are over" in question.question) is over


NO_SIGN = {
    "declined": handed(status="declined"),
    "under way": handed(status="in-progress"),
    "not handed over": {k: v for k, v in handed().items() if k != "whenHandedOver"},
    "tomorrow": handed(on=-1),
    "metformin": handed({"text": "metformin"}),
}


@pytest.mark.parametrize("resource", NO_SIGN.values(), ids=NO_SIGN.keys())
def test_what_was_not_handed_out_is_no_sign(resource: Json) -> None:
    assert read(resource).questions == ()


TOLD = {
    "a statement": statement(LT4_100, TABLET),
    "an order": request(LT4_100, TABLET),
    "a statement that it was stopped": statement(LT4_100, TABLET, status="stopped"),
    "a statement that it is not taken": statement(LT4_100, TABLET, status="not-taken"),
    "an order that was stopped": request(LT4_100, TABLET, status="stopped"),
    "an order of the past": request(LT4_100, TABLET, status="completed"),
}


@pytest.mark.parametrize("resource", TOLD.values(), ids=TOLD.keys())
def test_a_hormone_of_which_the_record_speaks_is_not_asked_about_again(resource: Json) -> None:
    assert TWO not in asked(read(resource, handed()))


@pytest.mark.parametrize(
    "more", [{"status": "draft"}, {"intent": "proposal"}, {"authoredOn": ago(-3)}]
)
def test_an_order_that_nobody_takes_by_yet_does_not_speak_of_it(more: Json) -> None:
    assert TWO in asked(read(request(LT4_100, TABLET, **more), handed()))


@pytest.mark.parametrize(
    ("on", "is_asked"), [(90 + RENEWAL - 1, True), (90 + RENEWAL, True), (90 + RENEWAL + 1, False)]
)
def test_another_hormone_is_asked_about_while_its_supply_may_last(on: int, is_asked: bool) -> None:
    """Beside levothyroxine that is ordered: liothyronine that the pharmacy alone knows of."""
    record = read(request(LT4_100, TABLET), handed(LT3, on=on))
    assert (TWO in asked(record)) is is_asked


def test_each_tablet_that_still_lasts_is_asked_about_by_its_last_hand_over() -> None:
    record = read(
        handed(id="a", on=120),
        handed(id="b", on=30),
        handed(LT4_50, id="c", on=20),
        handed({"text": "levothyroxine 25 mcg tablet"}, id="d", on=300),
    )
    assert asked(record) == [TWO, "Bundle.entry[3].resource"]


def test_of_what_is_used_up_the_last_is_asked_about() -> None:
    record = read(handed(id="a", on=400), handed(LT4_50, id="b", on=250), handed(id="c", on=300))
    assert asked(record) == [TWO]


def test_a_statement_made_from_the_hand_over_answers() -> None:
    made_from = [{"reference": "MedicationDispense/d1"}]
    record = read(handed(), statement(LT4_100, TABLET, derivedFrom=made_from))
    assert record.questions == ()
    assert doses(record) == [("levothyroxine", ["100"])]


def course(*resources: Json) -> TakingHistory:
    return read_course(
        parse(encoded(bundle(*resources))), version=FhirVersion.R4, as_of=AS_OF, codes=CODES,
        preparations=PREPARATIONS,
    )  # fmt: skip


@pytest.mark.parametrize(
    "resources",
    [
        (request(LT4_100, TABLET), handed(THYROID_60)),
        (handed(LT4_100, id="a", on=200), handed(THYROID_60, id="b")),
        (request(LT4_100, TABLET, status="completed"), handed(THYROID_60)),
    ],
)
def test_a_second_preparation_that_was_only_handed_out_is_a_switch_in_doubt(
    resources: tuple[Json, ...],
) -> None:
    with pytest.raises(Undecided, match="handed out, and no order or statement"):
        course(*resources)


@pytest.mark.parametrize(
    "resources",
    [
        (request(LT4_100, TABLET), handed()),
        (handed(),),
        (request(LT4_100, TABLET), handed(THYROID_60, on=CODES.believed.order_days + 1)),
        (request(LT4_100, TABLET), handed(THYROID_60, status="declined")),
        (
            request(LT4_100, TABLET),
            request(THYROID_60, id="x", status="cancelled"),
            handed(THYROID_60),
        ),
    ],
)
def test_one_preparation_or_one_that_is_told_otherwise_is_no_switch_in_doubt(
    resources: tuple[Json, ...],
) -> None:
    assert course(*resources) == TakingHistory(())
