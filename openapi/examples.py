"""Real examples for the OpenAPI document: invented patients in, what the service answers out.

They are computed when the document is asked for, on a stopped clock, by the same functions that
serve the routes. Where the package came without its invented patients there are none of theirs.
A whole plan is shown once for each version of FHIR, since each is long.
"""

import copy
import json
from collections.abc import Callable, Coroutine, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from decimal import Decimal
from functools import partial
from typing import Any

from msgspec import to_builtins

from crossgrain.app.pages import examples as invented
from crossgrain.cds.gathering import Gatherer
from crossgrain.cds.messages import OVERRIDE_REASON_SYSTEM
from crossgrain.cds.routes import Hooks
from crossgrain.cds.services import ORDER_ID, REVIEW_ID, Template, discovery, templates
from crossgrain.http.settings import Settings
from crossgrain.names.identity import FhirVersion
from crossgrain.operations.compare_bases import compare_bases
from crossgrain.operations.desk import Desk
from crossgrain.operations.next_step import next_step
from crossgrain.operations.parameters import Given, from_query
from crossgrain.operations.propose_switch import propose_switch
from crossgrain.operations.screen_switches import screen_switches
from crossgrain.reading.json import parse
from crossgrain.writing.forms import to_json
from openapi.error_examples import error_examples
from openapi.plan_examples import SHORTEST, applied, sheet_dates, visit_dates
from openapi.shown import AS_OF, STOPPED, Resource, Shown
from openapi.standing_examples import standing_examples

Serve = Callable[[Desk, Resource, Sequence[Given], FhirVersion], Resource]
_QUIET, _GRAINS, _STOP, _QUESTIONS, _PARKED = (
    "04-levothyroxine-100-to-liothyronine.json",
    "02-desiccated-120.json",
    "11-adrenal-insufficiency.json",
    "12-text-only-sig.json",
    "15-switched-at-half-the-dose.json",
)


def add_examples(document: Resource, desk: Desk) -> None:
    """Add them to a generated document, the longer ones once."""
    stopped = replace(desk, clock=lambda: STOPPED)
    shelf: Resource = document.setdefault("components", {}).setdefault("examples", {})
    shelf.update(error_examples(stopped))
    by_operation = dict(_every(stopped))
    for item in document["paths"].values():
        for operation in item.values():
            for shown in by_operation.get(operation["operationId"], ()):
                _add(operation, shown, shelf)
            _add_errors(operation, shelf)


def _add(operation: Resource, shown: Shown, shelf: Resource) -> None:
    if shown.request is not None:
        _put(operation["requestBody"]["content"], f"{shown.name}-call", shown, shown.request, shelf)
    if shown.response is not None:
        content = operation["responses"]["200"]["content"]
        if shown.media_type is not None:
            content = {shown.media_type: content[shown.media_type]}
        _put(content, f"{shown.name}-answer", shown, shown.response, shelf)


def _put(
    content: Resource, name: str, shown: Shown, value: Resource | str, shelf: Resource
) -> None:
    plain = value if isinstance(value, str) else json.loads(to_json(value))
    shelf[name] = {"summary": shown.summary, "value": plain}
    media_type = next(iter(content))
    examples = content[media_type].setdefault("examples", {})
    examples[name] = {"$ref": f"#/components/examples/{name}"}


def _add_errors(operation: Resource, shelf: Resource) -> None:
    for status, response in operation["responses"].items():
        name = f"error-{status}"
        if name in shelf and "content" in response:
            media_type = next(iter(response["content"]))
            reference = {"$ref": f"#/components/examples/{name}"}
            response["content"][media_type].setdefault("examples", {})[name] = reference


def _every(desk: Desk) -> Iterator[tuple[str, list[Shown]]]:
    yield from standing_examples(desk)
    records = {example.file: parse(example.body) for example in invented()}
    if not records:
        return
    for version in FhirVersion:
        sent = {
            file: record if version is FhirVersion.R4 else _as_r5(record)
            for file, record in records.items()
        }
        yield from _operations(desk, version, sent)
    yield "sheet", [sheet_dates(desk, records[SHORTEST])]
    yield "sheet-next-step", [visit_dates(desk, records[SHORTEST])]
    yield "get-cds-services", [_discovered(desk)]
    yield "post-cds-services", list(_hooks(desk, records))
    yield "post-cds-services-feedback", [_feedback()]


def _operations(
    desk: Desk, version: FhirVersion, records: Mapping[str, Resource]
) -> Iterator[tuple[str, list[Shown]]]:
    def shown(serve: Serve, name: str, summary: str, file: str, query: str) -> Shown:
        pairs = [(key, value) for key, _, value in (p.partition("=") for p in query.split("&"))]
        answer = serve(desk, records[file], from_query(pairs), version)
        return Shown(f"{version}-{name}", f"{summary}; ?{query}", records[file], answer)

    to_grains = f"target=desiccated-thyroid&as-of={AS_OF}"
    proposals = [
        shown(propose_switch, "questions", "A dose that cannot be read", _QUESTIONS, to_grains),
        shown(propose_switch, "stop", "A safety stop", _STOP, to_grains),
    ]
    yield f"fhir-{version}-propose-switch", proposals
    today = f"as-of={AS_OF}"
    asked = shown(next_step, "next-step-questions", "A dose that cannot be read", _QUESTIONS, today)
    yield f"fhir-{version}-next-step", [asked]
    compared = shown(compare_bases, "comparison", "Every basis", _GRAINS, today)
    yield f"fhir-{version}-compare-bases", [compared]
    screened = shown(screen_switches, "flag", "A switch at half the dose", _PARKED, today)
    yield f"fhir-{version}-screen-switches", [screened]
    yield (
        f"fhir-{version}-PlanDefinition-regimen-switch-apply",
        [applied(desk, version, records[SHORTEST])],
    )


def _as_r5(record: Resource) -> Resource:
    """An R4 record's medicines in the shape of R5."""
    changed = copy.deepcopy(record)
    for entry in changed["entry"]:
        resource = entry["resource"]
        if "medicationCodeableConcept" in resource:
            resource["medication"] = {"concept": resource.pop("medicationCodeableConcept")}
        if resource["resourceType"] == "MedicationStatement":
            resource["status"] = "recorded"
    return changed


def _discovered(desk: Desk) -> Shown:
    services = to_builtins(discovery(templates(desk.catalogue.codes)))
    return Shown("cds-discovery", "Every service", None, services)


def _hooks(desk: Desk, records: Mapping[str, Resource]) -> Iterator[Shown]:
    asked_for = templates(desk.catalogue.codes)
    hooks = Hooks(desk, Settings.model_construct(), Gatherer(asked_for, None))
    sent = partial(_call, asked_for)
    for name, summary, call in (
        ("cds-sign", "An order that a safety rule stops", sent("order-sign", records[_STOP])),
        ("cds-view", "A switch at half the dose", sent("patient-view", records[_PARKED])),
        ("cds-quiet", "Nothing to say", sent("patient-view", records[_QUIET])),
    ):
        service = ORDER_ID if call["hook"] == "order-sign" else REVIEW_ID
        cards = _at_once(hooks.cards(copy.deepcopy(call), service))
        yield Shown(name, summary, call, {"cards": to_builtins(cards, builtin_types=(Decimal,))})


def _at_once(work: Coroutine[Any, Any, Any]) -> Any:
    """Run what waits for nothing, since its data came with the call."""
    try:
        work.send(None)
    except StopIteration as done:
        return done.value
    raise AssertionError("an example must not wait for anything")


def _call(asked_for: Iterable[Template], hook: str, record: Resource) -> Resource:
    resources = [entry["resource"] for entry in record["entry"]]
    (patient,) = [r for r in resources if r["resourceType"] == "Patient"]
    prefetch: Resource = {}
    for template in asked_for:
        entries = [{"resource": r} for r in resources if r["resourceType"] == template.kind]
        bundle = {"resourceType": "Bundle", "type": "searchset", "entry": entries}
        found = bundle if entries else None
        prefetch[template.key] = patient if template.is_read else found
    context = {"userId": "Practitioner/tarn-row-prescriber", "patientId": patient["id"]}
    if hook == "order-sign":
        context["draftOrders"] = {
            "resourceType": "Bundle",
            "entry": [{"resource": _order(patient["id"])}],
        }
    return {
        "hook": hook,
        "hookInstance": "7d1577c6-9dfb-44ad-ba6d-3e05e953b2ea",
        "context": context,
        "prefetch": prefetch,
    }


def _order(patient_id: str) -> Resource:
    dose = {
        "value": 60,
        "unit": "mg",
        "system": "http://unitsofmeasure.org",
        "code": "mg",
    }
    coding = {"system": "http://www.nlm.nih.gov/research/umls/rxnorm", "code": "313391"}
    return {
        "resourceType": "MedicationRequest",
        "id": "rx-1",
        "status": "draft",
        "intent": "order",
        "subject": {"reference": f"Patient/{patient_id}"},
        "medicationCodeableConcept": {"coding": [coding], "text": "thyroid 60 MG Oral Tablet"},
        "authoredOn": AS_OF,
        "dosageInstruction": [
            {
                "timing": {"repeat": {"frequency": 1, "period": 1, "periodUnit": "d"}},
                "doseAndRate": [{"doseQuantity": dose}],
            }
        ],
    }


def _feedback() -> Shown:
    reason = {"code": "labs-support", "system": OVERRIDE_REASON_SYSTEM}
    entry = {
        "card": "4e0a3a1e-3283-4575-ab82-028d55fe2719",
        "outcome": "overridden",
        "overrideReason": {"reason": reason},
        "outcomeTimestamp": "2025-03-03T12:00:00Z",
    }
    return Shown("cds-feedback", "A card set aside", {"feedback": [entry]}, None)
