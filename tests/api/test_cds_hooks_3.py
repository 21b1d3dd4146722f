"""What CDS Hooks 3.0 adds to 2.0, as far as it asks anything of a service.

The source is the text of release 3.0.0 (HL7, hl7.fhir.uv.cds-hooks, R3: the page "Change Log", and
the sections of the specification that it leads to); its section stands beside each check. Asked of
clients alone, and so not checked: FHIRPath in prefetch tokens, JWK Sets by URL, documentation.
"""

import re
from collections.abc import Iterator
from typing import Any

import pytest
from fastapi.testclient import TestClient
from tests.api.test_cds_course import EVERY_VISIT, Clinic, day_of, record_of

from crossgrain.catalogue import Catalogue

from .calls import LT4, Resource
from .hooks import ORDER, REVIEW, call, grains, levothyroxine, searchset

SERVER = "https://ehr.example/fhir"


def signed(client: TestClient, **more: Any) -> Resource:
    answer = client.post(ORDER, json=call(LT4, [grains(60, "p01")]) | more)
    assert answer.status_code == 200, answer.text
    found: Resource = answer.json()
    return found


def test_discovery_says_which_release_is_implemented(client: TestClient) -> None:
    """Discovery, Response: `version`, one of STU1, STU2 and STU3; recommended (FHIR-28650)."""
    services = client.get("/cds-services").json()["services"]
    assert {service["version"] for service in services} == {"STU3"}


def test_prefetch_asks_for_no_more_than_a_client_of_2_0_can_fill_in(client: TestClient) -> None:
    """Prefetch tokens: FHIRPath, `today()` and earlier templates are new, none of them needed."""
    for service in client.get("/cds-services").json()["services"]:
        tokens = {t for q in service["prefetch"].values() for t in re.findall(r"\{\{(.*?)\}\}", q)}
        assert tokens == {"context.patientId"}


SCOPES = {
    "SMART 1": "user/Patient.read user/Observation.read",
    "SMART 2": "patient/Observation.rs user/MedicationRequest.rs?category=community",
}


@pytest.mark.parametrize("scope", SCOPES)
def test_scopes_of_either_smart_release_are_taken(client: TestClient, scope: str) -> None:
    """Passing the Access Token: scopes are those of SMART App Launch 2 (FHIR-37609, breaking)."""
    lent = {
        "access_token": "t",
        "token_type": "Bearer",
        "expires_in": 300,
        "scope": SCOPES[scope],
        "subject": "crossgrain",
        "patient": "p01",
    }
    assert signed(client, fhirServer=SERVER, fhirAuthorization=lent) == signed(client)


@pytest.mark.parametrize("place", ["", "context", "fhirAuthorization"])
def test_an_extension_of_a_request_is_passed_over(client: TestClient, place: str) -> None:
    """Extensions: the name `extension` is reserved, its value an object agreed upon before."""
    lent = {"access_token": "t", "token_type": "Bearer", "expires_in": 300}
    plain = call(LT4, [grains(60, "p01")]) | {"fhirServer": SERVER, "fhirAuthorization": lent}
    extended = call(LT4, [grains(60, "p01")]) | {"fhirServer": SERVER, "fhirAuthorization": lent}
    into = extended[place] if place else extended
    into["extension"] = {"com.example.timestamp": "2025-03-03T22:13:25Z"}
    answers = [client.post(ORDER, json=body) for body in (plain, extended)]
    assert [answer.status_code for answer in answers] == [200, 200]
    assert answers[0].content == answers[1].content


def suggestions(catalogue: Catalogue, client: TestClient) -> Iterator[Resource]:
    """Those of order entry, and of every ordinary visit."""
    cards = [*signed(client)["cards"]]
    cards += client.post(ORDER, json=call(LT4, [levothyroxine(25, "p01")])).json()["cards"]
    clinic = Clinic(catalogue)
    for name in EVERY_VISIT:
        cards += clinic.cards(record_of(name), day_of(name))
    yield from (each for card in cards for each in card.get("suggestions", ()))


def test_all_actions_of_a_suggestion_belong_together(
    catalogue: Catalogue, client: TestClient
) -> None:
    """Suggestion: `actionSelectionBehavior` is `all` where it is not sent (FHIR-39328).

    So it is left out: a client of 2.0 does not know it, and must not take a part either.
    """
    found = list(suggestions(catalogue, client))
    assert len(found) > 5
    assert all("actionSelectionBehavior" not in each for each in found)


def test_actions_may_be_carried_out_in_the_order_of_a_transaction(
    catalogue: Catalogue, client: TestClient
) -> None:
    """Suggestion, `actions`: deletes happen first, then creates, then updates.

    So none may need another to be done before it: each resource is touched once, and deletes lead.
    """
    for each in suggestions(catalogue, client):
        actions = each["actions"]
        assert all(action["description"] for action in actions)
        names = [_name(action) for action in actions]
        assert len(set(names)) == len(names)
        deletes = [action["type"] == "delete" for action in actions]
        assert deletes == sorted(deletes, reverse=True)


def _name(action: Resource) -> str:
    if "resourceId" in action:
        return str(action["resourceId"])
    return f"{action['resource']['resourceType']}/{action['resource']['id']}"


def test_nothing_is_to_be_applied_without_a_person(client: TestClient) -> None:
    """System Action: only in scenarios that both sides agreed on beforehand, and no dose is one."""
    assert signed(client).keys() == {"cards"}


def _without(key: str) -> Resource:
    body = call(LT4, [grains(60, "p01")])
    del body["prefetch"][key]
    return body


def _first_page(key: str) -> Resource:
    """As the section "Example of Pagination in Prefetch" has it: one entry of two, and a next."""
    body = call(LT4, [grains(60, "p01")])
    page = searchset([levothyroxine(150, "p01", own_id="rx-9")])
    kind = page["entry"][0]["resource"]["resourceType"]
    address = f"{SERVER}/{kind}?patient=p01&_count=1&_page="
    page |= {
        "total": 2,
        "link": [
            {"relation": "self", "url": f"{address}1"},
            {"relation": "next", "url": f"{address}2"},
        ],
    }
    body["prefetch"][key] = page
    return body


REFUSED: dict[str, tuple[int, str, Any]] = {
    "misshapen": (400, ORDER, {}),
    "no such service": (404, "/cds-services/none", {}),
    "medicines not sent": (412, ORDER, _without("medicationRequests")),
    "one page of two": (412, ORDER, _first_page("medicationRequests")),
    "patient not sent": (412, REVIEW, call(LT4, [], "patient-view") | {"prefetch": {}}),
    "feedback without a card": (400, f"{ORDER}/feedback", {"feedback": [{}]}),
}


@pytest.mark.parametrize("what", REFUSED)
def test_what_is_refused_says_so_in_an_operation_outcome(client: TestClient, what: str) -> None:
    """Returning OperationOutcome: with a status other than 2xx there SHOULD be one (FHIR-50287)."""
    status, address, body = REFUSED[what]
    answer = client.post(address, json=body)
    assert answer.status_code == status, answer.text
    outcome = answer.json()
    assert outcome["resourceType"] == "OperationOutcome"
    for issue in outcome["issue"]:
        assert issue["severity"] == "error"
        assert issue["code"]
        assert issue["diagnostics"]


def test_of_another_method_it_says_so_too(client: TestClient) -> None:
    """The same section."""
    answer = client.get(ORDER)
    assert (answer.status_code, answer.json()["resourceType"]) == (405, "OperationOutcome")


def test_a_reason_to_override_has_words(client: TestClient) -> None:
    """Reasons for rejecting a card: `display` is required; the set of reasons is not prescribed."""
    for card in signed(client)["cards"]:
        assert card["overrideReasons"]
        assert all(reason["display"] and reason["system"] for reason in card["overrideReasons"])
