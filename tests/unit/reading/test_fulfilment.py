"""What was handed out for an order, held against the order's dose.

FHIR R4, ``MedicationDispense.authorizingPrescription``: "the medication order that is being
dispensed against"; ``MedicationRequest.dispenseRequest.quantity``: "the amount that is to be
dispensed for one fill". Which of them to ask about is our judgement. Read on 2026-03-20.
"""

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
    TABLET,
    Json,
    asked,
    bundle,
    dosage,
    doses,
    read,
    read_bundle,
    request,
    statement,
    ucum,
)
from tests.unit.reading.test_currency import bounded
from tests.unit.reading.test_dispenses import LT4_50, handed

from crossgrain.names.identity import FhirVersion
from crossgrain.reading.posing import posed_in
from crossgrain.reading.reader import read_record

LT4_25: Json = {"text": "levothyroxine 25 mcg tablet"}
LT4_75: Json = {"text": "levothyroxine 75 mcg tablet"}
HUNDRED = dosage(ucum(100, "ug"))
ORDER = request(LT4, HUNDRED)
FOR_R1: Json = {"authorizingPrescription": [{"reference": "MedicationRequest/r1"}]}


def filled(medicine: Json = LT4_50, *dosages: Json, **more: Any) -> Json:
    """Handed out for the order."""
    return handed(medicine, *(dosages or (TABLET,)), **{"on": 11, **more}, **FOR_R1)


ANOTHER_DOSE: dict[str, tuple[Json, ...]] = {
    "half the strength, one a day": (ORDER, filled(tablets=30, days=30)),
    "its words": (ORDER, filled(LT4_50, {"text": "Take 1 tablet by mouth daily"})),
    "neither days nor tablets are told": (ORDER, filled(tablets=None, days=None)),
    "the last of two": (ORDER, filled(LT4_100, id="d0", on=40), filled()),
    "on the day of reading": (ORDER, filled(on=0)),
    "one of two orders": (ORDER, request(LT3, dosage(ucum(5, "ug")), id="r2"), filled()),
}


@pytest.mark.parametrize("resources", ANOTHER_DOSE.values(), ids=ANOTHER_DOSE.keys())
def test_an_order_of_which_another_dose_was_handed_out_is_asked_about(
    resources: tuple[Json, ...],
) -> None:
    record = read(*resources)
    assert asked(record) == [ONE]
    assert "The order says 100 micrograms a day, and what was" in record.questions[0].question
    assert "says 50 micrograms a day" in record.questions[0].question


ONLY_COUNTED: dict[str, tuple[Json, ...]] = {
    "two tablets a day, without a dosage": (ORDER, handed(LT4_100, tablets=180, **FOR_R1)),
    "two a day beside a dosage of one": (ORDER, filled(LT4_100, tablets=180)),
    "half a tablet, as directed": (ORDER, filled(LT4_100, {"text": "as directed"}, tablets=45)),
    "an order's own tablets": (
        request(LT4_100, TABLET, dispenseRequest={
            "quantity": ucum(180, "{tbl}"), "expectedSupplyDuration": ucum(90, "d")}),),
}  # fmt: skip


@pytest.mark.parametrize("resources", ONLY_COUNTED.values(), ids=ONLY_COUNTED.keys())
def test_tablets_that_come_to_another_dose_are_to_be_confirmed(resources: tuple[Json, ...]) -> None:
    record = read(*resources)
    assert asked(record) == []
    assert doses(record) == [("levothyroxine", ["100"])]
    assert [each.expression for each in record.confirm] == [ONE]
    assert "taken as ordered" in record.confirm[0].question


def supplied(tablets: int, days: int, repeats: int = 0) -> Json:
    supply: Json = {
        "quantity": ucum(tablets, "{tbl}"), "expectedSupplyDuration": ucum(days, "d"),
        "numberOfRepeatsAllowed": repeats,
    }  # fmt: skip
    return request(LT4_100, TABLET, dispenseRequest=supply)


AGREED: dict[str, tuple[Json, ...]] = {
    "the same": (ORDER, filled(LT4_100)),
    "two of half the strength": (ORDER, filled(LT4_50, dosage(ucum(2, "{tbl}")), tablets=180)),
    "two strengths together": (
        ORDER, filled(LT4_75, id="d0"), filled(LT4_25),
    ),
    "two strengths together, and an older one": (
        ORDER, filled(LT4_100, id="d9", on=40), filled(LT4_75, id="d0"), filled(LT4_25),
    ),
    "another strength that was used up": (ORDER, filled(on=140)),
    "for an order before": (ORDER, {**filled(), "authorizingPrescription": [
        {"reference": "MedicationRequest/r0"}]}),
    "for no order that is named": (ORDER, handed(LT4_50, TABLET, on=11)),
    "before today's dose was ordered": (ORDER, filled(on=75)),
    "another hormone": (ORDER, statement(LT3, dosage(ucum(5, "ug"))), filled(LT3)),
    "not handed over": (ORDER, filled(status="cancelled")),
    "a strength that is not told": (ORDER, filled(LT4, {"text": "as directed"})),
    "some tablets left over": (ORDER, handed(LT4_100, tablets=78, **FOR_R1)),
    "a step of the order that comes": (
        request(LT4, bounded("2026-01-05", "2026-03-24", 100, sequence=1),
                bounded("2026-03-25", None, 50, sequence=2)),
        filled(),
    ),
    "an order that is not taken": (request(LT4, HUNDRED, status="stopped"), filled()),
    "its own tablets": (supplied(90, 90),),
    "tablets of one supply, and the length of all": (supplied(90, 360, 3),),
    "all tablets, and the length of one supply": (supplied(360, 90, 3),),
}  # fmt: skip


@pytest.mark.parametrize("resources", AGREED.values(), ids=AGREED.keys())
def test_what_agrees_or_tells_nothing_of_the_order_is_no_question(
    resources: tuple[Json, ...],
) -> None:
    record = read(*resources)
    assert asked(record) == []
    assert record.confirm == ()


def test_either_answer_settles_it() -> None:
    """The dose of the order as its choice, and any other given by hand."""
    held = bundle(*ANOTHER_DOSE["its words"])
    look: dict[str, Any] = {
        "version": FhirVersion.R4, "as_of": AS_OF, "codes": CODES, "preparations": PREPARATIONS,
    }  # fmt: skip
    (posed,) = posed_in(held, read_bundle(held).questions, **look).posed
    assert [choice.code for choice in posed.choices] == [
        "levothyroxine_100", "not-taken", "otherwise",
    ]  # fmt: skip
    change = posed.choices[0].change
    entries = [
        {**entry, "resource": change.resources.get(number, entry["resource"])}
        for number, entry in enumerate(held["entry"])
    ]
    record = read_record({**held, "entry": entries}, settled=change.settled, **look)
    assert asked(record) == []
    assert doses(record) == [("levothyroxine", ["100"])]
