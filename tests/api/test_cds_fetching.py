"""Fetching what a call lacks: only from a server that the deployer lists, and bounded."""

import asyncio
import json
from collections.abc import Callable, Iterator
from typing import Any

import httpx2 as httpx
import pytest
from fastapi.testclient import TestClient

from crossgrain.app.factory import create_app
from crossgrain.catalogue import Catalogue
from crossgrain.http.settings import Settings

from .calls import LT4, Resource
from .conftest import STOPPED
from .hooks import KEYS, ORDER, call, grains, patient, searchset

SERVER = "https://ehr.example/fhir"
TYPES = {"content-type": "application/fhir+json"}


class Ehr(httpx.AsyncBaseTransport):
    """A FHIR server over one invented patient; `break_` may answer in its stead."""

    def __init__(self) -> None:
        self.asked: list[httpx.Request] = []
        self.resources = patient(LT4)
        self.break_: Callable[[httpx.Request], httpx.Response | None] = lambda _: None
        self.sleeps = 0.0

    async def handle_async_request(self, request: httpx.Request) -> httpx.Response:
        self.asked.append(request)
        await asyncio.sleep(self.sleeps)
        return self.break_(request) or self.answer(request)

    def answer(self, request: httpx.Request) -> httpx.Response:
        kind, _, own_id = request.url.path.removeprefix("/fhir/").partition("/")
        found = [r for r in self.resources if r["resourceType"] == kind]
        body = found[0] if own_id else searchset(found)
        return httpx.Response(200, json=body, headers=TYPES)


@pytest.fixture
def ehr() -> Ehr:
    return Ehr()


@pytest.fixture
def service(catalogue: Catalogue, ehr: Ehr) -> Iterator[TestClient]:
    settings = Settings(cds_fhir_servers=(f"{SERVER}/",), cds_fetch_seconds=0.5)
    app = create_app(settings, catalogue, clock=lambda: STOPPED, transport=ehr)
    with TestClient(app, raise_server_exceptions=False) as client:
        yield client


def lacking(*keys: str, server: str = SERVER) -> Resource:
    body = call(LT4, [grains(60, "p01")])
    for key in keys or tuple(body["prefetch"]):
        del body["prefetch"][key]
    lent = {
        "access_token": "secret-token",
        "token_type": "Bearer",
        "expires_in": 300,
        "scope": "user/*.read",
        "subject": "crossgrain",
    }
    return body | {"fhirServer": server, "fhirAuthorization": lent}


def test_what_was_not_sent_is_fetched_with_the_token_that_was_lent(
    service: TestClient, ehr: Ehr, client: TestClient
) -> None:
    answer = service.post(ORDER, json=lacking())
    assert answer.status_code == 200, answer.text
    assert answer.json() == client.post(ORDER, json=call(LT4, [grains(60, "p01")])).json()
    assert {request.headers["authorization"] for request in ehr.asked} == {"Bearer secret-token"}
    assert {request.method for request in ehr.asked} == {"GET"}
    assert len(ehr.asked) == len(KEYS) + 1
    assert all(str(request.url).startswith(f"{SERVER}/") for request in ehr.asked)


def test_only_what_is_missing_is_fetched(service: TestClient, ehr: Ehr) -> None:
    assert service.post(ORDER, json=lacking("conditions")).status_code == 200
    assert [request.url.path for request in ehr.asked] == ["/fhir/Condition"]


def test_a_part_is_fetched_anew_as_a_whole(service: TestClient, ehr: Ehr) -> None:
    body = lacking("goals")
    body["prefetch"]["medicationStatements"]["link"] = [
        {"relation": "next", "url": f"{SERVER}?p=2"}
    ]
    assert len(service.post(ORDER, json=body).json()["cards"]) == 1
    assert sorted(r.url.path for r in ehr.asked) == ["/fhir/Goal", "/fhir/MedicationStatement"]


@pytest.mark.parametrize(
    "server",
    [
        "https://evil.example/fhir",
        "https://ehr.example/fhir2",
        "https://ehr.example",
        "http://ehr.example/fhir",
        "https://ehr.example/fhir/../evil",
        "https://ehr.example/fhir@evil.example",
        "http://169.254.169.254",
    ],
)
def test_no_other_server_is_ever_asked(service: TestClient, ehr: Ehr, server: str) -> None:
    answer = service.post(ORDER, json=lacking(server=server))
    assert answer.status_code == 412
    assert ehr.asked == []


def test_by_default_no_server_is_asked(client: TestClient) -> None:
    assert client.post(ORDER, json=lacking()).status_code == 412


def test_a_redirect_is_not_followed(service: TestClient, ehr: Ehr) -> None:
    ehr.break_ = lambda _: httpx.Response(302, headers={"location": "https://evil.example/"})
    assert service.post(ORDER, json=lacking()).status_code == 412
    assert {request.url.host for request in ehr.asked} == {"ehr.example"}


BROKEN = {
    "an HTML page": lambda _: httpx.Response(200, html="<html>login</html>"),
    "an OperationOutcome": lambda _: httpx.Response(200, json={"resourceType": "OperationOutcome"}),
    "403": lambda _: httpx.Response(403, json={"resourceType": "OperationOutcome"}),
    "500": lambda _: httpx.Response(500),
    "another kind": lambda _: httpx.Response(200, json={"resourceType": "Library"}),
    "doubled keys": lambda _: httpx.Response(
        200, content=b'{"resourceType":"Bundle","type":1,"type":2}'
    ),
    "too much": lambda _: httpx.Response(200, content=b" " * (5 * 1024 * 1024)),
}


@pytest.mark.parametrize("case", BROKEN)
def test_a_server_that_fails_is_412_and_never_a_guess(
    service: TestClient, ehr: Ehr, case: str
) -> None:
    ehr.break_ = BROKEN[case]
    answer = service.post(ORDER, json=lacking())
    assert answer.status_code == 412, answer.text
    assert answer.json()["resourceType"] == "OperationOutcome"


def unreachable(_: httpx.Request) -> httpx.Response:
    raise httpx.ConnectError("no route")


def test_a_server_that_is_not_there_is_412(service: TestClient, ehr: Ehr) -> None:
    ehr.break_ = unreachable
    assert service.post(ORDER, json=lacking()).status_code == 412


def test_a_server_that_is_slow_is_given_up_within_the_limit(service: TestClient, ehr: Ehr) -> None:
    ehr.sleeps = 30.0
    assert service.post(ORDER, json=lacking()).status_code == 412


def pages(of: int, leads_to: str = f"{SERVER}/MedicationStatement?page=") -> Any:
    """Statements that come one page at a time."""

    def answer(request: httpx.Request) -> httpx.Response | None:
        if request.url.path != "/fhir/MedicationStatement":
            return None
        number = int(request.url.params.get("page", "1"))
        found = [r for r in patient(LT4) if r["resourceType"] == "MedicationStatement"]
        bundle = searchset(found if number == of else [])
        if number < of:
            bundle["link"] = [{"relation": "next", "url": f"{leads_to}{number + 1}"}]
        return httpx.Response(200, content=json.dumps(bundle), headers=TYPES)

    return answer


def test_every_page_is_read(service: TestClient, ehr: Ehr) -> None:
    ehr.break_ = pages(3)
    assert len(service.post(ORDER, json=lacking()).json()["cards"]) == 1


def test_pages_without_end_are_a_part(service: TestClient, ehr: Ehr) -> None:
    ehr.break_ = pages(10_000)
    assert service.post(ORDER, json=lacking()).status_code == 412
    assert len(ehr.asked) < 40


def test_a_next_page_elsewhere_is_not_followed(service: TestClient, ehr: Ehr) -> None:
    ehr.break_ = pages(2, "https://evil.example/fhir/MedicationStatement?page=")
    assert service.post(ORDER, json=lacking()).status_code == 412
    assert {request.url.host for request in ehr.asked} == {"ehr.example"}


@pytest.mark.parametrize(("total", "status"), [(0, 200), (1, 200), (2, 412), ("1", 412)])
def test_fewer_than_the_total_is_a_part(
    service: TestClient, ehr: Ehr, total: object, status: int
) -> None:
    def answer(request: httpx.Request) -> httpx.Response | None:
        if request.url.path != "/fhir/MedicationStatement":
            return None
        return httpx.Response(200, json={**searchset(found), "total": total}, headers=TYPES)

    found = [r for r in patient(LT4) if r["resourceType"] == "MedicationStatement"]
    assert len(found) == 1
    ehr.break_ = answer
    assert service.post(ORDER, json=lacking()).status_code == status


def test_the_same_resource_twice_is_not_two_of_the_total(client: TestClient) -> None:
    body = call(LT4, [grains(60, "p01")])
    found = body["prefetch"]["medicationStatements"]
    found["entry"] *= 2
    found["total"] = 2
    assert client.post(ORDER, json=body).status_code == 412


def test_references_by_the_address_of_the_server_are_its_patients(
    service: TestClient, ehr: Ehr, client: TestClient
) -> None:
    for resource in ehr.resources:
        for element in {"subject", "patient"} & resource.keys():
            resource[element] = {"reference": f"{SERVER}/Patient/p01"}
    body = lacking()
    draft = body["context"]["draftOrders"]["entry"][0]["resource"]
    draft["subject"] = {"reference": f"{SERVER}/Patient/p01"}
    relative = client.post(ORDER, json=call(LT4, [grains(60, "p01")])).json()
    assert len(service.post(ORDER, json=body).json()["cards"]) == len(relative["cards"]) == 1
    draft["subject"] = {"reference": "https://other.example/fhir/Patient/p01"}
    assert service.post(ORDER, json=body).status_code == 422


def test_a_medication_on_another_server_is_not_fetched_by_its_id(
    service: TestClient, ehr: Ehr
) -> None:
    draft = grains(60, "p01")
    coded = draft.pop("medicationCodeableConcept")
    ehr.resources.append({"resourceType": "Medication", "id": "m-1", "code": coded})
    draft["medicationReference"] = {"reference": "https://other.example/fhir/Medication/m-1"}
    body = lacking()
    body["context"]["draftOrders"]["entry"] = [{"resource": draft}]
    service.post(ORDER, json=body)
    assert not [r for r in ehr.asked if "/Medication/" in str(r.url)]


def test_a_medication_that_an_order_only_refers_to_is_fetched(
    service: TestClient, ehr: Ehr
) -> None:
    draft = grains(60, "p01")
    medication = {
        "resourceType": "Medication",
        "id": "m-1",
        "code": draft.pop("medicationCodeableConcept"),
    }
    draft["medicationReference"] = {"reference": "Medication/m-1"}
    ehr.resources.append(medication)
    body = lacking("goals")
    body["context"]["draftOrders"]["entry"] = [{"resource": draft}]
    (card,) = service.post(ORDER, json=body).json()["cards"]
    assert card["summary"].startswith("Desiccated thyroid 60 mg a day")
