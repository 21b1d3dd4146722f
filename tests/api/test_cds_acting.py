"""An EHR that lives by the hooks: it fills the templates from its own server, asks, does what is
suggested, and asks again until there is nothing more to say.

Its FHIR server is in memory: a read by id, a search by patient and by code, one page at a time.
"""

import copy
import re
from typing import Any
from urllib.parse import parse_qsl, urlsplit

import httpx2 as httpx
import pytest
from fastapi.testclient import TestClient

from crossgrain.app.factory import create_app
from crossgrain.catalogue import Catalogue
from crossgrain.http.settings import Settings

from .calls import Resource
from .conftest import STOPPED
from .hooks import INSTANCE, ORDER, REVIEW, grains, levothyroxine, patient

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
    codings = resource.get("code", {}).get("coding", [])
    return [f"{coding.get('system')}|{coding.get('code')}" for coding in codings]


class ActingEhr:
    """Keeps a chart on its server, and the orders of a session beside it."""

    def __init__(
        self, catalogue: Catalogue, file: str, *, count: int = 100, **settings: Any
    ) -> None:
        self.chart = [r for r in patient(file) if r.get("status") != "draft"]
        self.patient_id = next(r["id"] for r in self.chart if r["resourceType"] == "Patient")
        self.server = Server(self.chart, count)
        app = create_app(
            Settings(**settings), catalogue, clock=lambda: STOPPED, transport=self.server
        )
        self.service = TestClient(app)
        found = self.service.get("/cds-services").json()["services"]
        self.templates: dict[str, str] = found[0]["prefetch"]
        self.session: dict[str, Resource] = {}

    def prefetched(self) -> dict[str, Any]:
        """Every template, with the context's patient in it, answered by the server."""
        filled = {
            key: query.replace("{{context.patientId}}", self.patient_id)
            for key, query in self.templates.items()
        }
        return {key: self.server.get(query)[1] for key, query in filled.items()}

    def call(self, hook: str = "order-sign", **more: Any) -> Resource:
        context: Resource = {"userId": "Practitioner/a", "patientId": self.patient_id}
        if hook != "patient-view":
            entries = [{"resource": order} for order in self.session.values()]
            context["draftOrders"] = {"resourceType": "Bundle", "entry": entries}
        body = {"hook": hook, "hookInstance": INSTANCE, "context": context}
        return copy.deepcopy(body | {"prefetch": self.prefetched()} | more)

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
                del self.session[action["resourceId"]]
                continue
            resource = action["resource"]
            name = f"{resource['resourceType']}/{resource['id']}"
            assert (name in self.session) is (action["type"] == "update")
            self.session[name] = resource

    def sign(self) -> None:
        """What was in session stands in the chart from now on."""
        for name, resource in self.session.items():
            self.server.stored[name] = {**resource, "status": "active"}
        self.session = {}


SWITCHES = [
    ("01-levothyroxine-150.json", grains(60, "p01")),
    ("02-desiccated-120.json", levothyroxine(200, "p02")),
    ("04-levothyroxine-100-to-liothyronine.json", grains(30, "p04")),
]


@pytest.mark.parametrize(("file", "order"), SWITCHES)
@pytest.mark.parametrize("choice", [0, -1])
def test_what_is_suggested_settles_the_order(
    catalogue: Catalogue, file: str, order: Resource, choice: int
) -> None:
    """Of what was just proposed nothing is said when it is signed, nor once it stands."""
    ehr = ActingEhr(catalogue, file)
    ehr.session = {"MedicationRequest/rx-1": copy.deepcopy(order)}
    (card,) = ehr.cards()
    ehr.accept(card["suggestions"][choice])
    assert len(ehr.session) >= 3
    assert ehr.cards() == []
    ehr.sign()
    assert ehr.cards() == []
    assert ehr.cards("patient-view") == []


@pytest.mark.parametrize("sent", [None, "not-supported"])
def test_orders_are_the_whole_list_where_the_server_has_no_statements(
    catalogue: Catalogue, sent: str | None
) -> None:
    """US Core: a MedicationRequest query is all that is required."""
    ehr = with_orders_alone(catalogue)
    whole = ehr.cards(prefetch=ehr.prefetched() | {"medicationStatements": None})
    value = ehr.prefetched()["medicationStatements"] if sent else None
    assert ehr.cards(prefetch=ehr.prefetched() | {"medicationStatements": value}) == whole
    assert "0.333 of today's dose" in whole[0]["summary"]


def with_orders_alone(catalogue: Catalogue, **settings: Any) -> ActingEhr:
    """The first patient's levothyroxine as an order, on a server that has no statements."""
    ehr = ActingEhr(catalogue, "01-levothyroxine-150.json", **settings)
    (name,) = [key for key in ehr.server.stored if key.startswith(ENTERED)]
    stated = ehr.server.stored.pop(name)
    ehr.server.without = {ENTERED}
    ehr.server.stored["MedicationRequest/old"] = {
        "resourceType": "MedicationRequest",
        "id": "old",
        "status": "active",
        "intent": "order",
        "subject": stated["subject"],
        "medicationCodeableConcept": stated["medicationCodeableConcept"],
        "authoredOn": "2025-01-02",
        "dosageInstruction": stated["dosage"],
    }
    ehr.session = {"MedicationRequest/rx-1": grains(60, "p01")}
    return ehr


def lacking(ehr: ActingEhr) -> Resource:
    """A call with no key for statements."""
    sent = ehr.prefetched()
    del sent["medicationStatements"]
    lent = {"access_token": "t", "token_type": "Bearer"}
    return {"prefetch": sent, "fhirServer": BASE, "fhirAuthorization": lent}


def test_what_was_not_sent_is_not_none(catalogue: Catalogue) -> None:
    ehr = with_orders_alone(catalogue)
    answer = ehr.service.post(ORDER, json=ehr.call(**lacking(ehr)))
    assert answer.status_code == 412
    assert answer.json()["issue"][0]["expression"] == ["prefetch.medicationStatements"]


def test_the_deployer_can_say_that_orders_are_the_whole_list(catalogue: Catalogue) -> None:
    ehr = with_orders_alone(catalogue, cds_orders_alone=True)
    assert len(ehr.cards(**lacking(ehr))) == 1
    failed = {"resourceType": "OperationOutcome", "issue": [{"code": "exception"}]}
    sent = ehr.prefetched() | {"medicationStatements": failed}
    assert ehr.service.post(ORDER, json=ehr.call(prefetch=sent)).status_code == 412


def test_a_listed_server_can_say_so_by_its_capabilities(catalogue: Catalogue) -> None:
    ehr = with_orders_alone(catalogue, cds_fhir_servers=(BASE,))
    ehr.server.asked.clear()
    assert len(ehr.cards(**lacking(ehr))) == 1
    assert ehr.server.asked[-1] == "/fhir/metadata"
    ehr.server.without = set()  # it has the type now, and nothing of it
    ehr.server.stored["MedicationStatement/broken"] = {"resourceType": ENTERED, "id": "broken"}
    assert ehr.service.post(ORDER, json=ehr.call(**lacking(ehr))).status_code != 500


def test_pages_are_followed_on_a_listed_server_and_queries_are_percent_encoded(
    catalogue: Catalogue,
) -> None:
    """RFC 3986: a bar stands in no query as it is."""
    ehr = ActingEhr(catalogue, "01-levothyroxine-150.json", count=1, cds_fhir_servers=(BASE,))
    ehr.session = {"MedicationRequest/rx-1": grains(60, "p01")}
    lent = {"fhirServer": BASE, "fhirAuthorization": {"access_token": "t", "token_type": "Bearer"}}
    paged = ehr.cards(**lent)
    ehr.server.count = 100
    assert paged == ehr.cards(**lent)
    asked = [path for path in ehr.server.asked if "code=" in path]
    assert len(asked) > 1
    assert all("|" not in path and "%7C" in path for path in asked)
