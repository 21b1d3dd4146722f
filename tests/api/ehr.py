"""A client that takes a series up and lives with it.

The EHR is invented and small: it files the transaction, makes orders of the proposals as they are
signed, keeps or drops our identifiers and extensions, and asks the hooks each time.
"""

import copy
import json
from collections.abc import Callable, Iterable
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from fastapi.testclient import TestClient

from crossgrain.app.factory import create_app
from crossgrain.catalogue import Catalogue
from crossgrain.http.settings import Settings

from .calls import FHIR, Resource
from .hooks import INSTANCE, KEYS, ORDER, patient, searchset

DAY_ONE = date(2025, 3, 3)
UCUM = "http://unitsofmeasure.org"
RXNORM = "http://www.nlm.nih.gov/research/umls/rxnorm"


class Ehr:
    """One patient's chart, and a series that was proposed on day one."""

    def __init__(self, catalogue: Catalogue, file: str, target: str, **options: str) -> None:
        self._noon = datetime.combine(DAY_ONE, time(12), ZoneInfo("UTC"))
        self._service = TestClient(create_app(Settings(), catalogue, clock=lambda: self._noon))
        self.chart = [r for r in patient(file) if r.get("status") != "draft"]
        self.patient_id = next(r["id"] for r in self.chart if r["resourceType"] == "Patient")
        query = {"target": target, "as-of": DAY_ONE.isoformat(), "response": "transaction"}
        answer = self.on(0).post(
            "/fhir/r4/$propose-switch",
            params=query | options,
            content=json.dumps(bundle(patient(file))),
            headers=FHIR,
        )
        assert answer.status_code == 200, answer.text
        filed = [entry["resource"] for entry in answer.json()["entry"]]
        named = {f"urn:uuid:{r['id']}": f"{r['resourceType']}/{r['id']}" for r in filed}
        self.filed: list[Resource] = [_renamed(resource, named) for resource in filed]

    def on(self, day: int) -> TestClient:
        """The service, its clock set to a day of the plan."""
        self._noon = datetime.combine(DAY_ONE + timedelta(day), time(12), ZoneInfo("UTC"))
        return self._service

    def series(self) -> list[Resource]:
        """The proposed orders of the series, in the order in which they begin."""
        orders = [
            r
            for r in self.filed
            if r["resourceType"] == "MedicationRequest" and r["intent"] == "proposal"
        ]
        return sorted(orders, key=lambda order: period(order)["start"])

    def steps_beginning(self, day: int) -> list[Resource]:
        start = (DAY_ONE + timedelta(day)).isoformat()
        return [copy.deepcopy(o) for o in self.series() if period(o)["start"] == start]

    def live_until(self, day: int, keep: Callable[[Resource], Resource]) -> list[Resource]:
        """The chart on a day: what began before is signed; the old medicine ends as planned."""
        today = (DAY_ONE + timedelta(day)).isoformat()
        ended = {
            task["focus"]["reference"]: task["restriction"]["period"]["start"]
            for task in self.filed
            if task["resourceType"] == "Task" and task["intent"] == "proposal" and "focus" in task
        }
        chart = [_ended(r, ended, today) for r in copy.deepcopy(self.chart)]
        begun = [o for o in self.series() if period(o)["start"] < today]
        return [*chart, *(keep(signed(order)) for order in begun)]

    def cards(
        self, day: int, chart: Iterable[Resource], drafts: list[Resource], **more: Any
    ) -> list[Resource]:
        """Sign orders on a day."""
        answer = self.on(day).post(ORDER, json=self.call(chart, drafts) | more)
        assert answer.status_code == 200, answer.text
        found: list[Resource] = answer.json()["cards"]
        return found

    def call(self, chart: Iterable[Resource], drafts: list[Resource]) -> Resource:
        resources = list(chart)
        prefetch: dict[str, Any] = {
            "patient": next(r for r in resources if r["resourceType"] == "Patient")
        }
        for kind, key in KEYS.items():
            found = [r for r in resources if r["resourceType"] == kind]
            prefetch[key] = searchset(found) if found else None
        plans = [r for r in resources if r["resourceType"] == "CarePlan"]
        if plans:
            prefetch["carePlans"] = searchset(plans)
        entries = [{"resource": draft} for draft in drafts]
        return {
            "hook": "order-sign",
            "hookInstance": INSTANCE,
            "context": {
                "userId": "Practitioner/tarn-row-prescriber",
                "patientId": self.patient_id,
                "draftOrders": {"resourceType": "Bundle", "entry": entries},
            },
            "prefetch": prefetch,
        }

    def propose(self, day: int, chart: Iterable[Resource], target: str) -> Resource:
        return self.ask("$propose-switch", day, chart, target=target)

    def ask(self, operation: str, day: int, chart: Iterable[Resource], **options: str) -> Resource:
        """Call an operation with the chart as of a day of the plan."""
        as_of = (DAY_ONE + timedelta(day)).isoformat()
        answer = self.on(day).post(
            f"/fhir/r4/{operation}",
            params={"as-of": as_of} | options,
            content=json.dumps(bundle(chart)),
            headers=FHIR,
        )
        assert answer.status_code == 200, answer.text
        body: Resource = answer.json()
        return body


def bundle(resources: Iterable[Resource]) -> Resource:
    entries = [{"resource": resource} for resource in resources]
    return {"resourceType": "Bundle", "type": "collection", "entry": entries}


def _renamed(node: Any, named: dict[str, str]) -> Any:
    if isinstance(node, str):
        return named.get(node, node)
    if isinstance(node, dict):
        return {key: _renamed(value, named) for key, value in node.items()}
    return [_renamed(each, named) for each in node] if isinstance(node, list) else node


def period(order: Resource) -> dict[str, str]:
    """The days of the first dose of an order."""
    bounds: dict[str, str] = order["dosageInstruction"][0]["timing"]["repeat"]["boundsPeriod"]
    return bounds


def _ended(resource: Resource, ended: dict[str, str], today: str) -> Resource:
    """The old medicine as an EHR closes it once the plan has replaced it."""
    on = ended.get(f"{resource['resourceType']}/{resource.get('id')}")
    if on is None or on >= today:
        return resource
    last = (date.fromisoformat(on) - timedelta(1)).isoformat()
    began = resource.get("effectivePeriod", {}).get("start", "2024-01-01")
    resource.pop("effectiveDateTime", None)
    resource["status"] = "completed"
    resource["effectivePeriod"] = {"start": began, "end": last}
    return resource


def signed(order: Resource) -> Resource:
    return {**order, "status": "active", "intent": "order"}


def as_it_is(order: Resource) -> Resource:
    return order


def without_group(order: Resource) -> Resource:
    return {key: value for key, value in order.items() if key not in {"groupIdentifier"}}


def without_extension(order: Resource) -> Resource:
    return {key: value for key, value in order.items() if key != "extension"}


def without_marks(order: Resource) -> Resource:
    dropped = {"extension", "groupIdentifier", "identifier", "basedOn", "instantiatesCanonical"}
    return {key: value for key, value in order.items() if key not in dropped}


KEEPING = [as_it_is, without_group, without_extension, without_marks]


def desiccated_240(order: Resource) -> Resource:
    """The same order edited by hand to one tablet of 240 mg."""
    edited = copy.deepcopy(order)
    coding = {"system": RXNORM, "code": "313385", "display": "thyroid (USP) 240 MG Oral Tablet"}
    edited["medicationCodeableConcept"] = {
        "coding": [coding], "text": "desiccated thyroid 240 mg tablet",
    }  # fmt: skip
    for dosage in edited["dosageInstruction"]:
        dosage.pop("text")
        dosage["doseAndRate"] = [
            {"doseQuantity": {"value": 240, "system": "http://unitsofmeasure.org", "code": "mg"}}
        ]
    return edited


def is_new(order: Resource) -> bool:
    return "desiccated" in order["medicationCodeableConcept"]["text"]


def starts(ehr: Ehr) -> list[int]:
    days = {(date.fromisoformat(period(o)["start"]) - DAY_ONE).days for o in ehr.series()}
    return sorted(days)


def rises(ehr: Ehr) -> list[int]:
    """The days on which an order for the new medicine begins."""
    return [day for day in starts(ehr) if any(map(is_new, ehr.steps_beginning(day)))]


def decision_day(ehr: Ehr) -> int:
    """The day after the supply of the series has ended."""
    return max(until(order) for order in ehr.series()) + 1


def until(order: Resource) -> int:
    """The last day of the last dose of an order."""
    last = order["dosageInstruction"][-1]["timing"]["repeat"]["boundsPeriod"]["end"]
    return (date.fromisoformat(last) - DAY_ONE).days


def findings(answer: Resource) -> set[str]:
    return {
        entry["resource"]["code"]["coding"][0]["code"]
        for entry in answer["entry"]
        if entry["resource"]["resourceType"] == "DetectedIssue"
    }
