"""Whatever is done to what one medicine is called, nothing is answered on the rest alone.

A record holds two to four thyroid medicines, coded and named in several ways and languages. One
of them is garbled: what it is can then no longer be told, or is told otherwise. The answer asks,
lists the patient for review, or is what it was before.
"""

import copy
import json
from datetime import UTC, datetime
from typing import Any

import pytest
from fastapi.testclient import TestClient
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.unit.reading.records import ATC, CATALOGUE, DAILY, RXNORM, dosage, ucum

from crossgrain.app.factory import create_app
from crossgrain.http.settings import Settings
from crossgrain.names.identity import FhirVersion
from crossgrain.nightly.judging import Judge, JudgedPatient
from crossgrain.nightly.sieve import UNSURE, Sieve
from crossgrain.screening.course import ScreeningOutcome
from crossgrain.screening.screen import Ruler, enabled

Json = dict[str, Any]
NOON = datetime(2026, 3, 20, 12, tzinfo=UTC)
TODAY = NOON.date().isoformat()
LT4 = (
    {"coding": [{"system": RXNORM, "code": "10582"}]},
    {"coding": [{"system": RXNORM, "code": "892246", "display": "levothyroxine 0.1 MG Tablet"}]},
    {"coding": [{"system": ATC, "code": "H03AA01"}], "text": "Levothyroxin-Natrium"},
    {"text": "L-Thyroxin"},
    {"text": "levotiroxina sódica"},
    {"coding": [{"display": "lewotyroksyna"}]},
)
LT3 = (
    {"coding": [{"system": RXNORM, "code": "10814"}]},
    {"coding": [{"system": ATC, "code": "H03AA02"}], "text": "liothyronine"},
    {"text": "Liothyroninnatrium"},
    {"text": "liotironina"},
)
GLAND = (
    {"coding": [{"system": RXNORM, "code": "10572", "display": "thyroid (USP)"}]},
    {"text": "tiroides desecada"},
    {"text": "desiccated thyroid"},
)
PLAIN = {"m0": "levothyroxine", "m1": "liothyronine", "m2": "desiccated thyroid"}
REASON = {"reasonCode": [{"text": "hypothyroidism"}]}
SUBJECT = {"reference": "Patient/p1"}


def order(number: int, medicine: Json, dose: Json, start: str, status: str = "active") -> Json:
    return {
        "resourceType": "MedicationRequest",
        "id": f"m{number}",
        "status": status,
        "intent": "order",
        "subject": SUBJECT,
        "medicationCodeableConcept": medicine,
        "authoredOn": start,
        "dosageInstruction": [dosage(dose, DAILY)],
    }


@st.composite
def medicines(draw: st.DrawFn) -> list[Json]:
    """Orders for two or three hormones that are taken together, one of them lately begun."""
    drawn = [
        order(0, draw(st.sampled_from(LT4)), ucum(100, "ug"), "2025-09-01"),
        order(1, draw(st.sampled_from(LT3)), ucum(10, "ug"), "2025-11-01"),
    ]
    if draw(st.booleans()):
        drawn.append(order(2, draw(st.sampled_from(GLAND)), ucum(30, "mg"), "2025-10-01"))
    drawn.append(order(3, {"text": "lisinopril 10 mg"}, ucum(10, "mg"), "2025-09-01"))
    return [{**each, **REASON} if draw(st.booleans()) else each for each in drawn[:-1]] + [
        drawn[-1]
    ]


def codes_of(concept: Json) -> list[Json]:
    return [{k: v for k, v in c.items() if k != "display"} for c in concept.get("coding", [])]


def as_brand(words: str, *, reason: bool) -> Any:
    """Under a name that says nothing of a hormone, in a code that nobody knows."""
    coding = [{"system": "https://ehr.example/products", "code": "77", "display": words}]
    return {"coding": coding, "text": words}, (REASON if reason else {})


def renamed(draw: st.DrawFn, order_: Json) -> Json:
    """The order, with what it is called changed in one way."""
    concept = order_["medicationCodeableConcept"]
    named = codes_of(concept)
    unknown = [{"system": RXNORM, "code": "99999999"}]
    more: Json = {}
    way = draw(st.integers(0, 9))
    match way:
        case 0:  # its words are lost, its code stays
            found: Json = {"coding": named} if named else {"text": ""}
        case 1:  # a code that is not known, and no words
            found = {"coding": unknown}
        case 2:
            found = {}
        case 3:  # a name that looks like one
            words = draw(st.sampled_from(["thyro-complex 100", "Levothyroxid", "tiratricol", "T3"]))
            found = {"coding": unknown, "text": words}
        case 4:
            found, more = as_brand("House Blue 100", reason=True)
        case 5:  # a slip in the name
            name = concept.get("text") or PLAIN[order_["id"]]
            at = draw(st.integers(0, len(name) - 1))
            found = {"text": name[:at] + name[at + 1 :]}
        case 6:
            found = {"coding": [{"system": ATC, "code": "H03AA04"}], "text": "House Blue"}
        case 7:
            found = {"text": draw(st.sampled_from(["unknown", "n/a", "-", "12345", " "]))}
        case 8:  # an instruction that says what for
            found, _ = as_brand("House Blue 100", reason=False)
            more = {"dosageInstruction": [{"text": "1 tablet daily for thyroid"}]}
        case _:  # the name of another language and the letters of a decomposed accent
            found = {**concept, "text": "le\u0301vothyroxine"} if order_["id"] == "m0" else concept
    return {**order_, "medicationCodeableConcept": found, **more}


def referred(draw: st.DrawFn, order_: Json) -> tuple[Json, list[Json]]:
    """The same by reference: contained, in the bundle, or to what is not there."""
    concept = order_["medicationCodeableConcept"]
    bare = {key: value for key, value in order_.items() if key != "medicationCodeableConcept"}
    medication = {"resourceType": "Medication", "id": "x", "code": concept}
    match draw(st.integers(0, 3)):
        case 0:
            pointer = {"reference": "#x"}
            return {**bare, "contained": [medication], "medicationReference": pointer}, []
        case 1:
            return {**bare, "medicationReference": {"reference": "Medication/x"}}, [medication]
        case 2:
            return {**bare, "medicationReference": {"reference": "Medication/gone"}}, []
        case _:
            return order_, []


@st.composite
def garbled(draw: st.DrawFn) -> tuple[list[Json], list[Json]]:
    """The resources of a record before and after one of its hormones was garbled."""
    whole = draw(medicines())
    place = draw(st.integers(0, len(whole) - 2))
    changed = copy.deepcopy(whole)
    changed[place], beside = referred(draw, renamed(draw, changed[place]))
    return whole, [*changed, *beside]


def bundle(resources: list[Json]) -> Json:
    patient = {"resourceType": "Patient", "id": "p1", "birthDate": "1970-05-01"}
    entries = [{"resource": each} for each in (patient, *resources)]
    return {"resourceType": "Bundle", "type": "collection", "entry": entries}


@pytest.fixture(scope="module")
def client() -> Any:
    with TestClient(
        create_app(Settings(), CATALOGUE, clock=lambda: NOON), raise_server_exceptions=False
    ) as served:
        yield served


def post(client: TestClient, route: str, body: Json) -> Json:
    content = json.dumps(body, default=float).encode()
    answer = client.post(route, content=content, headers={"content-type": "application/fhir+json"})
    assert answer.status_code == 200, answer.text
    found: Json = answer.json()
    return found


def kinds_of(answer: Json) -> set[str]:
    return {entry["resource"]["resourceType"] for entry in answer["entry"]}


def orders_in(answer: Json) -> list[Json]:
    orders = [e["resource"] for e in answer["entry"]
              if e["resource"]["resourceType"] == "MedicationRequest"]  # fmt: skip
    return [{k: o[k] for k in ("dosageInstruction",)} for o in orders]


@settings(max_examples=60)
@given(garbled())
def test_no_plan_is_made_on_the_rest(client: TestClient, records: Any) -> None:
    route = f"/fhir/r4/$propose-switch?target=levothyroxine&as-of={TODAY}"
    before, after = (post(client, route, bundle(record)) for record in records)
    guidance = next(e["resource"] for e in after["entry"]
                    if e["resource"]["resourceType"] == "GuidanceResponse")  # fmt: skip
    assert guidance["status"] == "data-required" or orders_in(after) == orders_in(before)


@settings(max_examples=60)
@given(garbled())
def test_no_comparison_is_made_of_the_rest(client: TestClient, records: Any) -> None:
    route = f"/fhir/r4/$compare-bases?as-of={TODAY}"
    before, after = (post(client, route, bundle(record))["parameter"] for record in records)
    hormone = [[p for p in parts if p["name"] == "daily-hormone"] for parts in (before, after)]
    assert after[0]["valueCode"] == "data-required" or hormone[0] == hormone[1]
    assert hormone[0]


@settings(max_examples=60)
@given(garbled())
def test_the_screening_lists_it_for_review(client: TestClient, records: Any) -> None:
    route = f"/fhir/r4/$screen-switches?as-of={TODAY}"
    before, after = (post(client, route, bundle(record)) for record in records)
    said = after["entry"][0]["resource"]["issue"][0]
    assert said["code"] == "incomplete" or outcome_of(after) == outcome_of(before)


def outcome_of(answer: Json) -> str:
    text: str = answer["entry"][0]["resource"]["issue"][0]["details"]["text"]
    return text


RULER = Ruler(NOON.date(), enabled(CATALOGUE.bases, ()),
              CATALOGUE.limits)  # fmt: skip
SIEVE = Sieve(CATALOGUE.codes, CATALOGUE.preparations)


def at_night(resources: list[Json]) -> tuple[bool, str]:
    """Whether the sieve lets the patient be judged, and the outcome of the judgement."""
    lines = [json.dumps(e["resource"], default=float).encode() for e in bundle(resources)["entry"]]
    looks = [SIEVE.look(line) for line in lines]
    held = {f"Medication/{look.id}": look.kinds for look in looks if look.kind == "Medication"}
    kinds = 0
    for look in looks:
        if look.kind == "MedicationRequest":
            found = held.get(look.medication)
            kinds |= look.kinds if found is None else found or look.otherwise
    mattering = kinds >= UNSURE or kinds.bit_count() > 1
    judge = Judge(CATALOGUE, RULER, FhirVersion.R4)
    kept = [line for line, look in zip(lines, looks, strict=True) if look.keep]
    return mattering, str(judge.answer("Patient/p1", JudgedPatient(kept)).outcome)


@settings(max_examples=80)
@given(garbled())
def test_at_night_it_is_listed_for_review(records: Any) -> None:
    (_, before), (mattering, after) = map(at_night, records)
    assert mattering
    assert after in (ScreeningOutcome.NEEDS_REVIEW, before)


def sign(client: TestClient, resources: list[Json], draft: Json) -> list[Json]:
    standing = [r for r in resources if r["resourceType"] == "MedicationRequest"]
    call = {
        "hook": "order-sign",
        "hookInstance": "7d1577c6-9dfb-44ad-ba6d-3e05e953b2ea",
        "context": {
            "userId": "Practitioner/x", "patientId": "p1",
            "draftOrders": {"resourceType": "Bundle", "entry": [{"resource": draft}]},
        },
        "prefetch": {
            "patient": bundle([])["entry"][0]["resource"],
            "medicationRequests": searchset([*standing, *medications(resources)]),
            "medicationStatements": searchset([statement_of_nothing()]),
        },
    }  # fmt: skip
    answer = client.post(
        "/cds-services/thyroid-order", json=json.loads(json.dumps(call, default=float))
    )
    assert answer.status_code == 200, answer.text
    cards: list[Json] = answer.json()["cards"]
    return cards


def medications(resources: list[Json]) -> list[Json]:
    return [r for r in resources if r["resourceType"] == "Medication"]


def statement_of_nothing() -> Json:
    return {
        "resourceType": "MedicationStatement", "id": "s", "status": "active", "subject": SUBJECT,
        "medicationCodeableConcept": {"text": "lisinopril"}, "effectiveDateTime": "2026-01-01",
    }  # fmt: skip


def searchset(resources: list[Json]) -> Json:
    modes = ["include" if r["resourceType"] == "Medication" else "match" for r in resources]
    entries = [
        {"resource": r, "search": {"mode": m}} for r, m in zip(resources, modes, strict=True)
    ]
    total = modes.count("match")
    return {"resourceType": "Bundle", "type": "searchset", "total": total, "entry": entries}


DRAFT = order(9, {"text": "desiccated thyroid 60 mg tablet"}, ucum(180, "mg"), TODAY, "draft")


@settings(max_examples=40)
@given(garbled())
def test_at_order_entry_it_is_asked_about(client: TestClient, records: Any) -> None:
    before, after = (sign(client, record, DRAFT) for record in records)
    assert after
    asks = "answered first" in after[0]["summary"]
    assert asks or after[0]["summary"] == before[0]["summary"]


@settings(max_examples=40)
@given(st.data())
def test_an_order_that_may_be_hormone_is_not_passed_over(
    client: TestClient, data: st.DataObject
) -> None:
    draft = {**DRAFT, "medicationCodeableConcept": {"text": "levothyroxine"},
             "dosageInstruction": [dosage(ucum(100, "ug"), DAILY)]}  # fmt: skip
    changed = renamed(data.draw, {**draft, "id": "m0"})
    standing = [order(1, LT3[1], ucum(20, "ug"), "2025-11-01")]
    assert sign(client, standing, changed)
