"""Suggestions as actions: what is deleted, updated, created, and what it refers to."""

import copy
import re
from fractions import Fraction
from typing import Any

import pytest
from tests.api.hooks import call, grains, levothyroxine, liothyronine
from tests.api.test_cds_orders import standing_order

from crossgrain.cds.actions import MOST_ACTIONS, replaced_orders, say_what_it_replaces
from crossgrain.cds.answers import CardAction, CardSuggestion
from crossgrain.cds.hook import DraftOrder
from crossgrain.names.series_extension import SERIES_URL
from crossgrain.reading.record import MedicineEntry
from crossgrain.writing.forms import to_json

from .conftest import Cards, written

LT4, GRAINS = "01-levothyroxine-150.json", "02-desiccated-120.json"
Action = dict[str, Any]


def actions_of(cards: Cards, body: Action, number: int = 0) -> list[Action]:
    (card,) = cards(body)
    found: list[Action] = card["suggestions"][number]["actions"]
    return found


def created(actions: list[Action], kind: str) -> list[Action]:
    return [
        a["resource"]
        for a in actions
        if a["type"] == "create" and a["resource"]["resourceType"] == kind
    ]


def references(node: Any) -> list[str]:
    """Every reference in a resource."""
    if isinstance(node, dict):
        own = [node["reference"]] if isinstance(node.get("reference"), str) else []
        return own + [found for value in node.values() for found in references(value)]
    return [found for item in node for found in references(item)] if isinstance(node, list) else []


def test_the_draft_becomes_the_first_order_and_what_must_go_with_it_is_created(
    cards: Cards,
) -> None:
    """15 mg for 14 days, then 30, then 45; the old tablet falls meanwhile and its order ends."""
    first, *beside = actions_of(cards, call(LT4, [grains(60, "p01")]))
    assert first["type"] == "update"
    order = first["resource"]
    assert (order["id"], order["status"], order["intent"]) == ("rx-1", "draft", "order")
    assert order["medicationCodeableConcept"]["text"] == "desiccated thyroid 15 mg tablet"
    amounts = [d["doseAndRate"][-1]["doseQuantity"]["value"] for d in order["dosageInstruction"]]
    assert amounts == [15, 30, 45]
    assert [each["resource"]["resourceType"] for each in beside] == [
        "MedicationRequest", "Task", "ServiceRequest",
    ]  # fmt: skip
    assert {each["type"] for each in beside} == {"create"}
    (old,) = created(beside, "MedicationRequest")
    assert old["medicationCodeableConcept"]["text"] == "levothyroxine sodium 88 microgram tablet"


@pytest.mark.parametrize("intent", ["order", "plan", "proposal"])
def test_everything_is_of_the_intent_of_the_draft_and_the_orders_carry_the_plan(
    cards: Cards, intent: str
) -> None:
    draft = grains(60, "p01") | {"intent": intent}
    actions = actions_of(cards, call(LT4, [draft]))
    resources = [action["resource"] for action in actions]
    assert {resource["intent"] for resource in resources} == {intent}
    marks = [r["extension"][-1] for r in resources if r["resourceType"] == "MedicationRequest"]
    plans = {part["valueId"] for m in marks for part in m["extension"] if part["url"] == "plan"}
    assert [mark["url"] for mark in marks] == [SERIES_URL] * len(marks)
    assert len(plans) == 1


def test_what_the_client_wrote_in_the_draft_stays_but_for_the_dose_and_the_medicine(
    cards: Cards,
) -> None:
    own = {
        "identifier": [{"system": "urn:x", "value": "1"}],
        "requester": {"reference": "Practitioner/a"},
        "reasonCode": [{"text": "hypothyroidism"}],
        "note": [{"text": "by hand"}],
        "extension": [{"url": "urn:theirs", "valueCode": "x"}],
        "dispenseRequest": {"performer": {"display": "a pharmacy"}, "quantity": {"value": 30}},
    }
    old_words = {"text": {"status": "generated", "div": "60 mg"}, "_status": {"id": "s"}}
    body = call(LT4, [grains(60, "p01") | own | old_words])
    order = actions_of(cards, body)[0]["resource"]
    for name in ("identifier", "requester", "reasonCode"):
        assert order[name] == own[name]
    assert order["note"][0] == {"text": "by hand"}
    assert order["extension"][0] == {"url": "urn:theirs", "valueCode": "x"}
    assert order["dispenseRequest"]["performer"] == {"display": "a pharmacy"}
    assert order["dispenseRequest"]["quantity"]["value"] != 30
    assert "text" not in order  # it told the dose that is no more


def test_what_the_draft_does_not_say_of_its_purpose_comes_from_the_series(cards: Cards) -> None:
    body = call(LT4, [grains(60, "p01")])
    order = actions_of(cards, body)[0]["resource"]
    assert order["requester"] == {"reference": body["context"]["userId"]}
    assert order["reasonReference"] == [{"reference": "Condition/p01-condition-1"}]
    assert order["category"][0]["coding"][0]["code"] == "community"
    assert order["courseOfTherapyType"]["coding"][0]["code"] == "continuous"
    own = {"reasonCode": [{"text": "hypothyroidism"}], "category": [{"text": "at home"}]}
    order = actions_of(cards, call(LT4, [grains(60, "p01") | own]))[0]["resource"]
    assert {name: order[name] for name in own} == own
    assert "reasonReference" not in order  # two reasons might be two


def test_a_medication_that_the_draft_carried_goes_with_the_old_dose(cards: Cards) -> None:
    draft = grains(60, "p01")
    code = draft.pop("medicationCodeableConcept")
    draft["medicationReference"] = {"reference": "#m"}
    draft["contained"] = [{"resourceType": "Medication", "id": "m", "code": code}]
    order = actions_of(cards, call(LT4, [draft]))[0]["resource"]
    assert order["medicationCodeableConcept"]["text"] == "desiccated thyroid 15 mg tablet"
    assert not {"medicationReference", "contained"} & set(order)


def test_an_order_that_the_series_lets_run_on_is_not_said_to_be_replaced(cards: Cards) -> None:
    """15 mg in the place of 150 µg would be an under-dose of its own."""
    body = call(LT4, [grains(60, "p01")])
    _, old = standing_order(body)
    draft = body["context"]["draftOrders"]["entry"][0]["resource"]
    draft["priorPrescription"] = {"reference": old}
    order = actions_of(cards, body)[0]["resource"]
    assert "priorPrescription" not in order


def test_an_order_that_the_record_does_not_show_stays_replaced_as_was_said(cards: Cards) -> None:
    body = call(LT4, [grains(60, "p01")])
    draft = body["context"]["draftOrders"]["entry"][0]["resource"]
    draft["priorPrescription"] = {"reference": "MedicationRequest/another"}
    order = actions_of(cards, body)[0]["resource"]
    assert order["priorPrescription"] == {"reference": "MedicationRequest/another"}


def test_the_other_drafts_of_the_session_go_first(cards: Cards) -> None:
    drafts = [grains(60, "p01"), liothyronine(25, "p01", own_id="rx-2")]
    first, second, *_ = actions_of(cards, call(LT4, drafts))
    assert (first["type"], first["resourceId"]) == ("delete", "MedicationRequest/rx-2")
    assert (second["type"], second["resource"]["id"]) == ("update", "rx-1")


def test_an_order_that_was_signed_is_left_as_it_stands(cards: Cards) -> None:
    actions = actions_of(cards, call(LT4, [grains(60, "p01") | {"status": "active"}]))
    assert {action["type"] for action in actions} == {"create"}
    assert "rx-1" not in {action["resource"]["id"] for action in actions}


def test_the_tests_of_one_morning_are_one_request_with_each_of_them_coded(cards: Cards) -> None:
    (draw,) = created(actions_of(cards, call(LT4, [grains(60, "p01")])), "ServiceRequest")
    assert draw["occurrenceDateTime"] == "2025-04-06"  # the labs at hand stand for day one
    assert [code["coding"][0]["code"] for code in draw["orderDetail"]] == [
        "3016-3", "3024-7", "3051-0",
    ]  # fmt: skip
    assert draw["identifier"][0]["value"] == draw["id"]


def test_of_the_first_day_the_blood_test_alone_is_filed_and_the_order_says_what_comes_before(
    cards: Cards,
) -> None:
    """Atrial fibrillation, on warfarin: INR, pulse and an ECG on day one."""
    body = call("10-older-with-atrial-fibrillation.json", [grains(30, "p10")])
    (card,) = cards(body)
    assert "before the first dose, with an electrocardiogram" in card["detail"]
    first = card["suggestions"][0]["actions"]
    (draw,) = created(first, "ServiceRequest")
    assert draw["code"]["text"] == "INR"
    assert "electrocardiogram" in str(first[0]["resource"]["note"])


@pytest.mark.parametrize("number", [0, 1])
def test_nothing_points_at_what_is_neither_created_nor_in_the_record(
    cards: Cards, number: int
) -> None:
    body = call(GRAINS, [levothyroxine(200, "p02")])
    resources = [a["resource"] for a in actions_of(cards, body, number) if "resource" in a]
    there = {f"{r['resourceType']}/{r['id']}" for r in resources}
    for sent in filter(None, body["prefetch"].values()):
        found = [e["resource"] for e in sent.get("entry", [])] or [sent]
        there |= {f"{r['resourceType']}/{r['id']}" for r in found if r.get("id")}
    there |= {"MedicationRequest/rx-1", body["context"]["userId"]}
    assert set(references(resources)) - there == set()
    assert "urn:uuid:" not in str(references(resources))


def test_the_whole_series_deletes_the_draft_and_creates_everything_up_to_the_labs(
    cards: Cards,
) -> None:
    deleted, *rest = actions_of(cards, call(GRAINS, [levothyroxine(200, "p02")]), 1)
    assert deleted == {
        "type": "delete",
        "description": "Remove the order as written, MedicationRequest/rx-1",
        "resourceId": "MedicationRequest/rx-1",
    }
    assert {action["type"] for action in rest} == {"create"}
    (plan,) = created(rest, "CarePlan")
    orders = created(rest, "MedicationRequest")
    assert len(orders) >= 3
    named = {f"{r['resourceType']}/{r['id']}" for r in (a["resource"] for a in rest)}
    assert {a["reference"]["reference"] for a in plan["activity"]} == named - {
        f"CarePlan/{plan['id']}"
    }
    assert all(o["basedOn"] == [{"reference": f"CarePlan/{plan['id']}"}] for o in orders)
    assert not {"option"} & {r["intent"] for r in orders}


def test_what_must_be_done_before_the_start_stands_on_what_starts(cards: Cards) -> None:
    """Said once: on the plan, and on each order of its first day."""
    orders = created(actions_of(cards, call(GRAINS, [levothyroxine(200, "p02")]), 1),
                     "MedicationRequest")  # fmt: skip
    on_the_first_day = [
        "Not to be started before this is done" in str(order["note"])
        for order in orders
        if order["dosageInstruction"][0]["timing"]["repeat"]["boundsPeriod"]["start"]
        == "2025-03-02"
    ]
    assert on_the_first_day == [True, True]


@pytest.mark.parametrize("way", [1, -1])
def test_a_further_draft_becomes_the_order_of_its_own_medicine(cards: Cards, way: int) -> None:
    """Two drafts, in either order: none is removed to be created anew, none changes medicine."""
    drafts = [levothyroxine(75, "p01"), liothyronine(5, "p01", own_id="rx-2")]
    drafts[1]["identifier"] = [{"system": "https://ehr.example/orders", "value": "2"}]
    actions = actions_of(cards, call(LT4, copy.deepcopy(drafts)[::way]))
    assert [action["type"] for action in actions] == ["update", "update", "create", "create"]
    updated = {action["resource"]["id"]: action["resource"] for action in actions[:2]}
    for draft in drafts:
        order = updated[draft["id"]]
        medicine = draft["medicationCodeableConcept"]["text"].split()[0]
        assert medicine in order["medicationCodeableConcept"]["text"]
        assert order.get("identifier") == draft.get("identifier")
        assert order["extension"]
    assert not re.search(rb"\[\]|\{\}", to_json(actions))  # FHIR has nothing empty


def test_an_empty_list_in_the_draft_is_neither_kept_nor_in_the_way(cards: Cards) -> None:
    """What the client left empty comes from the series, as what it left out does."""
    plain = actions_of(cards, call(GRAINS, [levothyroxine(200, "p02")]))
    unfilled = {name: [] for name in ("category", "note", "reasonCode", "supportingInformation")}
    assert actions_of(cards, call(GRAINS, [levothyroxine(200, "p02") | unfilled])) == plain


def test_a_further_draft_of_which_the_series_has_no_order_is_removed(cards: Cards) -> None:
    drafts = [grains(60, "p01"), grains(15, "p01", own_id="rx-2")]
    actions = actions_of(cards, call(LT4, drafts))
    removed = [action["resourceId"] for action in actions if action["type"] == "delete"]
    updated = [action["resource"]["id"] for action in actions if action["type"] == "update"]
    assert (removed, updated) == (["MedicationRequest/rx-2"], ["rx-1"])


def test_an_order_that_goes_on_with_the_old_medicine_says_which_statement_it_replaces(
    cards: Cards,
) -> None:
    """Beside what the client says of it; without it both would seem to be taken."""
    drafts = [levothyroxine(75, "p01"), liothyronine(5, "p01", own_id="rx-2")]
    drafts[0]["supportingInformation"] = [{"reference": "Observation/own"}]
    kept, added = [
        action["resource"].get("supportingInformation")
        for action in actions_of(cards, call(LT4, drafts))[:2]
    ]
    statement = {"reference": "MedicationStatement/p01-medication-2"}
    assert kept == [{"reference": "Observation/own"}, statement]
    assert added is None


def test_of_what_goes_with_the_first_order_no_more_than_six_things_are_done(cards: Cards) -> None:
    drafts = [grains(60, "p01")]
    drafts += [grains(15, "p01", own_id=f"rx-{number}") for number in range(2, 4)]
    for file, orders in ((LT4, drafts), (GRAINS, [levothyroxine(200, "p02")])):
        assert len(actions_of(cards, call(file, copy.deepcopy(orders)))) <= MOST_ACTIONS == 6


def draft(own_id: str, **said: Any) -> DraftOrder:
    resource = {"resourceType": "MedicationRequest", "id": own_id, **said}
    return DraftOrder(f"MedicationRequest/{own_id}", "x", resource)


def entry(reference: str, kind: str = "MedicationRequest") -> MedicineEntry:
    return MedicineEntry(reference, kind, "x", (), "active", strength=Fraction(1))


def test_an_order_can_say_what_it_replaces_and_says_all_else_as_before() -> None:
    said = written(say_what_it_replaces(draft("rx-1", note="n"), entry("MedicationRequest/old")))
    assert said == {
        "type": "update",
        "description": "Say in MedicationRequest/rx-1 that it replaces MedicationRequest/old",
        "resource": {
            "resourceType": "MedicationRequest",
            "id": "rx-1",
            "note": "n",
            "priorPrescription": {"reference": "MedicationRequest/old"},
        },
    }


def test_only_an_order_can_be_replaced_by_an_order() -> None:
    """FHIR R4: priorPrescription refers to a MedicationRequest."""
    entries = [entry("MedicationStatement/s", "MedicationStatement"), entry("MedicationRequest/r")]
    assert [one.reference for one in replaced_orders(entries)] == ["MedicationRequest/r"]


@pytest.mark.parametrize("recommended", [True, False])
def test_a_suggestion_is_recommended_or_says_nothing_of_it(*, recommended: bool) -> None:
    act = CardAction(type="delete", description="Remove it", resource_id="Task/1")
    made = CardSuggestion(label="Do it", uuid="u", is_recommended=recommended, actions=[act])
    said = {"isRecommended": True} if recommended else {}
    done = {"type": "delete", "description": "Remove it", "resourceId": "Task/1"}
    assert written(made) == {"label": "Do it", "uuid": "u", "actions": [done], **said}
