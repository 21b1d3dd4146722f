"""An EHR that does what is suggested, and asks again until there is nothing more to say."""

import copy
from typing import Any

import pytest

from crossgrain.catalogue import Catalogue

from .acting_ehr import BASE, ENTERED, ActingEhr
from .calls import Resource
from .hooks import ORDER, grains, levothyroxine, liothyronine

TOGETHER = [levothyroxine(75, "p06"), liothyronine(5, "p06", own_id="rx-2")]
SWITCHES = [
    ("01-levothyroxine-150.json", [grains(60, "p01")]),
    ("02-desiccated-120.json", [levothyroxine(200, "p02")]),
    ("04-levothyroxine-100-to-liothyronine.json", [grains(30, "p04")]),
    ("06-levothyroxine-125-to-combination.json", TOGETHER),
    ("06-levothyroxine-125-to-combination.json", TOGETHER[::-1]),
]


@pytest.mark.parametrize(("file", "orders"), SWITCHES)
@pytest.mark.parametrize("choice", [0, -1])
def test_what_is_suggested_settles_the_order(
    catalogue: Catalogue, file: str, orders: list[Resource], choice: int
) -> None:
    """Of what was just proposed nothing is said when it is signed, nor once it stands."""
    ehr = ActingEhr(catalogue, file)
    ehr.session = {f"MedicationRequest/{each['id']}": copy.deepcopy(each) for each in orders}
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
