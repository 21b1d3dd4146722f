"""Suggestions as actions: what is deleted, created, updated, and how it refers to itself."""

import base64
from fractions import Fraction
from typing import Any

import pytest

from crossgrain.cds.actions import (
    file_the_page,
    replace_by_series,
    replaced_orders,
    say_what_it_replaces,
)
from crossgrain.cds.answers import CardAction, CardSuggestion
from crossgrain.cds.hook import DraftOrder
from crossgrain.names.identity import urn
from crossgrain.reading.record import MedicineEntry

from .conftest import written

PLAN = {
    "resourceType": "CarePlan",
    "id": "plan",
    "title": "Move from a to b",
    "subject": {"reference": "Patient/p01"},
    "activity": [{"reference": {"reference": urn("first")}}],
}


def order(own_id: str, intent: str = "proposal") -> dict[str, Any]:
    return {
        "resourceType": "MedicationRequest",
        "id": own_id,
        "intent": intent,
        "basedOn": [{"reference": urn("plan")}],
        "dosageInstruction": [{"text": "take 1"}, {"text": "take 2"}],
        "supportingInformation": [{"reference": urn("drafted")}, {"reference": urn("strange")}],
        "quantity": 5,
    }


OTHERS = [
    {"resourceType": "Task", "id": "t", "description": "End a"},
    {"resourceType": "ServiceRequest", "id": "s", "code": {"text": "TSH"}},
    {"resourceType": "DetectedIssue", "id": "d", "detail": "Too much\x00"},
    {"resourceType": "RequestGroup", "id": "g"},
]
ANSWER: dict[str, Any] = {
    "resourceType": "Bundle",
    "timestamp": "2025-03-02T00:00:00Z",
    "entry": [
        {"resource": {"resourceType": "GuidanceResponse", "id": "guidance"}},
        {"resource": PLAN},
        {"resource": order("first")},
        {"resource": order("second", "option")},
        *({"resource": other} for other in OTHERS),
        {"resource": {"resourceType": "Provenance", "id": "provenance"}},
    ],
}


def draft(own_id: str, **said: Any) -> DraftOrder:
    resource = {"resourceType": "MedicationRequest", "id": own_id, **said}
    return DraftOrder(f"MedicationRequest/{own_id}", "x", resource)


def in_words(words: str) -> str:
    return words.replace(urn("drafted"), "MedicationRequest/rx-1")


def test_the_order_in_draft_goes_first_and_then_all_of_the_plan_comes() -> None:
    """Deletions are carried out before creations; what is signed already is not deleted."""
    drafts = [draft("rx-1", status="draft"), draft("rx-2", status="active"), draft("rx-3")]
    deleted, *created = map(written, replace_by_series(ANSWER, drafts, in_words))
    assert deleted == {
        "type": "delete",
        "description": "Remove the order as written, MedicationRequest/rx-1",
        "resourceId": "MedicationRequest/rx-1",
    }
    assert {action["type"] for action in created} == {"create"}
    assert [action["resource"]["id"] for action in created] == [
        "plan", "first", "second", "t", "s", "d", "g",
    ]  # fmt: skip
    assert [action["description"] for action in created] == [
        "Move from a to b",
        "take 1 take 2",
        "One option at the checkpoint: take 1 take 2",
        "End a",
        "Blood test: TSH",
        "Too much\ufffd",
        "The checkpoint: exactly one of its options is taken, by the labs",
    ]


def test_what_is_filed_refers_to_itself_by_type_and_id_and_to_the_clients_own_orders() -> None:
    """In a transaction on the client's server no URN of ours leads anywhere."""
    plan, first, *_ = [a.resource for a in replace_by_series(ANSWER, [], in_words)]
    assert plan == PLAN | {"activity": [{"reference": {"reference": "MedicationRequest/first"}}]}
    assert first == order("first") | {
        "basedOn": [{"reference": "CarePlan/plan"}],
        "supportingInformation": [
            {"reference": "MedicationRequest/rx-1"},
            {"reference": urn("strange")},
        ],
    }
    assert PLAN["activity"] == [{"reference": {"reference": urn("first")}}]  # the answer is kept


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


def test_the_page_is_filed_whole() -> None:
    action = written(file_the_page(ANSWER, "<!DOCTYPE html> µ"))
    assert (action["type"], action["description"]) == ("create", "File the page: Move from a to b")
    attachment = action["resource"]["content"][0]["attachment"]
    assert base64.b64decode(attachment["data"]).decode() == "<!DOCTYPE html> µ"


@pytest.mark.parametrize("recommended", [True, False])
def test_a_suggestion_is_recommended_or_says_nothing_of_it(*, recommended: bool) -> None:
    act = CardAction(type="delete", description="Remove it", resource_id="Task/1")
    made = CardSuggestion(label="Do it", uuid="u", is_recommended=recommended, actions=[act])
    said = {"isRecommended": True} if recommended else {}
    done = {"type": "delete", "description": "Remove it", "resourceId": "Task/1"}
    assert written(made) == {"label": "Do it", "uuid": "u", "actions": [done], **said}
