"""Our CDS Hooks answers before the specification's own rules, and their resources before FHIR's.

The rules are written from the tables of CDS Hooks 2.0 (Card, Source, Suggestion, Action,
Coding; "Use of JSON"), and of discovery from 3.0. Planted faults show that the judge sees.
"""

import json
import re
from copy import deepcopy

import pytest
from tests.api import hooks
from tests.api.test_cds_course import EVERY_VISIT, Clinic, day_of, record_of
from tests.conformance.node import needs_node, needs_packages, walked
from tests.conformance.patients import FIXTURES, SCENARIO

from crossgrain.catalogue import load_catalogue

HOOKS = json.loads((FIXTURES / "calls" / "order-sign.json").read_text())
UUID = re.compile(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}")

TEXT, LIST, OBJECT, FLAG = str, list, dict, bool
CARD = {
    "uuid": (False, TEXT), "summary": (True, TEXT), "detail": (False, TEXT),
    "indicator": (True, TEXT), "source": (True, OBJECT), "suggestions": (False, LIST),
    "selectionBehavior": (False, TEXT), "overrideReasons": (False, LIST), "links": (False, LIST),
    "extension": (False, OBJECT),
}  # fmt: skip
SOURCE = {"label": (True, TEXT), "url": (False, TEXT), "icon": (False, TEXT),
          "topic": (False, OBJECT)}  # fmt: skip
SUGGESTION = {"label": (True, TEXT), "uuid": (False, TEXT), "isRecommended": (False, FLAG),
              "actions": (False, LIST)}  # fmt: skip
ACTION = {"type": (True, TEXT), "description": (True, TEXT), "resource": (False, OBJECT),
          "resourceId": (False, TEXT)}  # fmt: skip
CODING = {"code": (True, TEXT), "system": (True, TEXT), "display": (False, TEXT)}


def shape(node, fields, place):
    for name, (required, kind) in fields.items():
        if name not in node:
            if required:
                yield f"{place}.{name} is required"
        elif not isinstance(node[name], kind):
            yield f"{place}.{name} is of another type"
    for name in set(node) - set(fields):
        yield f"{place}.{name} is not of the specification"


def empties(node, place):
    """JSON elements SHALL NOT be null or empty, but for an empty list of cards."""
    if node in (None, "", [], {}) and place != ".cards":
        yield f"{place} is empty"
    children = (
        node.items()
        if isinstance(node, dict)
        else enumerate(node)
        if isinstance(node, list)
        else ()
    )
    for key, value in children:
        yield from empties(value, f"{place}.{key}")


def card_faults(card, place):
    yield from shape(card, CARD, place)
    if len(card.get("summary", "")) >= 140 or "\n" in card.get("summary", ""):
        yield f"{place}.summary is no sentence of under 140 characters"
    if card.get("indicator") not in {"info", "warning", "critical"}:
        yield f"{place}.indicator is none of three"
    if "uuid" in card and not UUID.fullmatch(card["uuid"]):
        yield f"{place}.uuid is no UUID"
    if "suggestions" in card and card.get("selectionBehavior") not in {"any", "at-most-one"}:
        yield f"{place}.selectionBehavior is required beside suggestions"
    yield from shape(card.get("source", {}), SOURCE, f"{place}.source")
    for reason in card.get("overrideReasons", []):
        yield from shape(reason, CODING, f"{place}.overrideReasons")
        if not reason.get("display"):
            yield f"{place}.overrideReasons have no display"
    for suggestion in card.get("suggestions", []):
        yield from suggestion_faults(suggestion, f"{place}.suggestions")
    recommended = [s for s in card.get("suggestions", []) if s.get("isRecommended")]
    if card.get("selectionBehavior") == "at-most-one" and len(recommended) > 1:
        yield f"{place} recommends several of which one may be chosen"


def suggestion_faults(suggestion, place):
    yield from shape(suggestion, SUGGESTION, place)
    for action in suggestion.get("actions", []):
        yield from shape(action, ACTION, f"{place}.actions")
        match action.get("type"):
            case "create" | "update" if not action.get("resource", {}).get("resourceType"):
                yield f"{place}.actions create or update without a resource"
            case "update" if not action["resource"].get("id"):
                yield f"{place}.actions update what has no id"
            case "delete" if not re.fullmatch(r"[A-Z]\w+/[\w.-]+", action.get("resourceId", "")):
                yield f"{place}.actions delete without a resourceId"
            case "create" | "update" | "delete":
                pass
            case _:
                yield f"{place}.actions are of no known type"


def faults(answer):
    if set(answer) - {"cards", "systemActions", "extension"} or "cards" not in answer:
        yield "the answer is not an object of cards"
    if "systemActions" in answer:
        yield "a dose is never a system action"
    yield from empties(answer, "")
    for number, card in enumerate(answer["cards"]):
        yield from card_faults(card, f"cards[{number}]")


def calls():
    """The order of the example, for every patient, on both hooks."""
    hooks = ("order-select", "order-sign")
    return [(patient["file"], hook) for patient in SCENARIO["patient"] for hook in hooks]


def call(file, hook, grains=60):
    body = deepcopy(HOOKS)
    body["hook"] = hook
    body["prefetch"] = hooks.prefetch_of(hooks.patient(file))
    person = body["prefetch"]["patient"]
    body["context"]["patientId"] = person["id"]
    order = body["context"]["draftOrders"]["entry"][0]["resource"]
    order["subject"] = {"reference": f"Patient/{person['id']}"}
    order["dosageInstruction"][0]["doseAndRate"][0]["doseQuantity"]["value"] = grains
    if hook == "order-select":
        body["context"]["selections"] = [f"MedicationRequest/{order['id']}"]
    return body


@pytest.mark.parametrize(("file", "hook"), calls())
def test_every_answer_holds_to_the_specification(client, file, hook):
    answer = client.post("/cds-services/thyroid-order", json=call(file, hook))
    assert answer.status_code == 200, answer.text
    assert list(faults(answer.json())) == []


def test_most_of_those_answers_hold_a_card(client):
    answers = [
        client.post("/cds-services/thyroid-order", json=call(p["file"], "order-sign")).json()
        for p in SCENARIO["patient"]
    ]
    assert sum(len(answer["cards"]) for answer in answers) > 10


def test_discovery_holds_to_the_specification(client):
    discovered = client.get("/cds-services").json()
    fields = {"hook": (True, TEXT), "title": (False, TEXT), "description": (True, TEXT),
              "id": (True, TEXT), "prefetch": (False, OBJECT),
              "usageRequirements": (False, TEXT), "version": (False, TEXT)}  # fmt: skip
    assert set(discovered) == {"services"}
    assert list(empties(discovered, "")) == []
    for service in discovered["services"]:
        assert list(shape(service, fields, "service")) == []
        assert service["version"] in {"STU1", "STU2", "STU3"}
        assert re.fullmatch(r"[a-z]+-[a-z]+", service["hook"])  # noun-verb
        assert all(isinstance(query, str) for query in service["prefetch"].values())


def filed(answer):
    """What each suggestion creates or updates."""
    for card in answer["cards"]:
        for suggestion in card.get("suggestions", []):
            yield [a["resource"] for a in suggestion["actions"] if "resource" in a]


@needs_node
@needs_packages
def test_every_resource_of_a_suggestion_holds_to_the_official_definitions(client):
    bundles = []
    for patient in SCENARIO["patient"]:
        body = call(patient["file"], "order-sign")
        answer = client.post("/cds-services/thyroid-order", json=body)
        bundles += map(collected, filed(answer.json()))
    reports = walked(bundles)
    assert len(reports) >= 8
    assert [report["faults"] for report in reports] == [[]] * len(bundles)


def collected(resources):
    named = [(f"https://ehr.example/fhir/{r['resourceType']}/{r['id']}", r) for r in resources]
    entries = [{"fullUrl": url, "resource": resource} for url, resource in named]
    return {"resourceType": "Bundle", "type": "collection", "entry": entries}


@needs_node
@needs_packages
def test_the_cards_of_a_plan_that_runs_hold_to_the_specification_and_the_definitions():
    clinic = Clinic(load_catalogue())
    answers = [{"cards": clinic.cards(record_of(name), day_of(name))} for name in EVERY_VISIT]
    assert [list(faults(answer)) for answer in answers] == [[]] * len(answers)
    bundles = [collected(resources) for answer in answers for resources in filed(answer)]
    assert len(bundles) >= 8
    reports = walked(bundles)
    assert [report["faults"] for report in reports] == [[]] * len(bundles)


# The R4 example of the order-select page of CDS Hooks, shortened where it does not matter; its
# doseAndRate is an object, as it stands there.
EXAMPLE = {
    "hook": "order-select",
    "hookInstance": "d1577c69-dfbe-44ad-ba6d-3e05e953b2ea",
    "fhirServer": "http://hooks.example.org:9080",
    "fhirAuthorization": {
        "access_token": "some-opaque-fhir-access-token",
        "token_type": "Bearer",
        "expires_in": 300,
        "scope": "user/Patient.read user/Observation.read",
        "subject": "cds-service4",
    },
    "context": {
        "userId": "PractitionerRole/123",
        "patientId": "1288992",
        "encounterId": "89284",
        "selections": [
            "NutritionOrder/pureeddiet-simple",
            "MedicationRequest/smart-MedicationRequest-103",
        ],
        "draftOrders": {
            "resourceType": "Bundle",
            "entry": [
                {
                    "resource": {
                        "resourceType": "NutritionOrder",
                        "id": "pureeddiet-simple",
                        "status": "draft",
                        "patient": {"reference": "Patient/1288992"},
                        "dateTime": "2014-09-17",
                    }
                },
                {
                    "resource": {
                        "resourceType": "MedicationRequest",
                        "id": "smart-MedicationRequest-103",
                        "meta": {"lastUpdated": "2018-04-30T13:25:40.845-04:00"},
                        "status": "draft",
                        "intent": "order",
                        "medicationCodeableConcept": {
                            "coding": [
                                {
                                    "system": "http://www.nlm.nih.gov/research/umls/rxnorm",
                                    "code": "617993",
                                }
                            ],
                            "text": "Amoxicillin 120 MG/ML / clavulanate 8.58 MG/ML Suspension",
                        },
                        "subject": {"reference": "Patient/1288992"},
                        "dosageInstruction": [
                            {
                                "text": "5 mL bid x 10 days",
                                "timing": {
                                    "repeat": {"frequency": 2, "period": 1, "periodUnit": "d"}
                                },
                                "doseAndRate": {"doseQuantity": {"value": 5, "unit": "mL"}},
                            }
                        ],
                    }
                },
            ],
        },
    },
}


def test_the_specifications_own_example_is_answered_with_nothing_to_say(client):
    answer = client.post("/cds-services/thyroid-order", json=EXAMPLE)
    assert (answer.status_code, answer.json()) == (200, {"cards": []})


def first(answer):
    return answer["cards"][0]


def action(answer, kind):
    actions = [a for s in first(answer)["suggestions"] for a in s["actions"]]
    return next(a for a in actions if a["type"] == kind)


PLANTED = {
    "no summary": lambda a: first(a).pop("summary"),
    "a summary of 140 characters": lambda a: first(a).update(summary="x" * 140),
    "an indicator of another name": lambda a: first(a).update(indicator="hard-stop"),
    "a source without a label": lambda a: first(a)["source"].pop("label"),
    "a source that is a text": lambda a: first(a).update(source="x"),
    "an empty list of suggestions": lambda a: first(a).update(suggestions=[]),
    "no selection behaviour": lambda a: first(a).pop("selectionBehavior"),
    "a reason without display": lambda a: first(a)["overrideReasons"][0].pop("display"),
    "a reason without system": lambda a: first(a)["overrideReasons"][0].pop("system"),
    "a null": lambda a: first(a).update(links=None),
    "an unknown field": lambda a: first(a).update(severity="high"),
    "a uuid that is none": lambda a: first(a).update(uuid="1"),
    "an action without description": lambda a: action(a, "create").pop("description"),
    "a creation of nothing": lambda a: action(a, "create").pop("resource"),
    "a deletion of nothing": lambda a: action(a, "update").update(type="delete"),
    "an action of another type": lambda a: action(a, "update").update(type="remove"),
    "a system action": lambda a: a.update(systemActions=[action(a, "create")]),
    "cards that are missing": lambda a: a.update(cards=[]) or a.update(card=[]),
}  # fmt: skip


@pytest.mark.parametrize("fault", PLANTED)
def test_a_planted_fault_is_seen(client, fault):
    body = call("01-levothyroxine-150.json", "order-sign")
    answer = client.post("/cds-services/thyroid-order", json=body).json()
    assert list(faults(answer)) == []
    PLANTED[fault](answer)
    assert list(faults(answer)) != []
