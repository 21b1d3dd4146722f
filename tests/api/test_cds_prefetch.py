"""What an EHR sends for a template is told apart, and a part is never taken for a whole."""

import copy
from typing import Any

import pytest
from fastapi.testclient import TestClient

from .calls import LT4, Resource
from .hooks import ORDER, REVIEW, call, grains

MEDICINES = "medicationStatements"  # where the first patient's levothyroxine stands
OUTCOME = {
    "resourceType": "OperationOutcome",
    "issue": [{"severity": "error", "code": "exception"}],
}
WARNING = {"resourceType": "OperationOutcome", "issue": [{"severity": "warning", "code": "x"}]}
HTML = "<html><body>503 Service Unavailable</body></html>"
ABSENT = object()


def sent(key: str, value: Any, hook: str = "order-sign") -> Resource:
    body = call(LT4, [grains(60, "p01")], hook)
    if value is ABSENT:
        del body["prefetch"][key]
    else:
        body["prefetch"][key] = value
    return body


def with_more(bundle: Resource, **more: Any) -> Resource:
    return {**copy.deepcopy(bundle), **more}


WHOLE = call(LT4, [])["prefetch"][MEDICINES]
PARTS = {
    "absent": (ABSENT, "MedicationStatement was not sent"),
    "an OperationOutcome": (OUTCOME, "MedicationStatement could not be gathered"),
    "an HTML error page": (HTML, "MedicationStatement is not what was asked for"),
    "a list": ([], "MedicationStatement is not what was asked for"),
    "another kind": ({"resourceType": "Patient"}, "MedicationStatement is not what was asked for"),
    "a Bundle of another type": (
        with_more(WHOLE, type="transaction"),
        "MedicationStatement is not what was asked for",
    ),
    "one page of several": (
        with_more(WHOLE, link=[{"relation": "next", "url": "https://ehr.example/fhir?page=2"}]),
        "MedicationStatement is only a part",
    ),
    "fewer than the total": (with_more(WHOLE, total=9), "MedicationStatement is only a part"),
    "one fewer than the total": (
        with_more(WHOLE, total=len(WHOLE["entry"]) + 1),
        "MedicationStatement is only a part",
    ),
    "one of them twice": (
        with_more(WHOLE, entry=WHOLE["entry"] * 2, total=len(WHOLE["entry"]) + 1),
        "MedicationStatement is only a part",
    ),
    "a warning inside": (
        with_more(WHOLE, entry=[*WHOLE["entry"], {"resource": WARNING}]),
        "MedicationStatement is only a part",
    ),
    "an entry without a resource": (
        with_more(WHOLE, entry=[{"fullUrl": "x"}]),
        "MedicationStatement is not what was asked for",
    ),
}


@pytest.mark.parametrize("case", PARTS)
@pytest.mark.parametrize("hook", ["order-select", "order-sign"])
def test_without_the_whole_of_what_is_taken_it_is_412_and_says_why(
    client: TestClient, case: str, hook: str
) -> None:
    value, why = PARTS[case]
    answer = client.post(ORDER, json=sent(MEDICINES, value, hook))
    (issue,) = answer.json()["issue"]
    assert (answer.status_code, issue["code"]) == (412, "incomplete")
    assert issue["diagnostics"].startswith(why)
    assert issue["expression"] == [f"prefetch.{MEDICINES}"]


@pytest.mark.parametrize("more", [0, -1])
def test_as_many_as_the_total_are_complete(client: TestClient, more: int) -> None:
    """One medicine that is missing may be the one that the order replaces; one too many is not."""
    sent_all = with_more(WHOLE, total=len(WHOLE["entry"]) + more)
    assert client.post(ORDER, json=sent(MEDICINES, sent_all)).status_code == 200


def test_no_data_is_complete_so_a_null_is_no_412(client: TestClient) -> None:
    body = sent("medicationRequests", None)
    assert body["prefetch"][MEDICINES]
    answer = client.post(ORDER, json=body)
    assert answer.status_code == 200
    assert len(answer.json()["cards"]) == 1


def test_an_empty_search_is_complete(client: TestClient) -> None:
    empty = {"resourceType": "Bundle", "type": "searchset", "total": 0}
    answer = client.post(ORDER, json=sent("medicationRequests", empty))
    assert (answer.status_code, len(answer.json()["cards"])) == (200, 1)


@pytest.mark.parametrize("value", [ABSENT, None, OUTCOME, HTML])
def test_without_the_patient_it_is_412(client: TestClient, value: Any) -> None:
    answer = client.post(ORDER, json=sent("patient", value))
    assert answer.status_code == 412
    assert answer.json()["issue"][0]["expression"] == ["prefetch.patient"]


def test_without_any_prefetch_every_key_that_is_needed_is_named(client: TestClient) -> None:
    body = call(LT4, [grains(60, "p01")])
    del body["prefetch"]
    answer = client.post(ORDER, json=body)
    assert answer.status_code == 412
    assert [issue["expression"][0] for issue in answer.json()["issue"]] == [
        "prefetch.patient",
        "prefetch.medicationRequests",
        "prefetch.medicationStatements",
    ]


def test_a_view_of_a_chart_needs_the_same(client: TestClient) -> None:
    body = call(LT4, [], "patient-view")
    del body["prefetch"][MEDICINES]
    assert client.post(REVIEW, json=body).status_code == 412


def test_nothing_is_needed_to_see_that_an_order_is_for_another_medicine(
    client: TestClient,
) -> None:
    body = call(LT4, [grains(60, "p01")], "order-select", [])
    del body["prefetch"]
    assert client.post(ORDER, json=body).json() == {"cards": []}


@pytest.mark.parametrize("case", [*PARTS])
def test_of_the_rest_what_is_missing_is_said_on_the_card(client: TestClient, case: str) -> None:
    value, why = PARTS[case]
    body = call(LT4, [grains(60, "p01")])
    conditions = body["prefetch"]["conditions"]
    if value is ABSENT:
        del body["prefetch"]["conditions"]
    elif isinstance(value, dict) and value.get("resourceType") == "Bundle":
        more = {k: v for k, v in value.items() if k != "entry"}
        body["prefetch"]["conditions"] = with_more(conditions, **more)
        if case == "a warning inside":
            body["prefetch"]["conditions"]["entry"].append({"resource": WARNING})
        if case == "an entry without a resource":
            body["prefetch"]["conditions"]["entry"] = [{"fullUrl": "x"}]
    else:
        body["prefetch"]["conditions"] = value
    (card,) = client.post(ORDER, json=body).json()["cards"]
    assert f"Of the record, {why.replace('MedicationStatement', 'Condition')}" in card["detail"]


def test_a_whole_record_leaves_nothing_to_say_of_it(client: TestClient) -> None:
    (card,) = client.post(ORDER, json=call(LT4, [grains(60, "p01")])).json()["cards"]
    assert "Of the record" not in card["detail"]


def test_the_record_of_somebody_else_is_refused(client: TestClient) -> None:
    body = call(LT4, [grains(60, "p01")])
    body["prefetch"]["patient"]["id"] = "p02"
    answer = client.post(ORDER, json=body)
    assert answer.status_code == 422
    assert answer.json()["issue"][0]["expression"] == ["prefetch.patient.id"]


def test_a_draft_that_the_server_has_as_well_is_judged_once(client: TestClient) -> None:
    draft = grains(60, "p01")
    body = call(LT4, [draft])
    stored = {**draft, "dosageInstruction": []}
    body["prefetch"]["medicationRequests"] = {
        "resourceType": "Bundle",
        "type": "searchset",
        "entry": [{"resource": stored}],
    }
    assert (
        client.post(ORDER, json=body).json() == client.post(ORDER, json=call(LT4, [draft])).json()
    )
