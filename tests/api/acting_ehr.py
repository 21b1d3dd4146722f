"""An EHR that lives by the hooks, its FHIR server in memory.

It fills the templates from its own server, asks, does what is suggested, and asks again. The server
knows a read by id, a search by patient, by code, by intent and status, and one page at a time.
"""

import copy
import re
from datetime import date, timedelta
from typing import Any
from urllib.parse import parse_qsl, urlsplit

import httpx2 as httpx
from fastapi.testclient import TestClient

from crossgrain.app.factory import create_app
from crossgrain.catalogue import Catalogue
from crossgrain.http.settings import Settings

from .calls import Resource
from .conftest import STOPPED
from .hooks import INSTANCE, ORDER, REVIEW, patient

UCUM = "http://unitsofmeasure.org"
BASE = "https://ehr.example/fhir"
ENTERED = "MedicationStatement"


class Server(httpx.AsyncBaseTransport):
    """The resources of one patient; a page holds `count` of them."""

    def __init__(self, resources: list[Resource], count: int = 100) -> None:
        self.stored = {f"{r['resourceType']}/{r['id']}": r for r in resources}
        self.count, self.asked = count, list[str]()
        self.without: set[str] = set()

    async def handle_async_request(self, request: httpx.Request) -> httpx.Response:
        self.asked.append(request.url.raw_path.decode())
        status, body = self.get(self.asked[-1].removeprefix("/fhir/"))
        return httpx.Response(status, json=body)

    def get(self, query: str) -> tuple[int, Resource]:
        path, wanted = urlsplit(query).path, dict(parse_qsl(urlsplit(query).query))
        kind, _, own_id = path.partition("/")
        if path == "metadata":
            return 200, self._capability()
        if kind in self.without:
            issue = {"severity": "error", "code": "not-supported"}
            return 404, {"resourceType": "OperationOutcome", "issue": [issue]}
        if own_id:
            return 200, self.stored[path]
        found = [r for r in self.stored.values() if r["resourceType"] == kind]
        if "code" in wanted:
            found = [r for r in found if set(wanted["code"].split(",")) & set(_codes(r))]
        if "category" in wanted:
            found = [
                r for r in found if any(wanted["category"] in _of(c) for c in r.get("category", ()))
            ]
        for element in ("intent", "status"):
            if element in wanted:
                found = [r for r in found if r.get(element) in wanted[element].split(",")]
        return 200, self._page(query, found, int(wanted.get("page", 0)))

    def _page(self, query: str, found: list[Resource], number: int) -> Resource:
        shown = found[number * self.count : (number + 1) * self.count]
        entries = [{"fullUrl": f"{BASE}/{r['resourceType']}/{r['id']}", "resource": r,
                    "search": {"mode": "match"}} for r in shown]  # fmt: skip
        bundle: Resource = {"resourceType": "Bundle", "type": "searchset", "total": len(found)}
        if (number + 1) * self.count < len(found):
            first = re.sub(r"&page=\d+$", "", query)
            next_page = {"relation": "next", "url": f"{BASE}/{first}&page={number + 1}"}
            bundle["link"] = [next_page]
        return bundle | ({"entry": entries} if entries else {})

    def _capability(self) -> Resource:
        kinds = {"MedicationRequest", ENTERED, "Patient", "Observation"} - self.without
        resources = [{"type": kind} for kind in sorted(kinds)]
        return {"resourceType": "CapabilityStatement", "rest": [{"resource": resources}]}


def _codes(resource: Resource) -> list[str]:
    return _of(resource.get("code", {}))


def _of(concept: Resource) -> list[str]:
    return [f"{coding.get('system')}|{coding.get('code')}" for coding in concept.get("coding", [])]


class ActingEhr:
    """Keeps a chart on its server, and the orders of a session beside it."""

    def __init__(
        self, catalogue: Catalogue, file: str, *, count: int = 100, **settings: Any
    ) -> None:
        self.chart = [r for r in patient(file) if r.get("status") != "draft"]
        self.patient_id = next(r["id"] for r in self.chart if r["resourceType"] == "Patient")
        self.server = Server(self.chart, count)
        self.now = STOPPED
        app = create_app(
            Settings(**settings), catalogue, clock=lambda: self.now, transport=self.server
        )
        self.service = TestClient(app)
        found = self.service.get("/cds-services").json()["services"]
        self.templates: dict[str, dict[str, str]] = {
            offered["hook"]: offered["prefetch"] for offered in found
        }
        self.session: dict[str, Resource] = {}

    def prefetched(self, hook: str = "order-sign") -> dict[str, Any]:
        """Every template of a hook, with the patient in it, answered by the server."""
        filled = {
            key: query.replace("{{context.patientId}}", self.patient_id)
            for key, query in self.templates[hook].items()
        }
        return {key: self.server.get(query)[1] for key, query in filled.items()}

    def call(self, hook: str = "order-sign", **more: Any) -> Resource:
        context: Resource = {"userId": "Practitioner/a", "patientId": self.patient_id}
        if hook != "patient-view":
            entries = [{"resource": order} for order in self.session.values()]
            context["draftOrders"] = {"resourceType": "Bundle", "entry": entries}
        body = {"hook": hook, "hookInstance": INSTANCE, "context": context}
        return copy.deepcopy(body | {"prefetch": self.prefetched(hook)} | more)

    def cards(self, hook: str = "order-sign", **more: Any) -> list[Resource]:
        path = REVIEW if hook == "patient-view" else ORDER
        answer = self.service.post(path, json=self.call(hook, **more))
        assert answer.status_code == 200, answer.text
        found: list[Resource] = answer.json()["cards"]
        return found

    def accept(self, suggestion: Resource) -> None:
        """Carry out the actions on what is in session."""
        for action in suggestion["actions"]:
            if action["type"] == "delete":
                del self._holder(action["resourceId"])[action["resourceId"]]
                continue
            resource = action["resource"]
            name = f"{resource['resourceType']}/{resource['id']}"
            known = name in self.session or name in self.server.stored
            assert known is (action["type"] == "update")
            self._holder(name)[name] = resource

    def _holder(self, name: str) -> dict[str, Resource]:
        """Where a resource stands, or comes to stand: in the session until it is signed."""
        return self.server.stored if name in self.server.stored else self.session

    def sign(self) -> None:
        """What was in session stands in the chart from now on."""
        for name, resource in self.session.items():
            self.server.stored[name] = {**resource, "status": "active"}
        self.session = {}

    # --- days that pass --------------------------------------------------------------------------

    def on(self, day: int) -> None:
        """It is a day of the course, 0 the first: what was to be ended by then is ended."""
        self.now = STOPPED + timedelta(day)
        for resource in list(self.server.stored.values()):
            if resource["resourceType"] == "Task" and "focus" in resource:
                self._carry_out(resource)

    @property
    def today(self) -> str:
        return self.now.date().isoformat()

    def _carry_out(self, task: Resource) -> None:
        """The end of the old medicine, on the day that was asked for."""
        day = date.fromisoformat(task["restriction"]["period"]["start"])
        old = self.server.stored.get(task["focus"]["reference"])
        if old is None or day > self.now.date() or old["status"] != "active":
            return
        last = (day - timedelta(1)).isoformat()
        if old["resourceType"] == ENTERED:
            began = old.get("effectivePeriod", {}).get("start", "2024-01-01")
            old["effectivePeriod"] = {"start": began, "end": last}
        old["status"] = "completed"

    def result(self, code: str, value: float, unit: str, usual: tuple[float, float]) -> None:
        """A result of today."""
        low, high = ({"value": v, "unit": unit, "system": UCUM, "code": unit} for v in usual)
        own = f"{code}-{self.today}"
        self.server.stored[f"Observation/{own}"] = {
            "resourceType": "Observation",
            "id": own,
            "status": "final",
            "code": {"coding": [{"system": "http://loinc.org", "code": code}]},
            "subject": {"reference": f"Patient/{self.patient_id}"},
            "effectiveDateTime": self.today,
            "valueQuantity": {"value": value, "unit": unit, "system": UCUM, "code": unit},
            "referenceRange": [{"low": low, "high": high}],
        }

    def draw_what_is_due(self) -> bool:
        """Draw what was asked for today, with a TSH and a free T3 in range; whether any was."""
        due = any(
            resource["resourceType"] == "ServiceRequest"
            and resource["status"] == "active"
            and resource.get("category")
            and self.today in _asked_on(resource)
            for resource in self.server.stored.values()
        )
        if due:
            self.result("3016-3", 1.8, "m[IU]/L", (0.4, 4.0))
            self.result("14928-6", 4.6, "pmol/L", (3.1, 6.8))
        return due


def _asked_on(request: Resource) -> list[str]:
    once = request.get("occurrenceDateTime")
    return [*([once] if once else ()), *request.get("occurrenceTiming", {}).get("event", ())]
