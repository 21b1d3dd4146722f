"""The answers as a caller sees them: outcome, bytes, form, day."""

import json
from collections.abc import Callable
from typing import Any

import httpx2 as httpx
import pytest

from .calls import AS_OF, PATIENTS, SCENARIO


def guidance(answer: httpx.Response) -> dict[str, Any]:
    first: dict[str, Any] = answer.json()["entry"][0]["resource"]
    assert first["resourceType"] == "GuidanceResponse"
    return first


def ended(response: dict[str, Any]) -> str:
    if response["status"] == "data-required":
        return "data-required"
    return "plan" if "result" in response else "stop"


@pytest.mark.parametrize("patient", SCENARIO["patient"], ids=lambda patient: patient["file"])
def test_every_invented_patient_ends_as_the_scenario_says(
    post: Callable[..., httpx.Response], patient: dict[str, str]
) -> None:
    target = f"&target={patient['target']}" if "target" in patient else ""
    answer = post((PATIENTS / patient["file"]).read_bytes(), f"?as-of={AS_OF}{target}")
    assert answer.status_code == 200, answer.text
    assert ended(guidance(answer)) == patient["outcome"]


def test_the_scenario_names_every_patient() -> None:
    assert {patient["file"] for patient in SCENARIO["patient"]} == {
        path.name for path in PATIENTS.iterdir()
    }


def test_the_same_call_gives_the_same_bytes(
    post: Callable[..., httpx.Response], record: dict[str, Any]
) -> None:
    query = f"?target=desiccated-thyroid&as-of={AS_OF}"
    assert post(record, query).content == post(record, query).content


def test_both_spellings_of_the_options_propose_the_same_orders(
    post: Callable[..., httpx.Response],
    record: dict[str, Any],
    parameters: Callable[..., dict[str, Any]],
) -> None:
    by_query = post(record, f"?target=desiccated-thyroid&pace=brisk&as-of={AS_OF}")
    by_body = post(
        parameters(
            {"name": "target", "valueCode": "desiccated-thyroid"},
            {"name": "pace", "valueCode": "brisk"},
            {"name": "as-of", "valueDate": AS_OF},
        )
    )
    assert _orders(by_query) == _orders(by_body)


def _orders(answer: httpx.Response) -> list[Any]:
    resources = [entry["resource"] for entry in answer.json()["entry"]]
    orders = [
        (
            resource["medicationCodeableConcept"],
            resource["dosageInstruction"],
            resource["dispenseRequest"],
        )
        for resource in resources
        if resource["resourceType"] == "MedicationRequest"
    ]
    assert len(orders) > 4
    return orders


def test_another_option_gives_another_answer(
    post: Callable[..., httpx.Response], record: dict[str, Any]
) -> None:
    query = f"?target=desiccated-thyroid&as-of={AS_OF}"
    plain = post(record, query).content
    for option in ("basis=label", "pace=brisk", "prior-therapy=stop", "start=2025-03-10"):
        assert post(record, f"{query}&{option}").content != plain


def test_today_is_taken_in_the_callers_time_zone(
    post: Callable[..., httpx.Response], record: dict[str, Any]
) -> None:
    # The clock stands at 23:30 on 2 March in Lisbon, which is UTC then.
    query = "?target=desiccated-thyroid"
    utc = post(record, query)
    helsinki = post(record, f"{query}&time-zone=Europe/Helsinki")
    assert utc.content == post(record, f"{query}&as-of=2025-03-02").content
    assert helsinki.content == post(record, f"{query}&as-of=2025-03-03").content


def test_a_pretty_answer_says_the_same(
    post: Callable[..., httpx.Response], record: dict[str, Any]
) -> None:
    query = f"?target=desiccated-thyroid&as-of={AS_OF}"
    plain, pretty = post(record, query), post(record, f"{query}&_pretty=true")
    assert pretty.json() == plain.json()
    assert pretty.text.count("\n") > 100
    assert "\n" not in plain.text


@pytest.mark.parametrize(
    ("accept", "query", "given"),
    [
        ("*/*", "", "application/fhir+json"),
        ("application/json", "", "application/json"),
        ("application/json;q=0.5, application/fhir+json", "", "application/fhir+json"),
        ("application/fhir+json; fhirVersion=4.0", "", "application/fhir+json"),
        ("text/html, application/json;q=0.1", "", "application/json"),
        ("text/html", "&_format=application/fhir+json", "application/fhir+json"),
        ("text/html", "&_format=json", "application/fhir+json"),
    ],
)
def test_the_answer_comes_in_the_form_asked_for(
    post: Callable[..., httpx.Response],
    record: dict[str, Any],
    accept: str,
    query: str,
    given: str,
) -> None:
    answer = post(record, f"?target=desiccated-thyroid&as-of={AS_OF}{query}", accept=accept)
    assert answer.status_code == 200
    assert answer.headers["content-type"] == given
    assert answer.headers["cache-control"] == "no-store"


def test_a_transaction_can_be_filed(
    post: Callable[..., httpx.Response], record: dict[str, Any]
) -> None:
    bundle = post(record, f"?target=desiccated-thyroid&as-of={AS_OF}&response=transaction").json()
    assert bundle["type"] == "transaction"
    assert all(entry["request"]["ifNoneExist"] for entry in bundle["entry"])


def test_a_target_that_cannot_be_inferred_is_asked_for_by_its_name(
    post: Callable[..., httpx.Response],
    record: dict[str, Any],
    parameters: Callable[..., dict[str, Any]],
) -> None:
    for answer, expression in [
        (post(record, f"?as-of={AS_OF}"), "http.target"),
        (post(parameters()), "Parameters.parameter.where(name='target')"),
    ]:
        (issue,) = answer.json()["issue"]
        assert answer.status_code == 400
        assert "name a target" in issue["diagnostics"]
        assert issue["expression"] == [expression]


@pytest.mark.parametrize(("target", "status"), [("desiccated-thyroid", 200), ("liothyronine", 422)])
def test_an_order_named_must_be_for_the_target(
    post: Callable[..., httpx.Response],
    parameters: Callable[..., dict[str, Any]],
    record: dict[str, Any],
    target: str,
    status: int,
) -> None:
    record.update(json.loads((PATIENTS / "16-draft-order.json").read_text()))
    (draft,) = (
        entry["resource"]["id"]
        for entry in record["entry"]
        if entry["resource"].get("status") == "draft"
    )
    answer = post(
        parameters(
            {"name": "as-of", "valueDate": AS_OF},
            {"name": "target", "valueCode": target},
            {"name": "order", "valueReference": {"reference": f"MedicationRequest/{draft}"}},
        )
    )
    assert answer.status_code == status, answer.text
    if status == 422:
        assert answer.json()["issue"][0]["expression"] == ["Parameters.parameter[2].value"]


def test_an_order_that_is_not_in_the_record_is_refused(
    post: Callable[..., httpx.Response], parameters: Callable[..., dict[str, Any]]
) -> None:
    answer = post(
        parameters(
            {"name": "as-of", "valueDate": AS_OF},
            {"name": "order", "valueReference": {"reference": "MedicationRequest/none"}},
        )
    )
    assert answer.status_code == 400
    assert answer.json()["issue"][0]["expression"] == ["Parameters.parameter[2].value"]
