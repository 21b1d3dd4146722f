"""What the name of a medicine says of its taking is held against its coded dose.

Medication lists that are typed by hand carry instructions in the name (common practice, no source).
"""

import pytest
from tests.unit.reading.records import (
    CODES,
    LT3,
    LT4,
    LT4_100,
    ONE,
    THYROID_60,
    Json,
    asked,
    dosage,
    doses,
    read,
    request,
    statement,
    ucum,
)

TABLET = dosage(ucum(1, "{tbl}"))
AGAINST = [
    "Levothyroxine 100 mcg tablet - take 1/2 tablet every other day",
    "Levothyroxine 100 mcg tablet (STOPPED)",
    "Levothyroxine 100 mcg tablet - discontinued",
    "Levothyroxine 100 mcg tablet (now 75)",
    "Levothyroxine 100 mcg tablet PRN",
    "Levothyroxine 100 mcg tablet, take 2 tablets daily",
    "Levothyroxine 100 mcg tablet, 200 mcg per day",
    "Levothyroxine 100 mcg tablet M-F",
    "Levothyroxine 100 mcg tablet, 200 mcg/day",
    "Levothyroxine (half of 100 mcg)",
    "Levothyroxine 100 mcg tablet - do not use",
    "Not levothyroxine 100 mcg tablet",
    "Levothyroxine 100 mcg tablet, weekly",
    "Levothyroxin 100 µg, jeden zweiten Tag",
    "Levotiroxina 100 mcg, suspendido",
]


@pytest.mark.parametrize("name", AGAINST)
@pytest.mark.parametrize("coded", [True, False])
def test_a_name_that_speaks_against_the_dose_is_asked_about(name: str, coded: bool) -> None:
    """One tablet of 100 µg a day, coded."""
    named: Json = {"text": name, **(LT4_100 if coded else {})}
    record = read(statement(named, TABLET))
    assert doses(record) == []
    (question,) = record.questions
    assert f"“{name}”" in question.question


@pytest.mark.parametrize("name", AGAINST)
def test_the_display_of_a_code_and_of_a_reference_are_names_too(name: str) -> None:
    coding = [{**LT4_100["coding"][0], "display": name}]
    assert len(read(statement({"coding": coding}, TABLET)).questions) == 1
    referred = {k: v for k, v in request(LT4, TABLET).items() if k != "medicationCodeableConcept"}
    contained = [{"resourceType": "Medication", "id": "m", "code": LT4_100}]
    reference = {"reference": "#m", "display": name}
    referred |= {"contained": contained, "medicationReference": reference}
    assert len(read(referred).questions) == 1
    held = [{**contained[0], "code": {**LT4_100, "text": name}}]
    assert len(read({**referred, "contained": held}).questions) == 1


AGREEING = [
    "Levothyroxine 100 mcg tablet once daily",
    "Levothyroxine 100 mcg daily",
    "Levothyroxine 100 mcg/day",
    "Levothyroxine 100 mcg tablet, take 1 tablet every morning before breakfast",
    "Levothyroxine sodium 0.1 MG Oral Tablet",
    "Levothyroxine Sodium 100 MCG Oral Tablet, 90 count",
    "levothyroxine sodium 100 microgram tablet (28 tablets)",
    "Levothyroxine sodium 100microgram tablets (Imported (Germany))",
    "LEVOTHYROXINE SODIUM TABLET 100 ug/1 NDC 0000-0000-00",
    "Levothyroxin-Natrium 100 Mikrogramm Tabletten, 98 Stück N3",
    "Lévothyroxine sodique 100 µg, comprimé sécable, boîte de 28",
    "Product containing precisely levothyroxine sodium 100 microgram/1 each conventional release"
    " oral tablet (clinical drug)",
    "Levothyroxine 100 mcg tab (T4)",
    "Levothyroxine Sodium, 1000 TABLET in 1 BOTTLE, PLASTIC (0000-0000-00) (package)",
]


@pytest.mark.parametrize("name", AGREEING)
def test_a_name_that_agrees_or_says_nothing_of_the_taking_is_left_alone(name: str) -> None:
    record = read(statement({"text": name, **LT4_100}, TABLET))
    assert doses(record) == [("levothyroxine", ["100"])]
    assert (record.questions, record.confirm) == ((), ())


@pytest.mark.parametrize(
    ("medicine", "name"),
    [
        (THYROID_60, "Thyroid 1 grain (60 mg) tablet"),
        (THYROID_60, "thyroid (USP) 60 MG Oral Tablet"),
        ({}, "Thyroid 1/2 grain (30 mg) tablet"),
        ({}, "levothyroxine sodium 0.05 MG / liothyronine sodium 0.0125 MG Oral Tablet"),
        (LT3, "liothyronine sodium 5 microgram tablet"),
    ],
)
def test_the_names_of_the_other_hormones_say_nothing_of_the_taking(
    medicine: Json, name: str
) -> None:
    assert CODES.phrases.carried_by(name) == ""
    assert asked(read(statement({**medicine, "text": name}, TABLET))) == []


def test_words_in_a_name_that_bear_on_the_dose_and_are_not_known_are_to_be_confirmed() -> None:
    name = "Levothyroxine 100 mcg tablet, daily at zay zoy"
    record = read(statement({"text": name, **LT4_100}, TABLET))
    assert doses(record) == [("levothyroxine", ["100"])]
    (point,) = record.confirm
    assert (point.expression, f"“{name}”" in point.question) == (f"{ONE}.medication", True)
