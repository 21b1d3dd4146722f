"""Shapes of dose met in public FHIR records, each read, asked about or refused.

The shapes are those listed as seen in public data: supply periods written as timing, bare
numbers, sigs alone, extension-only dosages, doubled words, STU3 leftovers.
"""

from collections.abc import Callable

import pytest
from fhir.resources.R4B.medicationstatement import MedicationStatement
from tests.unit.reading.records import (
    DAILY,
    LT3,
    LT4,
    LT4_100,
    ONE,
    RXNORM,
    SNOMED,
    THYROID,
    THYROID_60,
    UCUM,
    Json,
    asked,
    dosage,
    doses,
    read,
    repeat,
    request,
    statement,
    ucum,
)

from crossgrain.reading.elements import Asks

DOSAGE = "Bundle.entry[1].resource.dosage[0]"


READ: dict[str, tuple[Json, list[tuple[str, list[str]]]]] = {
    "an ingredient code with a dose in µg": (
        statement(LT4, dosage(ucum(100, "ug"))),
        [("levothyroxine", ["100"])],
    ),
    "a code without a unit string": (
        statement(LT4, dosage({"value": 100, "system": UCUM, "code": "ug"})),
        [("levothyroxine", ["100"])],
    ),
    "mcg claimed as UCUM": (
        statement(LT4, dosage(ucum(75, "mcg"))),
        [("levothyroxine", ["75"])],
    ),
    "the micro sign": (
        statement(LT4, dosage({"value": 75, "unit": "\u00b5g"})),
        [("levothyroxine", ["75"])],
    ),
    "the Greek mu": (
        statement(LT4, dosage({"value": 75, "unit": "\u03bcg"})),
        [("levothyroxine", ["75"])],
    ),
    "milligrams, exactly": (
        statement(LT4, dosage(ucum("0.075", "mg"))),
        [("levothyroxine", ["75"])],
    ),
    "grams": (statement(LT4, dosage(ucum("0.0001", "g"))), [("levothyroxine", ["100"])]),
    "tablets of a coded strength": (
        statement(LT4_100, dosage(ucum(1, "{tbl}"))),
        [("levothyroxine", ["100"])],
    ),
    "half a tablet": (
        statement(LT4_100, dosage(ucum("0.5", "{tbl}"))),
        [("levothyroxine", ["50"])],
    ),
    "a quarter tablet under the unit 1": (
        statement(LT4_100, dosage(ucum("0.25", "1"))),
        [("levothyroxine", ["25"])],
    ),
    "TAB of the orderable drug forms": (
        statement(
            LT4_100,
            dosage(
                {
                    "value": 2,
                    "system": "http://terminology.hl7.org/CodeSystem/v3-orderableDrugForm",
                    "code": "TAB",
                }
            ),
        ),
        [("levothyroxine", ["200"])],
    ),
    "a tablet as a SNOMED CT unit": (
        statement(LT4_100, dosage({"value": 1, "system": SNOMED, "code": "428673006"})),
        [("levothyroxine", ["100"])],
    ),
    "dayOfWeek beside one a day": (
        statement(
            LT4,
            dosage(
                ucum(100, "ug"),
                repeat(
                    frequency=1,
                    period=1,
                    periodUnit="d",
                    dayOfWeek=["mon", "tue", "wed", "thu", "fri"],
                ),
            ),
        ),
        [("levothyroxine", ["100", "100", "100", "100", "100", "0", "0"])],
    ),
    "alternate days": (
        statement(LT4, dosage(ucum(100, "ug"), repeat(frequency=1, period=2, periodUnit="d"))),
        [("levothyroxine", ["100", "0"])],
    ),
    "every 48 hours": (
        statement(LT4, dosage(ucum(100, "ug"), repeat(frequency=1, period=48, periodUnit="h"))),
        [("levothyroxine", ["100", "0"])],
    ),
    "every three days": (
        statement(LT4, dosage(ucum(200, "ug"), repeat(frequency=1, period=3, periodUnit="d"))),
        [("levothyroxine", ["200", "0", "0"])],
    ),
    "the code QOD": (
        statement(
            LT4,
            dosage(
                ucum(100, "ug"),
                {
                    "code": {
                        "coding": [
                            {
                                "system": "http://terminology.hl7.org/CodeSystem/v3-GTSAbbreviation",
                                "code": "QOD",
                            }
                        ]
                    }
                },
            ),
        ),
        [("levothyroxine", ["100", "0"])],
    ),
    "twice a day": (
        statement(LT3, dosage(ucum(5, "ug"), repeat(frequency=2, period=1, periodUnit="d"))),
        [("liothyronine", ["10"])],
    ),
    "every twelve hours": (
        statement(LT3, dosage(ucum(5, "ug"), repeat(frequency=1, period=12, periodUnit="h"))),
        [("liothyronine", ["10"])],
    ),
    "morning and evening": (
        statement(LT3, dosage(ucum(5, "ug"), repeat(when=["MORN", "EVE"]))),
        [("liothyronine", ["10"])],
    ),
    "two times of day": (
        statement(LT3, dosage(ucum(5, "ug"), repeat(timeOfDay=["08:00:00", "16:00:00"]))),
        [("liothyronine", ["10"])],
    ),
    "a weekly dose": (
        statement(LT4, dosage(ucum(700, "ug"), repeat(frequency=1, period=1, periodUnit="wk"))),
        [("levothyroxine", ["700", "0", "0", "0", "0", "0", "0"])],
    ),
    "desiccated thyroid in mg of the 60-mg family": (
        statement(THYROID, dosage(ucum(90, "mg"))),
        [("desiccated-thyroid-60", ["90"])],
    ),
    "desiccated thyroid in mg of the 65-mg family": (
        statement(THYROID, dosage(ucum("48.75", "mg"))),
        [("desiccated-thyroid-65", ["195/4"])],
    ),
    "a labelled grain, never UCUM's 64.8 mg": (
        statement(THYROID_60, dosage(ucum("1.5", "[gr]"))),
        [("desiccated-thyroid-60", ["90"])],
    ),
    "tablets and µg that say the same": (
        statement(
            LT4_100,
            {
                "timing": DAILY,
                "doseAndRate": [
                    {"doseQuantity": ucum(1, "{tbl}")},
                    {"doseQuantity": ucum(100, "ug")},
                ],
            },
        ),
        [("levothyroxine", ["100"])],
    ),
    "a range of one dose": (
        statement(
            LT4,
            {
                "timing": DAILY,
                "doseAndRate": [{"doseRange": {"low": ucum(100, "ug"), "high": ucum(100, "ug")}}],
            },
        ),
        [("levothyroxine", ["100"])],
    ),
    "a strength in the generic name": (
        statement({"text": "Levothyroxine Sodium 0.075 MG Oral Tablet"}, dosage(ucum(1, "{tbl}"))),
        [("levothyroxine", ["75"])],
    ),
    "thyroid 60 mg tab": (
        statement({"text": "thyroid 60 mg tab"}, dosage(ucum(2, "{tbl}"))),
        [("desiccated-thyroid-60", ["120"])],
    ),
    "a solution by its concentration": (
        statement({"text": "levothyroxine 25 mcg/mL oral solution"}, dosage(ucum(3, "mL"))),
        [("levothyroxine", ["75"])],
    ),
    "a fixed ratio by its two contents": (
        statement(
            {"text": "levothyroxine sodium 0.05 MG / liothyronine sodium 0.0125 MG Oral Tablet"},
            dosage(ucum(1, "{tbl}")),
        ),
        [("fixed-ratio-4-1", ["50"])],
    ),
    "desiccated thyroid named by its content": (
        statement({"text": "Levothyroxine 38 mcg / Liothyronine 9 mcg"}, dosage(ucum(2, "{tbl}"))),
        [("desiccated-thyroid-60", ["120"])],
    ),
    "a doubled word in a sig": (
        statement(LT4, {"text": "75mcg daily daily"}),
        [("levothyroxine", ["75"])],
    ),
    "by mouth, as a code and as words": (
        statement(
            LT4,
            dosage(
                ucum(100, "ug"),
                route={"coding": [{"system": SNOMED, "code": "26643006"}], "text": "Oral route"},
            ),
        ),
        [("levothyroxine", ["100"])],
    ),
    "a branded tablet by its code": (
        statement({"coding": [{"system": RXNORM, "code": "966247"}]}, dosage(ucum(1, "{tbl}"))),
        [("levothyroxine", ["50"])],
    ),
    "a sig alone, with the strength in the name": (
        statement(
            {
                "coding": [{"system": RXNORM, "code": "10582"}],
                "text": "levothyroxine 100 mcg tablet",
            },
            {"text": "1 tab po qd"},
        ),
        [("levothyroxine", ["100"])],
    ),
    "more in the evening on some days than by the morning dose alone": (
        statement(
            LT3,
            dosage(ucum(5, "ug"), repeat(when=["MORN"], frequency=1, period=1, periodUnit="d")),
            dosage(ucum(5, "ug"), repeat(when=["HS"], dayOfWeek=["mon", "fri"])),
        ),
        [
            ("liothyronine", ["5"]),
            ("liothyronine", ["5", "0", "0", "0", "5", "0", "0"]),
        ],
    ),
    "seven in the morning, said as an event too": (
        statement(LT4, dosage(ucum(50, "ug"), repeat(timeOfDay=["07:00:00"], when=["MORN"]))),
        [("levothyroxine", ["50"])],
    ),
    "two dosages on different days": (
        statement(
            LT4,
            dosage(ucum(100, "ug"), repeat(dayOfWeek=["mon", "wed", "fri"])),
            dosage(ucum(75, "ug"), repeat(dayOfWeek=["tue", "thu", "sat", "sun"])),
        ),
        [
            ("levothyroxine", ["100", "0", "100", "0", "100", "0", "0"]),
            ("levothyroxine", ["0", "75", "0", "75", "0", "75", "75"]),
        ],
    ),
}


@pytest.mark.parametrize(("resource", "expected"), READ.values(), ids=READ.keys())
def test_a_shape_that_is_certain_is_read(
    resource: Json, expected: list[tuple[str, list[str]]]
) -> None:
    record = read(resource)
    assert doses(record) == expected
    assert record.questions == ()


@pytest.mark.parametrize("resource", [r for r, _ in READ.values()], ids=READ.keys())
def test_a_shape_that_is_read_is_legal_fhir(resource: Json) -> None:
    """By fhir.resources, an independent model of R4B, whose statement is that of R4."""
    assert MedicationStatement.model_validate(resource).status == "active"


ASKED: dict[str, tuple[Json, str]] = {
    "one tablet per 60 days, which is the supply": (
        statement(
            LT4_100, dosage(ucum(1, "{tbl}"), repeat(frequency=1, period=60, periodUnit="d"))
        ),
        f"{DOSAGE}.timing.repeat",
    ),
    "78 tablets per 90 days": (
        statement(
            LT4_100, dosage(ucum(1, "{tbl}"), repeat(frequency=78, period=90, periodUnit="d"))
        ),
        f"{DOSAGE}.timing.repeat",
    ),
    "a month": (
        statement(LT4, dosage(ucum(100, "ug"), repeat(frequency=1, period=1, periodUnit="mo"))),
        f"{DOSAGE}.timing.repeat",
    ),
    "a dose of 1 with no unit": (
        statement(LT4_100, dosage({"value": 1})),
        f"{DOSAGE}.doseAndRate[0].dose",
    ),
    "a dose without a value": (
        statement(LT4_100, dosage({"unit": "tablet"})),
        f"{DOSAGE}.doseAndRate[0].dose",
    ),
    "an unknown unit": (
        statement(LT4_100, dosage({"value": 1, "unit": "scoop"})),
        f"{DOSAGE}.doseAndRate[0].dose.unit",
    ),
    "a UCUM code that is no dose unit": (
        statement(LT4_100, dosage(ucum(1, "cm"))),
        f"{DOSAGE}.doseAndRate[0].dose.code",
    ),
    "a unit whose code and text differ": (
        statement(LT4, dosage(ucum(100, "ug", unit="mg"))),
        f"{DOSAGE}.doseAndRate[0].dose",
    ),
    "a bound as a dose": (
        statement(LT4, dosage(ucum(100, "ug", comparator="<"))),
        f"{DOSAGE}.doseAndRate[0].dose.comparator",
    ),
    "tablets of unknown strength": (
        statement(LT4, dosage(ucum(1, "{tbl}"))),
        f"{DOSAGE}.doseAndRate[0].dose",
    ),
    "no dosage at all": (statement(LT4), "Bundle.entry[1].resource"),
    "a dosage that is only an extension": (
        statement(LT4, {"extension": [{"url": "https://ehr.example/x", "valueString": "y"}]}),
        DOSAGE,
    ),
    "the STU3 shape, by name": (
        statement(LT4, {"timing": DAILY, "doseQuantity": ucum(100, "ug")}),
        DOSAGE,
    ),
    "a sig that is not in the grammar": (
        statement(LT4_100, {"text": "1 tab as directed"}),
        f"{DOSAGE}.text",
    ),
    "a sig that goes on": (
        statement(LT4, {"text": "50 mcg daily then 100 mcg daily"}),
        f"{DOSAGE}.text",
    ),
    "a dose range": (
        statement(
            LT4,
            {
                "timing": DAILY,
                "doseAndRate": [{"doseRange": {"low": ucum(75, "ug"), "high": ucum(100, "ug")}}],
            },
        ),
        f"{DOSAGE}.doseAndRate[0].dose",
    ),
    "a rate": (
        statement(LT4, {"timing": DAILY, "doseAndRate": [{"rateQuantity": ucum(1, "ug/h")}]}),
        f"{DOSAGE}.doseAndRate[0].rate",
    ),
    "a frequency range": (
        statement(
            LT3,
            dosage(ucum(5, "ug"), repeat(frequency=1, frequencyMax=2, period=1, periodUnit="d")),
        ),
        f"{DOSAGE}.timing.repeat.frequencyMax",
    ),
    "a period range": (
        statement(
            LT3,
            dosage(ucum(5, "ug"), repeat(frequency=1, period=1, periodMax=2, periodUnit="d")),
        ),
        f"{DOSAGE}.timing.repeat.periodMax",
    ),
    "36 hours": (
        statement(LT4, dosage(ucum(100, "ug"), repeat(frequency=1, period=36, periodUnit="h"))),
        f"{DOSAGE}.timing.repeat",
    ),
    "a period without its unit": (
        statement(LT4, dosage(ucum(100, "ug"), repeat(frequency=1, period=1))),
        f"{DOSAGE}.timing.repeat",
    ),
    "a list of moments": (
        statement(LT4, dosage(ucum(100, "ug"), {"event": ["2026-03-01"]})),
        f"{DOSAGE}.timing.event",
    ),
    "a timing of bounds alone": (
        statement(LT4, dosage(ucum(100, "ug"), repeat(boundsPeriod={"start": "2026-01-01"}))),
        f"{DOSAGE}.timing",
    ),
    "three days named and one dose a week": (
        statement(
            LT4,
            dosage(
                ucum(100, "ug"),
                repeat(frequency=1, period=1, periodUnit="wk", dayOfWeek=["mon", "wed", "fri"]),
            ),
        ),
        f"{DOSAGE}.timing.repeat",
    ),
    "once a day at two moments": (
        statement(
            LT4,
            dosage(
                ucum(100, "ug"),
                repeat(frequency=1, period=1, periodUnit="d", when=["MORN", "EVE"]),
            ),
        ),
        f"{DOSAGE}.timing.repeat",
    ),
    "before meals, however many": (
        statement(LT4, dosage(ucum(100, "ug"), repeat(when=["AC"]))),
        f"{DOSAGE}.timing",
    ),
    "words of a timing and a repeat that differ": (
        statement(LT4, dosage(ucum(100, "ug"), {**DAILY, "code": {"text": "twice daily"}})),
        f"{DOSAGE}.timing",
    ),
    "a code of one's own and a repeat that differ": (
        statement(LT4, dosage(ucum(100, "ug"), {**DAILY, "code": {"coding": [{"code": "BID"}]}})),
        f"{DOSAGE}.timing",
    ),
    "half tablets that are counted, beside as many whole ones": (
        statement(LT4_100, dosage(ucum(2, "{tbl}"), text="take 2 half tablets daily")),
        DOSAGE,
    ),
    "more events of a day than times of it": (
        statement(
            LT4, dosage(ucum(100, "ug"), repeat(when=["MORN", "EVE"], timeOfDay=["08:00:00"]))
        ),
        f"{DOSAGE}.timing.repeat",
    ),
    "a code and a repeat that differ": (
        statement(
            LT4,
            dosage(
                ucum(100, "ug"),
                {
                    **DAILY,
                    "code": {
                        "coding": [
                            {
                                "system": "http://terminology.hl7.org/CodeSystem/v3-GTSAbbreviation",
                                "code": "BID",
                            }
                        ]
                    },
                },
            ),
        ),
        f"{DOSAGE}.timing",
    ),
    "as needed": (
        statement(LT4, dosage(ucum(100, "ug"), asNeededBoolean=True)),
        f"{DOSAGE}.asNeeded",
    ),
    "as needed for a reason": (
        statement(LT4, dosage(ucum(100, "ug"), asNeededCodeableConcept={"text": "tired"})),
        f"{DOSAGE}.asNeeded",
    ),
    "a coded dose and words that differ": (
        statement(LT4_100, dosage(ucum(1, "{tbl}"), text="Take 2 tablets daily")),
        DOSAGE,
    ),
    "a coded frequency and another in words that go on": (
        statement(
            LT4_100,
            dosage(
                ucum(1, "{tbl}"),
                repeat(frequency=4, period=1, periodUnit="d"),
                text="One tablet daily for 4 days",
            ),
        ),
        DOSAGE,
    ),
    "coded tablets and others in words that go on": (
        statement(LT4_100, dosage(ucum(1, "{tbl}"), text="2 tablets daily as directed")),
        DOSAGE,
    ),
    "a coded mass and another in words that go on": (
        statement(LT4, dosage(ucum(100, "ug"), text="75 mcg daily as directed")),
        DOSAGE,
    ),
    "tablets and µg that differ": (
        statement(
            LT4_100,
            {
                "timing": DAILY,
                "doseAndRate": [
                    {"doseQuantity": ucum(1, "{tbl}")},
                    {"doseQuantity": ucum(75, "ug")},
                ],
            },
        ),
        DOSAGE,
    ),
    "mg for µg": (statement(LT4, dosage(ucum(100, "mg"))), DOSAGE),
    "a milligram of levothyroxine": (statement(LT4, dosage(ucum("1.0", "mg"))), DOSAGE),
    "ten times too little": (statement(LT4, dosage(ucum(10, "ug"))), DOSAGE),
    "ten times too much liothyronine": (statement(LT3, dosage(ucum(250, "ug"))), DOSAGE),
    "ten times too much desiccated thyroid": (
        statement(THYROID_60, dosage(ucum(600, "mg"))),
        DOSAGE,
    ),
    "µg for mg of desiccated thyroid": (
        statement(THYROID_60, dosage(ucum(60, "ug"))),
        f"{DOSAGE}.doseAndRate[0].dose",
    ),
    "a dose of the other family's tablets": (
        statement(THYROID_60, dosage(ucum(65, "mg"))),
        f"{DOSAGE}.doseAndRate[0].dose",
    ),
    "a dose that no pieces of the named tablet make": (
        statement(LT4_100, dosage(ucum(112, "ug"))),
        f"{DOSAGE}.doseAndRate[0].dose",
    ),
    "two dosages that come to too much together": (
        statement(
            LT4,
            dosage(ucum(300, "ug"), repeat(when=["MORN"], frequency=1, period=1, periodUnit="d")),
            dosage(ucum(250, "ug"), repeat(when=["HS"], frequency=1, period=1, periodUnit="d")),
        ),
        "Bundle.entry[1].resource.dosage",
    ),
    "one dosage that is certain beside one that is not": (
        statement(LT4, dosage(ucum(100, "ug")), dosage({"value": 1})),
        "Bundle.entry[1].resource.dosage[1].doseAndRate[0].dose",
    ),
    "an intravenous dose": (
        statement(
            LT4,
            dosage(ucum(100, "ug"), route={"coding": [{"system": SNOMED, "code": "47625008"}]}),
        ),
        f"{DOSAGE}.route",
    ),
    "a route by mouth by its code and by vein in words": (
        statement(
            LT4,
            dosage(
                ucum(100, "ug"),
                route={
                    "coding": [{"system": SNOMED, "code": "26643006"}],
                    "text": "IV, slowly",
                },
            ),
        ),
        f"{DOSAGE}.route",
    ),
    "a route in words that is not by mouth": (
        statement(LT4, dosage(ucum(100, "ug"), route={"text": "intramuscular"})),
        f"{DOSAGE}.route",
    ),
    "a dosage for Sundays beside one for every day": (
        statement(LT4, dosage(ucum(50, "ug"), repeat(dayOfWeek=["sun"])), dosage(ucum(100, "ug"))),
        "Bundle.entry[1].resource.dosage",
    ),
    "two dosages for days that meet on Tuesday": (
        statement(
            LT4,
            dosage(ucum(100, "ug"), repeat(dayOfWeek=["mon", "tue"])),
            dosage(ucum(75, "ug"), repeat(dayOfWeek=["tue", "wed", "thu", "fri", "sat", "sun"])),
        ),
        "Bundle.entry[1].resource.dosage",
    ),
    "seven in the morning beside in the evening": (  # FHIR: tim-10, one or the other
        statement(LT4, dosage(ucum(50, "ug"), repeat(timeOfDay=["07:00:00"], when=["EVE"]))),
        f"{DOSAGE}.timing.repeat",
    ),
    "two dosages that say the same": (
        statement(LT4, dosage(ucum(100, "ug")), dosage(ucum(100, "ug"))),
        "Bundle.entry[1].resource.dosage",
    ),
    "dosages in sequence without dates": (
        statement(LT4, dosage(ucum(50, "ug"), sequence=1), dosage(ucum(100, "ug"), sequence=2)),
        "Bundle.entry[1].resource.dosage",
    ),
    "97.5 mg, which both families make": (
        statement(THYROID, dosage(ucum("97.5", "mg"))),
        f"{DOSAGE}.doseAndRate[0].dose",
    ),
    "millilitres without a concentration": (
        statement(LT4, dosage(ucum(5, "mL"))),
        f"{DOSAGE}.doseAndRate[0].dose",
    ),
    "grains of levothyroxine": (
        statement(LT4, dosage(ucum(1, "[gr]"))),
        f"{DOSAGE}.doseAndRate[0].dose",
    ),
    "a code and words for different tablets": (
        statement(
            {
                "coding": [{"system": RXNORM, "code": "966222"}],
                "text": "levothyroxine 50 mcg tablet",
            },
            dosage(ucum(1, "{tbl}")),
        ),
        "Bundle.entry[1].resource.medication",
    ),
    "a code and words for different hormones": (
        statement(
            {"coding": [{"system": RXNORM, "code": "10582"}], "text": "liothyronine"},
            dosage(ucum(25, "ug")),
        ),
        "Bundle.entry[1].resource.medication",
    ),
    "a compounded sustained-release product": (
        statement({"text": "liothyronine SR compounded capsule"}, dosage(ucum(15, "ug"))),
        "Bundle.entry[1].resource.medication",
    ),
    "levothyroxine with iodide, 100/100": (
        statement({"text": "levothyroxine/potassium iodide 100/100"}, dosage(ucum(1, "{tbl}"))),
        "Bundle.entry[1].resource.medication",
    ),
    "an instance-order": (
        request(LT4, dosage(ucum(100, "ug")), intent="instance-order"),
        "Bundle.entry[1].resource.intent",
    ),
    "a national product number alone": (
        statement(
            {"coding": [{"system": "https://products.example", "code": "123456"}]},
            dosage(ucum(1, "{tbl}")),
            medicationCodeableConcept={},
        ),
        "Bundle.entry[1].resource.medication",
    ),
}


@pytest.mark.parametrize(("resource", "expression"), ASKED.values(), ids=ASKED.keys())
def test_a_shape_that_leaves_a_choice_is_asked_about(resource: Json, expression: str) -> None:
    record = read(resource)
    assert asked(record) == [expression]
    assert doses(record) == []


ABSENT = {
    "url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason",
    "valueCode": "unknown",
}


@pytest.mark.parametrize(
    ("name", "given"), [("timeOfDay", "08:00:00"), ("when", "MORN"), ("dayOfWeek", "mon")]
)
def test_a_day_or_time_that_is_not_given_is_asked_in_our_words(name: str, given: str) -> None:
    """FHIR R4, JSON, primitive elements in arrays: ``null`` where there is only an extension."""
    timing = repeat(
        **{name: [given, None], f"_{name}": [None, {"extension": [ABSENT]}]},
        **(DAILY["repeat"] if name != "dayOfWeek" else {}),
    )
    (question,) = read(statement(LT4, dosage(ucum(100, "ug"), timing))).questions
    assert question.expression == f"{DOSAGE}.timing.repeat.{name}[1]"
    assert "is not given" in question.question


@pytest.mark.parametrize("medicine", [statement, request])
def test_a_status_that_is_said_to_be_unknown_is_asked(medicine: Callable[..., Json]) -> None:
    resource = medicine(LT4, dosage(ucum(100, "ug"))) | {"_status": {"extension": [ABSENT]}}
    del resource["status"]
    (question,) = read(resource).questions
    assert (question.expression, question.asks) == (f"{ONE}.status", Asks.TAKEN)


def test_an_intent_that_is_said_to_be_unknown_is_asked() -> None:
    resource = request(LT4, dosage(ucum(100, "ug"))) | {"_intent": {"extension": [ABSENT]}}
    del resource["intent"]
    (question,) = read(resource).questions
    assert (question.expression, question.asks) == (f"{ONE}.intent", Asks.TAKEN)


def test_a_medicine_known_by_an_unknown_code_alone_is_asked_about() -> None:
    ndc = {"coding": [{"system": "http://hl7.org/fhir/sid/ndc", "code": "0000-0000-00"}]}
    record = read(statement(ndc, dosage(ucum(1, "{tbl}"))))
    assert asked(record) == ["Bundle.entry[1].resource.medication"]


def test_a_branded_tablet_of_one_source_is_known_and_its_strength_asked_for() -> None:
    branded = {"coding": [{"system": RXNORM, "code": "966153"}]}
    assert asked(read(statement(branded, dosage(ucum(1, "{tbl}"))))) == [
        f"{DOSAGE}.doseAndRate[0].dose"
    ]
    assert doses(read(statement(branded, dosage(ucum(25, "ug"))))) == [("levothyroxine", ["25"])]


def test_an_implausible_dose_is_shown_in_the_question() -> None:
    record = read(statement(LT4, dosage(ucum(100, "mg"))))
    assert "100000 micrograms" in record.questions[0].question


def test_an_stu3_shape_is_named() -> None:
    record = read(statement(LT4, {"timing": DAILY, "doseQuantity": ucum(100, "ug")}))
    assert "STU3" in record.questions[0].question


def test_what_was_read_from_text_is_to_be_confirmed() -> None:
    record = read(statement(LT4, {"text": "75 mcg daily"}))
    assert record.current[0].from_text
    assert "75 micrograms" in record.confirm[0].question


def test_a_coded_dose_of_a_coded_medicine_needs_no_confirmation() -> None:
    record = read(statement(LT4_100, dosage(ucum(1, "{tbl}"), text="1 tablet daily")))
    assert not record.current[0].from_text
    assert record.confirm == ()


@pytest.mark.parametrize(
    "words",
    [
        "1 tablet daily as the nurse showed",
        "1 tablet (100 mcg) daily from the blue box",
        "take 1 tab every morning with the other tablets",
    ],
)
def test_words_that_go_on_and_agree_are_to_be_confirmed_and_not_asked_about(words: str) -> None:
    record = read(statement(LT4_100, dosage(ucum(1, "{tbl}"), text=words)))
    assert doses(record) == [("levothyroxine", ["100"])]
    assert [each.expression for each in record.confirm] == [f"{DOSAGE}.text"]


def test_words_that_were_not_compared_are_to_be_confirmed() -> None:
    record = read(statement(LT4_100, dosage(ucum(1, "{tbl}"), text="as the nurse says")))
    assert [each.expression for each in record.confirm] == [f"{DOSAGE}.text"]


def test_grains_of_an_unshown_family_are_read_and_confirmed() -> None:
    record = read(statement({"text": "thyroid 1.5 grain tab"}, dosage(ucum(1, "{tbl}"))))
    assert doses(record) == [("desiccated-thyroid-60", ["90"])]
    assert any("60 mg per grain" in c.question for c in record.confirm)


RATES: list[Json] = [
    {"rateQuantity": ucum(100, "ug/d")},
    {"rateRange": {"low": ucum(50, "ug/d"), "high": ucum(100, "ug/d")}},
    {"rateRatio": {"numerator": ucum(100, "ug"), "denominator": ucum(1, "d")}},
]


@pytest.mark.parametrize("rate", RATES)
def test_a_rate_beside_a_dose_is_asked_about_in_each_of_its_shapes(rate: Json) -> None:
    """A tablet has no rate: one beside a dose says that something else is meant."""
    both = {"doseQuantity": ucum(100, "ug"), **rate}
    record = read(statement(LT4, {"timing": DAILY, "doseAndRate": [both]}))
    assert asked(record) == [f"{DOSAGE}.doseAndRate[0].rate"]


@pytest.mark.parametrize(
    ("code", "per_day"),
    [("BED", 1), ("AM", 1), ("PM", 1), ("QD", 1), ("BID", 2), ("TID", 3), ("QID", 4),
     ("Q4H", 6), ("Q6H", 4), ("Q8H", 3)],
)  # fmt: skip
def test_a_timing_code_means_what_its_code_system_says(code: str, per_day: int) -> None:
    """HL7 timing-abbreviation: BED is at bedtime, once; a doubled dose would be silent."""
    system = "http://terminology.hl7.org/CodeSystem/v3-GTSAbbreviation"
    timing = {"code": {"coding": [{"system": system, "code": code}]}}
    record = read(statement(LT3, dosage(ucum(5, "ug"), timing)))
    assert doses(record) == [("liothyronine", [str(5 * per_day)])]


def test_a_timing_code_that_is_not_read_is_asked_about_although_a_repeat_stands_beside_it() -> None:
    system = "http://terminology.hl7.org/CodeSystem/v3-GTSAbbreviation"
    timing = {**DAILY, "code": {"coding": [{"system": system, "code": "MO"}]}}
    assert asked(read(statement(LT4, dosage(ucum(100, "ug"), timing)))) == [f"{DOSAGE}.timing.code"]


@pytest.mark.parametrize(
    ("period", "unit", "per_day"), [(1440, "min", 1), (720, "min", 2), (86400, "s", 1)]
)
def test_a_period_in_minutes_or_seconds_is_led_to_days(
    period: int, unit: str, per_day: int
) -> None:
    """A day has 1440 minutes (UCUM: 1 d = 24 h, 1 h = 60 min)."""
    timing = repeat(frequency=1, period=period, periodUnit=unit)
    record = read(statement(LT3, dosage(ucum(5, "ug"), timing)))
    assert doses(record) == [("liothyronine", [str(5 * per_day)])]
