"""Results and vitals in the unit of each analyte, or the reason why they were passed over."""

from decimal import Decimal
from fractions import Fraction
from math import log10

import pytest
from tests.unit.reading.records import (
    LOINC,
    ONE,
    SNOMED,
    UCUM,
    Json,
    observation,
    read,
    ucum,
)

from crossgrain.safety.facts import Analyte, Measurement


def measured(*resources: Json) -> tuple[Measurement, ...]:
    found = read(*resources).facts.measurements
    assert found is not None
    return found


# Conversions. TSH: m[IU]/L = u[IU]/mL by prefix arithmetic. Free T4 and free T3 from the molar
# masses 776.87 and 650.97 g/mol; laboratories print 12.87 and 1.536 (common factors).
IN_UNITS = {
    "TSH in mIU/L": ("3016-3", ucum("2.50", "m[IU]/L"), Analyte.TSH, 2.5),
    "TSH in uIU/mL": ("11580-8", ucum("2.5", "u[IU]/mL"), Analyte.TSH, 2.5),
    "TSH in mcU/mL claimed as UCUM": ("3016-3", ucum("2.5", "mcU/mL"), Analyte.TSH, 2.5),
    "TSH in µIU/mL as text": ("11579-0", {"value": 3, "unit": "µIU/mL"}, Analyte.TSH, 3),
    "TSH in blood": ("3015-5", ucum(4, "m[IU]/L"), Analyte.TSH, 4),
    "free T4 in ng/dL": ("3024-7", ucum(1, "ng/dL"), Analyte.FREE_T4, 12.87),
    "free T4 in pmol/L": ("14920-3", ucum(15, "pmol/L"), Analyte.FREE_T4, 15),
    "free T3 in pg/mL": ("3051-0", ucum(3, "pg/mL"), Analyte.FREE_T3, 4.608),
    "free T3 in pmol/L": ("14928-6", ucum(5, "pmol/L"), Analyte.FREE_T3, 5),
    "total T3 in ng/dL": ("3053-6", ucum(100, "ng/dL"), Analyte.TOTAL_T3, 1.536),
    "total T3 in ng/mL": ("3053-6", ucum(1, "ng/mL"), Analyte.TOTAL_T3, 1.536),
    "reverse T3 in ng/dL": ("3052-8", ucum(20, "ng/dL"), Analyte.REVERSE_T3, 0.3072),
    "heart rate": ("8867-4", ucum(72, "/min"), Analyte.HEART_RATE, 72),
    "heart rate in beats": ("8867-4", ucum(72, "{beats}/min"), Analyte.HEART_RATE, 72),
    "weight in kg": ("29463-7", ucum("70.5", "kg"), Analyte.WEIGHT, 70.5),
    "weight in pounds": ("29463-7", ucum(150, "[lb_av]"), Analyte.WEIGHT, 68.0389),
}


@pytest.mark.parametrize(
    ("code", "quantity", "analyte", "value"), IN_UNITS.values(), ids=IN_UNITS.keys()
)
def test_a_value_is_led_to_the_unit_of_its_analyte(
    code: str, quantity: Json, analyte: Analyte, value: float
) -> None:
    (found,) = measured(observation(code, quantity))
    assert found.analyte is analyte
    assert float(found.value) == pytest.approx(value, rel=5e-4)


PREFIXES = {"": 1, "m": 1e-3, "u": 1e-6, "n": 1e-9, "p": 1e-12, "f": 1e-15}
LITRES = {"L": 1, "dL": 0.1, "mL": 1e-3}
MOLAR_MASS = {"3024-7": 776.87, "14920-3": 776.87, "3053-6": 650.97, "14928-6": 650.97}
"""g/mol of thyroxine and triiodothyronine: PubChem CID 5819 and 5920."""
MASSES = ("ng/L", "pg/mL", "ng/dL", "pg/dL", "ng/mL", "ug/L", "ug/dL")
MOLES = ("pmol/L", "nmol/L", "fmol/L", "fmol/mL")
KEPT_IN = {"3053-6": 1e-9}
"""mol/L: total T3 in nanomoles, what is free in picomoles."""


@pytest.mark.parametrize(
    ("code", "unit"),
    [
        *[(code, unit) for code in ("3024-7", "3053-6") for unit in MASSES],
        *[(code, unit) for code in ("14920-3", "14928-6") for unit in MOLES],
    ],
)
def test_every_unit_of_a_hormone_is_led_to_moles_by_its_prefixes(code: str, unit: str) -> None:
    """Worked out from the SI prefixes and the molar mass: nothing of the table is used."""
    above, below = unit.split("/")
    in_moles = above.endswith("mol")
    counted = PREFIXES[above.removesuffix("mol") if in_moles else above.removesuffix("g")]
    moles = counted / (1 if in_moles else MOLAR_MASS[code]) / LITRES[below]
    kept = moles / KEPT_IN.get(code, 1e-12)
    number = Decimal(10) ** round(-log10(kept))
    (found,) = measured(observation(code, ucum(f"{number:f}", unit)))
    assert float(found.value) == pytest.approx(float(number) * kept, rel=1e-9)


@pytest.mark.parametrize(
    ("unit", "kg"),
    [
        ("kg", 1), ("kilogram", 1), ("kilograms", 1), ("g", 0.001), ("[lb_av]", 0.45359237),
        ("lb", 0.45359237), ("lbs", 0.45359237), ("pounds", 0.45359237),
    ],
)  # fmt: skip
def test_a_weight_is_read_in_each_unit(unit: str, kg: float) -> None:
    """The avoirdupois pound is 0.45359237 kg exactly: NIST Special Publication 811."""
    (found,) = measured(observation("29463-7", {"value": Decimal(100), "unit": unit}))
    assert float(found.value) == pytest.approx(100 * kg, rel=1e-12)


def test_a_value_in_its_own_unit_stays_exact() -> None:
    (found,) = measured(observation("3016-3", ucum("0.012345678901234567", "m[IU]/L")))
    assert found.value == Fraction("0.012345678901234567")


PASSED_OVER: dict[str, tuple[Json, str]] = {
    "a cancelled result": (observation("3016-3", ucum(2, "m[IU]/L"), status="cancelled"), ONE),
    "a registered result": (observation("3016-3", status="registered"), ONE),
    "a result in error": (
        observation("3016-3", ucum(2, "m[IU]/L"), status="entered-in-error"),
        ONE,
    ),
    "a result that says it is absent": (
        observation("3016-3", dataAbsentReason={"text": "haemolysed"}),
        ONE,
    ),
    "a value in words": (observation("3016-3", valueString="normal"), f"{ONE}.value"),
    "a value below nothing": (observation("3016-3", ucum(-2, "m[IU]/L")), f"{ONE}.value"),
    "a weight below nothing": (observation("29463-7", ucum(-70, "kg")), f"{ONE}.value"),
    "a value without a unit": (observation("3016-3", {"value": 2}), f"{ONE}.value"),
    "a unit of another test": (observation("3016-3", ucum(2, "mg/dL")), f"{ONE}.value"),
    "a mass under a code for moles": (observation("14920-3", ucum(1, "ng/dL")), f"{ONE}.value"),
    "a code and a text that differ": (
        observation("3053-6", ucum(100, "ng/dL", unit="ng/mL")),
        f"{ONE}.value",
    ),
    "an unknown modifier": (
        observation("3016-3", ucum(2, "m[IU]/L"), modifierExtension=[{"url": "https://x.example"}]),
        ONE,
    ),
    "a result of a child in the mother's record": (  # FHIR: focus, who it is about if not subject
        observation("3016-3", ucum(2, "m[IU]/L"), focus=[{"reference": "RelatedPerson/child"}]),
        ONE,
    ),
    "a name without a code": (
        {**observation("3016-3", ucum("0.01", "m[IU]/L")), "code": {"text": "TSH"}},
        f"{ONE}.code",
    ),
    "a name beside a code of the laboratory's own": (
        {
            **observation("14920-3", ucum(5, "pmol/L")),
            "code": {"coding": [{"system": "urn:oid:1.2.3", "code": "77", "display": "Free T4"}]},
        },
        f"{ONE}.code",
    ),
    "a result of tomorrow": (
        observation("3016-3", ucum(2, "m[IU]/L"), effectiveDateTime="2026-03-21"),
        ONE,
    ),
}


@pytest.mark.parametrize(("resource", "expression"), PASSED_OVER.values(), ids=PASSED_OVER.keys())
def test_a_result_that_cannot_be_used_is_said_and_not_used(resource: Json, expression: str) -> None:
    record = read(resource)
    assert record.facts.measurements == ()
    assert [u.expression for u in record.unread] == [expression]


@pytest.mark.parametrize("when", [None, "2026-03", "2026"])
def test_a_result_without_a_day_is_kept_undated_and_said(when: str | None) -> None:
    record = read(observation("3016-3", ucum(2, "m[IU]/L"), effectiveDateTime=when))
    assert record.facts.measurements is not None
    assert [m.day for m in record.facts.measurements] == [None]
    assert [u.expression for u in record.unread] == [f"{ONE}.effective"]


@pytest.mark.parametrize(
    ("element", "value", "day"),
    [
        ("effectiveDateTime", "2026-03-10T23:30:00-05:00", -10),
        ("effectiveInstant", "2026-03-10T08:00:00.000Z", -10),
        ("effectivePeriod", {"start": "2026-03-09", "end": "2026-03-10"}, -10),
    ],
)
def test_the_day_is_read_from_every_form_of_time(element: str, value: object, day: int) -> None:
    resource = observation("3016-3", ucum(2, "m[IU]/L"), effectiveDateTime=None)
    (found,) = measured({**resource, element: value})
    assert found.day == day


def test_a_comparator_is_kept() -> None:
    (found,) = measured(observation("3016-3", ucum("0.01", "m[IU]/L", comparator="<")))
    assert (found.comparator, found.value) == ("<", Fraction(1, 100))


@pytest.mark.parametrize(("status", "preliminary"), [("preliminary", True), ("corrected", False)])
def test_a_preliminary_result_is_marked(status: str, preliminary: bool) -> None:
    (found,) = measured(observation("3016-3", ucum(2, "m[IU]/L"), status=status))
    assert found.preliminary is preliminary


def test_the_laboratorys_own_range_is_read_in_the_same_unit() -> None:
    (found,) = measured(
        observation(
            "3024-7",
            ucum(1, "ng/dL"),
            referenceRange=[{"low": ucum("0.8", "ng/dL"), "high": ucum("1.8", "ng/dL")}],
        )
    )
    assert found.low is not None
    assert found.high is not None
    assert float(found.low) == pytest.approx(10.3, rel=2e-3)
    assert found.high / found.low == Fraction("1.8") / Fraction("0.8")


def test_of_several_ranges_the_one_for_everyone_counts() -> None:
    everyone = {"low": ucum("0.4", "m[IU]/L"), "high": ucum(4, "m[IU]/L")}
    pregnant = {**everyone, "high": ucum("2.5", "m[IU]/L"), "appliesTo": [{"text": "pregnant"}]}
    (found,) = measured(
        observation("3016-3", ucum(2, "m[IU]/L"), referenceRange=[pregnant, everyone])
    )
    assert found.high == 4


def test_two_ranges_for_everyone_are_said_and_not_chosen_from() -> None:
    plain = {"low": ucum("0.4", "m[IU]/L")}
    record = read(observation("3016-3", ucum(2, "m[IU]/L"), referenceRange=[plain, plain]))
    assert record.facts.measurements is not None
    assert record.facts.measurements[0].low is None
    assert [u.expression for u in record.unread] == [f"{ONE}.referenceRange"]


def test_components_are_read_one_by_one() -> None:
    panel = observation(
        "24348-5",
        component=[
            {
                "code": {"coding": [{"system": LOINC, "code": code}]},
                "valueQuantity": quantity,
            }
            for code, quantity in (
                ("3016-3", ucum(2, "m[IU]/L")),
                ("3024-7", ucum(1, "ng/dL")),
                ("9999-9", ucum(1, "g")),
            )
        ],
    )
    found = measured(panel)
    assert [(m.analyte, m.origin) for m in found] == [
        (Analyte.TSH, f"{ONE}.component[0]"),
        (Analyte.FREE_T4, f"{ONE}.component[1]"),
    ]


def test_a_code_of_another_system_is_no_laboratory_code() -> None:
    resource = observation("3016-3", ucum(2, "m[IU]/L"))
    resource["code"] = {"coding": [{"system": SNOMED, "code": "3016-3"}]}
    assert measured(resource) == ()


def test_the_latest_weight_counts() -> None:
    record = read(
        observation("29463-7", ucum(80, "kg"), id="w1", effectiveDateTime="2025-01-01"),
        observation("29463-7", ucum(75, "kg"), id="w2", effectiveDateTime="2026-01-01"),
        observation("29463-7", ucum(60, "kg"), id="w3", effectiveDateTime=None),
    )
    assert record.facts.weight_kg == 75


def pregnancy(system: str, code: str, **more: object) -> Json:
    return observation(
        "82810-3", valueCodeableConcept={"coding": [{"system": system, "code": code}]}, **more
    )


@pytest.mark.parametrize(
    ("resource", "pregnant"),
    [
        (pregnancy(SNOMED, "77386006"), True),
        (pregnancy(SNOMED, "60001007"), False),
        (pregnancy(LOINC, "LA15173-0"), True),
        (pregnancy(LOINC, "LA26683-5"), False),
        (pregnancy(LOINC, "LA4489-6"), None),
        (pregnancy(SNOMED, "77386006", effectiveDateTime="2025-06-13"), True),
        (pregnancy(SNOMED, "77386006", effectiveDateTime="2025-06-12"), None),
        (pregnancy(SNOMED, "77386006", effectiveDateTime=None), None),
    ],
)
def test_a_pregnancy_status_counts_while_it_can_hold(resource: Json, pregnant: bool | None) -> None:
    assert read(resource).facts.pregnant is pregnant


def test_the_latest_pregnancy_status_counts() -> None:
    record = read(
        pregnancy(SNOMED, "77386006", id="a", effectiveDateTime="2025-08-01"),
        pregnancy(SNOMED, "60001007", id="b", effectiveDateTime="2026-02-01"),
    )
    assert record.facts.pregnant is False


def test_no_observation_at_all_is_not_the_same_as_none_of_use() -> None:
    assert read().facts.measurements is None
    assert measured(observation("2345-7", {"value": 95, "system": UCUM, "code": "mg/dL"})) == ()
