"""Every operation that takes a record, and how the record is put into a call of it."""

import json
from typing import Any

from tests.bench.costs.shapes import PATIENT, SUBJECT, THYROID, Json, order

DAY = "as-of=2025-03-03"
TARGET = "desiccated-thyroid"
FHIR_JSON, PLAIN_JSON = "application/fhir+json", "application/json"
APPLY = "$apply"
PATHS = {
    "$propose-switch": f"/fhir/r4/$propose-switch?target={TARGET}&{DAY}",
    "$compare-bases": f"/fhir/r4/$compare-bases?{DAY}",
    "$screen-switches": f"/fhir/r4/$screen-switches?{DAY}",
    APPLY: "/fhir/r4/PlanDefinition/regimen-switch/$apply",
    "/sheet": f"/sheet?target={TARGET}&{DAY}",
    "order-select": "/cds-services/thyroid-order",
    "order-sign": "/cds-services/thyroid-order",
    "patient-view": "/cds-services/thyroid-switch-review",
}
HOOKS = ("order-select", "order-sign", "patient-view")
KEYS = {
    "MedicationRequest": "medicationRequests",
    "MedicationStatement": "medicationStatements",
    "Condition": "conditions",
    "AllergyIntolerance": "allergies",
    "Goal": "goals",
    "Observation": "observations",
}


def media_type(operation: str) -> str:
    """What is said of the body."""
    return PLAIN_JSON if operation in HOOKS else FHIR_JSON


def body(operation: str, shape: Json | bytes) -> bytes:
    """The body of a call; what is no record is sent as it is."""
    if isinstance(shape, bytes):
        return shape
    if operation in HOOKS:
        return json.dumps(_hook(operation, shape)).encode()
    return json.dumps(_applied(shape) if operation == APPLY else shape).encode()


def _applied(record: Json) -> Json:
    options = [
        {"name": "target", "valueCode": TARGET},
        {"name": "as-of", "valueDate": DAY.removeprefix("as-of=")},
    ]
    return _parameters(
        {"name": "subject", "valueString": SUBJECT["reference"]},
        {"name": "data", "resource": record},
        {"name": "parameters", "resource": _parameters(*options)},
    )


def _parameters(*given: Json) -> Json:
    return {"resourceType": "Parameters", "parameter": list(given)}


def _hook(hook: str, record: Json) -> Json:
    """A call with the record as its prefetch, and its drafts, or one, as those of the session."""
    held = [entry["resource"] for entry in record["entry"]]
    drafts = [r for r in held if r.get("status") == "draft"] or [
        order(999_999, THYROID, status="draft")
    ]
    context: dict[str, Any] = {"userId": "Practitioner/1", "patientId": PATIENT["id"]}
    if hook != "patient-view":
        context["draftOrders"] = _bundle(drafts)
    if hook == "order-select":
        context["selections"] = [f"MedicationRequest/{draft['id']}" for draft in drafts]
    return {
        "hook": hook,
        "hookInstance": "7d1577c6-9dfb-44ad-ba6d-3e05e953b2ea",
        "context": context,
        "prefetch": _prefetch(held, {k: v for k, v in record.items() if k == "link"}),
    }


def _prefetch(held: list[Json], more: Json) -> Json:
    """Each kind under its key; what has none comes beside the orders, as if included."""
    sent: dict[str, Any] = {"patient": PATIENT}
    by_key: dict[str, list[Json]] = {key: [] for key in KEYS.values()}
    for resource in held:
        if resource is not PATIENT and resource.get("status") != "draft":
            by_key[KEYS.get(resource["resourceType"], "medicationRequests")].append(resource)
    sent |= {key: _bundle(kept) for key, kept in by_key.items()}
    sent["medicationRequests"] |= more
    return sent


def _bundle(resources: list[Json]) -> Json:
    return {
        "resourceType": "Bundle", "type": "searchset",
        "entry": [{"resource": resource} for resource in resources],
    }  # fmt: skip
