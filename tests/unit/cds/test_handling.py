"""From a call to its cards: what is asked for, in which order, and when nothing is said."""

import asyncio
import json
from typing import Any

import pytest
from tests.api.conftest import STOPPED
from tests.api.hooks import call, grains, levothyroxine, order

from crossgrain.catalogue import Catalogue
from crossgrain.cds.gathering import Gatherer
from crossgrain.cds.hook import HookCall
from crossgrain.cds.routes import Hooks
from crossgrain.cds.services import Gathered, PlacedResource, Template, TemplateAnswer, templates
from crossgrain.http.settings import Settings
from crossgrain.names.errors import DomainError
from crossgrain.operations.desk import desk_over
from crossgrain.operations.faults import RequestRefused
from crossgrain.reading.json import parse

from .conftest import Cards, written

LT4, GRAINS, TEXT_ONLY = (
    "01-levothyroxine-150.json",
    "02-desiccated-120.json",
    "12-text-only-sig.json",
)
AMOXICILLIN = order("amoxicillin", "723", 500, "mg", "p01", own_id="rx-2")


class Asked(Gatherer):
    """Notes what is asked for, and gives what a test put there."""

    def __init__(self, asked_for: tuple[Template, ...]) -> None:
        super().__init__(asked_for, None)
        self.completions: list[HookCall] = []
        self.medications: list[tuple[HookCall, list[str]]] = []
        self.found: list[Gathered] = []

    async def completed(self, call: HookCall, brought: list[Gathered]) -> list[Gathered]:
        self.completions.append(call)
        return brought

    async def with_medications(self, call: HookCall, resources: list[Gathered]) -> list[Gathered]:
        kinds = [part.resource["resourceType"] for each in resources for part in each.resources]
        self.medications.append((call, kinds))
        return resources + self.found


@pytest.fixture
def asked(catalogue: Catalogue) -> Asked:
    return Asked(templates(catalogue.codes))


def answered(
    catalogue: Catalogue, asked: Asked, body: dict[str, Any], service: str = "thyroid-order"
) -> list[dict[str, Any]]:
    hooks = Hooks(desk_over(catalogue, lambda: STOPPED), Settings(), asked)
    told = asyncio.run(hooks.cards(parse(json.dumps(body).encode()), service))
    return [written(card) for card in told]


def test_a_basis_that_is_none_is_an_error_at_start_that_names_the_setting(
    catalogue: Catalogue, asked: Asked
) -> None:
    with pytest.raises(DomainError) as unknown:
        Hooks(desk_over(catalogue, lambda: STOPPED), Settings(cds_basis="none"), asked)
    assert unknown.value.field == "CROSSGRAIN_CDS_BASIS"
    assert unknown.value.message.startswith("there is no such basis; there are practice, ")
    assert unknown.value.category


@pytest.mark.parametrize(
    "drafts", [[], [AMOXICILLIN]], ids=["no order", "an order for another medicine"]
)
def test_where_no_order_is_for_thyroid_hormone_nothing_is_asked_for(
    catalogue: Catalogue, asked: Asked, drafts: list[dict[str, Any]]
) -> None:
    body = call(LT4, drafts)
    body["prefetch"] = {}
    assert answered(catalogue, asked, body) == []
    assert asked.completions == []


def test_the_record_is_asked_for_with_the_orders_for_thyroid_hormone_alone(
    catalogue: Catalogue, asked: Asked
) -> None:
    body = call(LT4, [AMOXICILLIN, levothyroxine(150, "p01")])
    assert answered(catalogue, asked, body) == []
    (completing,) = asked.completions
    assert [draft.reference for draft in completing.drafts] == ["MedicationRequest/rx-1"]
    assert [draft.reference for draft in completing.selected] == ["MedicationRequest/rx-1"]


def test_to_tell_what_an_order_is_for_no_more_than_names_is_looked_at(
    catalogue: Catalogue, asked: Asked
) -> None:
    """Before the record is asked for, of it only what names a medicine or its reason counts."""
    answered(catalogue, asked, call(LT4, [levothyroxine(150, "p01")]))
    _, kinds = asked.medications[0]
    assert set(kinds) == {"Patient", "Condition"}


def test_a_medication_that_was_found_tells_what_an_order_is_for(
    catalogue: Catalogue, asked: Asked
) -> None:
    drafted = grains(60, "p01")
    medication = {
        "resourceType": "Medication",
        "id": "m",
        "code": drafted.pop("medicationCodeableConcept"),
    }
    drafted["medicationReference"] = {"reference": "Medication/m"}
    body = call(LT4, [drafted])
    (card,) = answered(catalogue, asked, body)
    assert card["summary"].startswith("Order MedicationRequest/rx-1: not judged")
    template = Template("Medication/m", "Medication", "Medication/m")
    asked.found = [
        Gathered(template, TemplateAnswer.GIVEN, (PlacedResource("fhirServer.m", medication),))
    ]
    (card,) = answered(catalogue, asked, body)
    assert card["summary"].startswith("Desiccated thyroid 60 mg a day")


def test_an_order_for_another_medicine_that_cannot_be_read_is_passed_over(cards: Cards) -> None:
    """Of a stranger only the name is read: what is wrong with the rest is not ours to refuse."""
    odd = AMOXICILLIN | {
        "dosageInstruction": 5,
        "dispenseRequest": {"quantity": "many"},
        "authoredOn": "soon",
    }
    assert cards(call(LT4, [odd])) == []
    odd["dosageInstruction"] = [5, {"text": 5, "patientInstruction": "twice"}]
    assert cards(call(LT4, [odd])) == []


def test_the_reason_alone_tells_that_an_order_may_be_for_thyroid_hormone(cards: Cards) -> None:
    """A name that nobody knows, for hypothyroidism, is asked about and never passed over."""
    unknown = order("Zz9", "1", 1, "mg", "p01") | {
        "medicationCodeableConcept": {"text": "Zz9"},
        "reasonCode": [{"text": "hypothyroidism"}],
    }
    (card,) = cards(call(LT4, [unknown]))
    assert card["indicator"] == "info"
    del unknown["reasonCode"]
    assert cards(call(LT4, [unknown])) == []


@pytest.mark.parametrize("element", ["text", "patientInstruction"])
def test_the_words_of_a_dose_alone_tell_that_it_may_be_thyroid_hormone(
    cards: Cards, element: str
) -> None:
    """Where a name says nothing, "for your thyroid" is what the prescriber has said."""
    unknown = order("Zz9", "1", 1, "mg", "p01") | {
        "medicationCodeableConcept": {"text": "Zz9"},
        "dosageInstruction": [{element: "1 tablet daily for hypothyroidism"}],
    }
    (card,) = cards(call(LT4, [unknown]))
    assert card["indicator"] == "info"


@pytest.mark.parametrize("hook", ["order-select", "order-sign"])
def test_what_cannot_be_read_is_asked_for_when_it_is_signed(cards: Cards, hook: str) -> None:
    found = cards(call(TEXT_ONLY, [grains(60, "p12")], hook))
    assert [card["indicator"] for card in found] == (["info"] if hook == "order-sign" else [])


def test_an_order_that_has_no_dose_yet_is_waited_for_before_anything_is_asked_for(
    catalogue: Catalogue, asked: Asked
) -> None:
    unfinished = grains(60, "p01")
    del unfinished["dosageInstruction"]
    assert answered(catalogue, asked, call(LT4, [unfinished], "order-select")) == []
    assert asked.completions == []


def test_without_the_whole_of_what_is_taken_nothing_is_judged(cards: Cards) -> None:
    body = call(LT4, [grains(60, "p01")])
    del body["prefetch"]["medicationRequests"]
    with pytest.raises(RequestRefused) as refused:
        cards(body)
    (complaint,) = refused.value.complaints
    assert complaint.expression == "prefetch.medicationRequests"


@pytest.mark.parametrize(
    ("service", "hook"),
    [("thyroid-order", "order-sign"), ("thyroid-switch-review", "patient-view")],
)
def test_the_record_of_somebody_else_is_refused(cards: Cards, service: str, hook: str) -> None:
    body = call(LT4, [grains(60, "p01")], hook)
    body["prefetch"]["patient"]["id"] = "p02"
    with pytest.raises(RequestRefused) as refused:
        cards(body, service)
    assert refused.value.complaints[0].expression == "prefetch.patient.id"


def test_a_view_of_a_chart_asks_for_all_and_for_medications_once(
    catalogue: Catalogue, asked: Asked
) -> None:
    body = call(LT4, [], "patient-view")
    assert answered(catalogue, asked, body, "thyroid-switch-review") == []
    assert len(asked.completions) == len(asked.medications) == 1


def test_the_series_is_dated_by_the_calendar_of_the_clinic(cards: Cards) -> None:
    """At 23:30 in Lisbon it is the next day in Helsinki, and a dose begins on a day."""
    body = call(LT4, [grains(60, "p01")])
    for zone, first in (("Europe/Lisbon", "2 March 2025"), ("Europe/Helsinki", "3 March 2025")):
        (card,) = cards(body, time_zone=zone)
        begun = card["suggestions"][0]["actions"][0]["resource"]
        assert f"from {first} to" in begun["dosageInstruction"][0]["text"]


def fitting(hook: str, **record: Any) -> dict[str, Any]:
    """100 µg for two grains, which end: it fits on `practice`."""
    body = call(GRAINS, [levothyroxine(100, "p02")], hook)
    (stated,) = [one["resource"] for one in body["prefetch"]["medicationStatements"]["entry"]]
    old = {
        "resourceType": "MedicationRequest",
        "id": "old-1",
        "status": "active",
        "intent": "order",
        "subject": stated["subject"],
        "medicationCodeableConcept": stated["medicationCodeableConcept"],
        "authoredOn": "2025-01-02",
        "dosageInstruction": stated["dosage"],
    }
    entries = [{"resource": old}]
    body["prefetch"]["medicationRequests"] = {
        "resourceType": "Bundle", "type": "searchset", "entry": entries,
    }  # fmt: skip
    body["prefetch"]["medicationStatements"] = None
    drafted = body["context"]["draftOrders"]["entry"][0]["resource"]
    drafted["priorPrescription"] = {"reference": "MedicationRequest/old-1"}
    body["prefetch"] |= record
    return body


def condition(code: str, text: str) -> dict[str, Any]:
    """A problem of the patient's."""
    coding = {"system": "http://snomed.info/sct", "code": code, "display": text}
    return {
        "resourceType": "Condition",
        "id": f"c-{code}",
        "clinicalStatus": {"coding": [{
            "system": "http://terminology.hl7.org/CodeSystem/condition-clinical",
            "code": "active",
        }]},
        "code": {"coding": [coding], "text": text},
        "subject": {"reference": "Patient/p02"},
    }  # fmt: skip


def problems(*conditions: dict[str, Any]) -> dict[str, Any]:
    hypothyroid = condition("40930008", "Hypothyroidism")
    entries = [{"resource": one} for one in (hypothyroid, *conditions)]
    return {"conditions": {"resourceType": "Bundle", "type": "searchset", "entry": entries}}


ADRENAL = condition("386584007", "Adrenal insufficiency")
FIBRILLATION = condition("49436004", "Atrial fibrillation")


@pytest.mark.parametrize(
    ("hook", "conditions", "indicators"),
    [
        ("order-sign", (), []),
        ("order-select", (), []),
        ("order-sign", (FIBRILLATION,), ["warning"]),
        ("order-select", (FIBRILLATION,), []),
        ("order-sign", (ADRENAL,), ["critical"]),
        ("order-select", (ADRENAL,), ["critical"]),
    ],
)
def test_an_order_that_fits_is_spoken_of_for_a_stop_at_once_and_for_a_hold_when_signed(
    cards: Cards, hook: str, conditions: tuple[dict[str, Any], ...], indicators: list[str]
) -> None:
    """While an order is selected nobody is interrupted for what can wait until it is signed."""
    found = cards(fitting(hook, **problems(*conditions)))
    assert [card["indicator"] for card in found] == indicators
    for card in found:
        assert "suggestions" not in card  # it does without a series
        assert "Proposed instead" not in card["detail"]
        assert "- Note: " not in card["detail"]
