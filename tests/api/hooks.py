"""Calls of hooks, made from the invented patients as an EHR would make them."""

import copy
import json
from typing import Any

from .calls import PATIENTS, Resource

INSTANCE = "7d1577c6-9dfb-44ad-ba6d-3e05e953b2ea"
ORDER, REVIEW = "/cds-services/thyroid-order", "/cds-services/thyroid-switch-review"
KEYS = {
    "MedicationRequest": "medicationRequests",
    "MedicationStatement": "medicationStatements",
    "Condition": "conditions",
    "AllergyIntolerance": "allergies",
    "Goal": "goals",
    "Observation": "observations",
}
KEYS_OF_A_PLAN = {
    "CarePlan": "carePlans",
    "ServiceRequest": "bloodTests",
    "Task": "tasks",
    "QuestionnaireResponse": "howItGoes",
}
GRAIN_CODES = {
    15: "314267", 30: "313387", 60: "313391", 90: "313393", 120: "208545", 180: "198278",
}  # fmt: skip


def patient(file: str) -> list[Resource]:
    """The resources of an invented patient."""
    bundle = json.loads((PATIENTS / file).read_text())
    return [entry["resource"] for entry in bundle["entry"]]


def searchset(resources: list[Resource]) -> Resource:
    """A search result."""
    entries = [{"resource": r, "search": {"mode": "match"}} for r in resources]
    return {"resourceType": "Bundle", "type": "searchset", "total": len(entries), "entry": entries}


def prefetch_of(resources: list[Resource]) -> dict[str, Any]:
    """What an EHR sends for the templates: ``null`` where it has nothing."""
    sent: dict[str, Any] = {"patient": next(r for r in resources if r["resourceType"] == "Patient")}
    for kind, key in KEYS.items():
        found = [r for r in resources if r["resourceType"] == kind and r.get("status") != "draft"]
        sent[key] = searchset(found) if found else None
    return sent


def order(
    medicine: str, code: str, dose: float, unit: str, patient_id: str, *, own_id: str = "rx-1"
) -> Resource:
    """A draft order for one medicine, once a day."""
    coding = {"system": "http://www.nlm.nih.gov/research/umls/rxnorm", "code": code}
    return {
        "resourceType": "MedicationRequest",
        "id": own_id,
        "status": "draft",
        "intent": "order",
        "subject": {"reference": f"Patient/{patient_id}"},
        "medicationCodeableConcept": {"coding": [coding], "text": medicine},
        "authoredOn": "2025-03-02",
        "dosageInstruction": [
            {
                "timing": {"repeat": {"frequency": 1, "period": 1, "periodUnit": "d"}},
                "doseAndRate": [
                    {
                        "doseQuantity": {
                            "value": dose,
                            "unit": unit,
                            "system": "http://unitsofmeasure.org",
                            "code": unit,
                        }
                    }
                ],
            }
        ],
    }


def grains(mg: int, patient_id: str, **more: str) -> Resource:
    """A draft order for desiccated thyroid."""
    name = f"thyroid (USP) {mg} MG Oral Tablet"
    return order(name, GRAIN_CODES[mg], mg, "mg", patient_id, **more)


def levothyroxine(ug: float, patient_id: str, **more: str) -> Resource:
    """A draft order for levothyroxine, by its ingredient's code."""
    return order("levothyroxine", "10582", ug, "ug", patient_id, **more)


def liothyronine(ug: float, patient_id: str, **more: str) -> Resource:
    """A draft order for liothyronine, by its ingredient's code."""
    return order("liothyronine", "10814", ug, "ug", patient_id, **more)


def call(
    file: str, drafts: list[Resource], hook: str = "order-sign", selections: Any = None
) -> Resource:
    """One call of a hook."""
    resources = patient(file)
    context: Resource = {"userId": "Practitioner/tarn-row-prescriber", "patientId": f"p{file[:2]}"}
    if hook != "patient-view":
        entries = [{"resource": draft} for draft in drafts]
        context["draftOrders"] = {"resourceType": "Bundle", "entry": entries}
    if hook == "order-select":
        every = [f"{draft['resourceType']}/{draft['id']}" for draft in drafts]
        context["selections"] = every if selections is None else selections
    return copy.deepcopy(
        {
            "hook": hook,
            "hookInstance": INSTANCE,
            "context": context,
            "prefetch": prefetch_of(resources),
        }
    )


def chart_call(resources: list[Resource]) -> Resource:
    """A call as a chart is opened that holds all of these."""
    keys = KEYS | KEYS_OF_A_PLAN
    sent: dict[str, Any] = {"patient": next(r for r in resources if r["resourceType"] == "Patient")}
    for kind, key in keys.items():
        found = [r for r in resources if r["resourceType"] == kind]
        sent[key] = searchset(found) if found else None
    context = {"userId": "Practitioner/tarn-row-prescriber", "patientId": sent["patient"]["id"]}
    return copy.deepcopy(
        {
            "hook": "patient-view",
            "hookInstance": INSTANCE,
            "context": context,
            "prefetch": sent,
        }
    )
