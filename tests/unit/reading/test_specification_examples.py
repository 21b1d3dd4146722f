"""Dosages of the HL7 FHIR R4 (4.0.1) specification's own MedicationRequest examples (CC0).

Each is read as if the medicine were levothyroxine: none of them is a thyroid dose, so none may
come out as one. The examples are named beside them.
"""

import pytest
from tests.unit.reading.records import (
    LT4,
    LT4_100,
    RXNORM,
    SNOMED,
    UCUM,
    Json,
    asked,
    read,
    request,
)

PATH = "Bundle.entry[1].resource.dosageInstruction"
FORMS = "http://terminology.hl7.org/CodeSystem/v3-orderableDrugForm"
ORDERED = {
    "type": {
        "coding": [
            {
                "system": "http://terminology.hl7.org/CodeSystem/dose-rate-type",
                "code": "ordered",
                "display": "Ordered",
            }
        ]
    }
}


def route(code: str, display: str) -> Json:
    return {"coding": [{"system": SNOMED, "code": code, "display": display}]}


ORAL = route("26643006", "Oral Route (qualifier value)")


def tablets(value: int) -> list[Json]:
    return [
        {**ORDERED, "doseQuantity": {"value": value, "unit": "TAB", "system": FORMS, "code": "TAB"}}
    ]


def quantity(value: int, code: str) -> list[Json]:
    return [
        {**ORDERED, "doseQuantity": {"value": value, "unit": code, "system": UCUM, "code": code}}
    ]


def every(frequency: int, period: int, unit: str) -> Json:
    return {"repeat": {"frequency": frequency, "period": period, "periodUnit": unit}}


# The second dosage of medrx0302 says "daily" in words and four a day in code.
MEDRX0302 = [
    {
        "sequence": 1,
        "text": "Two tablets at once",
        "timing": every(1, 1, "d"),
        "route": ORAL,
        "doseAndRate": tablets(2),
    },
    {
        "sequence": 2,
        "text": "One tablet daily for 4 days",
        "timing": every(4, 1, "d"),
        "route": ORAL,
        "doseAndRate": tablets(1),
    },
]
EXAMPLES: dict[str, tuple[Json, list[Json], str]] = {
    "medrx0302": (LT4_100, MEDRX0302, PATH),
    "medrx0302, its second dosage alone": (LT4_100, MEDRX0302[1:], f"{PATH}[0]"),
    "medrx0308": (
        LT4_100,
        [
            {
                "sequence": 1,
                "text": "1 tablet every four hours as needed for pain",
                "timing": every(1, 4, "h"),
                "asNeededCodeableConcept": {"coding": [{"system": SNOMED, "code": "203082005"}]},
                "route": ORAL,
                "doseAndRate": tablets(1),
            }
        ],
        f"{PATH}[0].asNeeded",
    ),
    "medrx0312": (
        LT4,
        [
            {
                "sequence": 1,
                "text": "100mg (4ml) three times daily",
                "timing": every(3, 1, "d"),
                "route": ORAL,
                "doseAndRate": quantity(100, "mg"),
            }
        ],
        f"{PATH}[0]",
    ),
    "medrx0318": (
        LT4,
        [
            {
                "sequence": 1,
                "text": "500mg IV q6h x 3 days",
                "timing": every(1, 6, "h"),
                "route": route("255560000", "Intravenous"),
                "doseAndRate": quantity(500, "mg"),
            }
        ],
        f"{PATH}[0].route",
    ),
    "medrx0320": (
        LT4,
        [
            {
                "sequence": 1,
                "text": "20 Units SC three times daily",
                "timing": every(3, 1, "d"),
                "route": route("263887005", "Subcutaneous (qualifier value)"),
                "doseAndRate": quantity(20, "U"),
            }
        ],
        f"{PATH}[0].route",
    ),
    "medrx0328": (
        LT4,
        [
            {
                "sequence": 1,
                "text": "Use 1 spray twice daily",
                "timing": every(2, 1, "d"),
                "doseAndRate": quantity(1, "ea"),
            }
        ],
        f"{PATH}[0].doseAndRate[0].dose.code",
    ),
    "medrx0331": (
        LT4,
        [
            {
                "sequence": 1,
                "text": "7mg once daily",
                "timing": every(1, 1, "d"),
                "doseAndRate": quantity(7, "mg"),
            }
        ],
        f"{PATH}[0]",
    ),
}


@pytest.mark.parametrize(
    ("medicine", "dosages", "expression"), EXAMPLES.values(), ids=EXAMPLES.keys()
)
def test_a_dosage_of_the_specification_is_never_read_as_a_thyroid_dose(
    medicine: Json, dosages: list[Json], expression: str
) -> None:
    record = read(request(medicine, *dosages))
    assert asked(record) == [expression]
    assert record.regimen.lines == ()


def test_the_contained_warfarin_of_medrx0331_is_known_to_the_safety_rules() -> None:
    contained = {
        "resourceType": "Medication",
        "id": "med0350",
        "code": {"coding": [{"system": RXNORM, "code": "114194", "display": "Warfarin Sodium"}]},
        "form": {"coding": [{"system": SNOMED, "code": "421026006", "display": "Oral Tablet"}]},
    }
    order = request(LT4, *EXAMPLES["medrx0331"][1], contained=[contained])
    del order["medicationCodeableConcept"]
    record = read({**order, "medicationReference": {"reference": "#med0350"}})
    assert record.questions == ()
    assert record.facts.medicines is not None
    assert [k.key for k in record.facts.medicines] == ["warfarin"]
