"""A move between products of desiccated thyroid, at every door: never the same in silence."""

import json
from collections.abc import Callable
from typing import Any

import httpx2 as httpx
import pytest
from fastapi.testclient import TestClient
from tests.unit.command import crossgrain

from .calls import AS_OF, COMPARE, FHIR, PATIENTS, Resource
from .hooks import ORDER, REVIEW, call, order

GRAINS_60, GRAINS_65 = "02-desiccated-120.json", "03-desiccated-65-family.json"
TO_65 = f"?target=desiccated-thyroid&desiccated-family=desiccated-thyroid-65&as-of={AS_OF}"
TO_60 = f"?target=desiccated-thyroid&desiccated-family=desiccated-thyroid-60&as-of={AS_OF}"
ANOTHER = f"?target=desiccated-thyroid&another-product=true&as-of={AS_OF}"
Post = Callable[..., httpx.Response]


def answered(post: Post, file: str, query: str) -> list[Resource]:
    answer = post((PATIENTS / file).read_bytes(), query)
    assert answer.status_code == 200, answer.text
    return [entry["resource"] for entry in answer.json()["entry"]]


def of_kind(resources: list[Resource], kind: str, **having: str) -> list[Resource]:
    return [
        r
        for r in resources
        if r["resourceType"] == kind and all(r.get(key) == value for key, value in having.items())
    ]


def in_65(mg: str, code: str, **more: str) -> Resource:
    return order(f"thyroid (USP) {mg} MG Oral Tablet", code, float(mg), "mg", "p02", **more)


MOVES = [(GRAINS_60, TO_65, "130 mg", "8 % more"), (GRAINS_65, TO_60, "120 mg", "8 % less")]


@pytest.mark.parametrize(("file", "query", "ordered", "off"), MOVES)
def test_the_new_product_is_ordered_the_old_one_ended_and_the_difference_noted(
    post: Post, file: str, query: str, ordered: str, off: str
) -> None:
    resources = answered(post, file, query)
    (guidance,) = of_kind(resources, "GuidanceResponse")
    assert guidance["status"] == "success"
    (new,) = of_kind(resources, "MedicationRequest", intent="proposal")
    assert ordered in new["medicationCodeableConcept"]["text"]
    (ending,) = of_kind(resources, "Task", intent="proposal")
    assert "takes its place; never both on one day" in ending["description"]
    assert "No desiccated thyroid is taken" not in ending["description"]
    (noted,) = [
        issue
        for issue in of_kind(resources, "DetectedIssue")
        if issue["code"]["coding"][0]["code"] == "product-exchanged"
    ]
    assert noted["severity"] == "low"
    assert off in noted["detail"]


@pytest.mark.parametrize(("file", "query"), [(GRAINS_60, TO_65), (GRAINS_60, ANOTHER)])
def test_the_new_order_names_what_it_replaces(post: Post, file: str, query: str) -> None:
    resources = answered(post, file, query)
    (new,) = of_kind(resources, "MedicationRequest", intent="proposal")
    (ending,) = of_kind(resources, "Task", intent="proposal")
    named = [new.get("priorPrescription"), *new.get("supportingInformation", [])]
    assert ending["focus"]["reference"] in [one["reference"] for one in named if one]


def test_tablets_of_the_old_product_are_not_taken_any_more(post: Post) -> None:
    """Also where the new product comes in the very strength that is at home."""
    (ending,) = of_kind(answered(post, GRAINS_60, ANOTHER), "Task", intent="proposal")
    assert "take no more of them" in ending["description"]
    assert "Never take both" in ending["description"]


def test_labs_of_two_weeks_ago_stand_and_the_next_are_drawn_after_six_weeks(post: Post) -> None:
    draws = of_kind(answered(post, GRAINS_60, TO_65), "ServiceRequest", intent="proposal")
    assert {draw["occurrenceDateTime"] for draw in draws} == {"2025-04-14"}


@pytest.mark.parametrize("version", ["r4", "r5"])
def test_both_versions_of_fhir_answer_alike(client: TestClient, version: str) -> None:
    record = json.loads((PATIENTS / GRAINS_60).read_text())
    if version == "r5":
        pytest.importorskip("tests.conformance.r5_records")
        from tests.conformance.r5_records import as_r5  # noqa: PLC0415

        record = as_r5(record)
    answer = client.post(
        f"/fhir/{version}/$propose-switch{TO_65}", content=json.dumps(record), headers=FHIR
    )
    assert answer.status_code == 200, answer.text
    orders = of_kind(
        [entry["resource"] for entry in answer.json()["entry"]],
        "MedicationRequest",
        intent="proposal",
    )
    assert len(orders) == 1
    assert "130 mg" in json.dumps(orders[0])


def test_the_family_of_a_named_order_is_the_one_moved_to(post: Post) -> None:
    record = json.loads((PATIENTS / GRAINS_60).read_text())
    record["entry"].append(
        {
            "fullUrl": "urn:uuid:5f1bd53c-5f5b-4f2a-8a52-0a4a3f1a7b11",
            "resource": in_65("65", "313396"),
        }
    )
    answer = post(record, f"?as-of={AS_OF}")
    assert answer.status_code == 200, answer.text
    resources = [entry["resource"] for entry in answer.json()["entry"]]
    orders = of_kind(resources, "MedicationRequest", intent="proposal")
    assert [r["medicationCodeableConcept"]["text"] for r in orders] == [
        "desiccated thyroid 130 mg tablet"
    ]


def test_a_move_of_family_and_of_medicine_at_once_is_refused_by_its_option(post: Post) -> None:
    query = TO_65.replace("target=desiccated-thyroid", "target=desiccated-thyroid-liothyronine")
    answer = post((PATIENTS / GRAINS_60).read_bytes(), query)
    assert answer.status_code == 422
    (issue,) = answer.json()["issue"]
    assert issue["expression"] == ["http.desiccated-family"]
    assert "any other move after it" in issue["diagnostics"]


def test_a_family_asked_for_matters_to_no_other_target(post: Post) -> None:
    plain = TO_65.replace("target=desiccated-thyroid", "target=levothyroxine")
    without = plain.replace("&desiccated-family=desiccated-thyroid-65", "")
    body = (PATIENTS / GRAINS_60).read_bytes()
    assert post(body, plain).content == post(body, without).content


def test_a_comparison_says_how_the_families_are_counted(post: Post) -> None:
    def families(file: str, target: str) -> list[str]:
        query = f"?target={target}&as-of={AS_OF}"
        answer = post((PATIENTS / file).read_bytes(), query, route=COMPARE)
        parts: list[dict[str, Any]] = answer.json()["parameter"]
        return [part["valueString"] for part in parts if part["name"] == "grain-families"]

    (said,) = families(GRAINS_60, "levothyroxine")
    assert "8 % more" in said
    assert families("01-levothyroxine-150.json", "desiccated-thyroid") == [said]
    assert families("01-levothyroxine-150.json", "liothyronine") == []


@pytest.mark.parametrize("hook", ["order-sign", "order-select"])
def test_an_order_of_the_other_family_is_never_passed_over(client: TestClient, hook: str) -> None:
    """Not even in as many labelled grains: what is taken changes its mg and its maker."""
    answer = client.post(ORDER, json=call(GRAINS_60, [in_65("130", "198277")], hook))
    (card,) = answer.json()["cards"]
    assert "120 mg (of 60 mg per grain) becomes 130 mg (of 65 mg per grain)" in card["detail"]
    assert "8 % more" in card["detail"]


def test_an_order_of_the_other_family_in_another_dose_is_judged_and_the_exchange_offered(
    client: TestClient,
) -> None:
    (card,) = client.post(ORDER, json=call(GRAINS_60, [in_65("260", "313386")])).json()["cards"]
    assert card["indicator"] in {"warning", "critical"}
    for suggestion, intent in zip(card["suggestions"], ("order", "proposal"), strict=True):
        ordered = [
            (a["resource"]["medicationCodeableConcept"]["text"], a["resource"]["intent"])
            for a in suggestion["actions"]
            if a.get("resource", {}).get("resourceType") == "MedicationRequest"
        ]
        assert ordered == [("desiccated thyroid 130 mg tablet", intent)]


def test_a_chart_that_is_opened_after_the_exchange_has_no_card(client: TestClient) -> None:
    assert client.post(REVIEW, json=call(GRAINS_65, [], "patient-view")).json()["cards"] == []


def test_the_sheet_says_it_to_the_prescriber_and_to_the_patient(client: TestClient) -> None:
    page = client.post(f"/sheet{TO_65}", content=(PATIENTS / GRAINS_60).read_bytes(), headers=FHIR)
    assert page.status_code == 200, page.text
    text = " ".join(page.text.split())
    assert "One product in place of another:" in text
    assert "120 mg (of 60 mg per grain) becomes 130 mg (of 65 mg per grain)" in text
    assert "This plan has another product of it instead. Never take both." in text
    assert "so the climb waits at the smallest" not in text
    assert "not chosen" not in text


def test_the_command_line_moves_between_families_and_products() -> None:
    asked = ("--target", "desiccated-thyroid", "--as-of", AS_OF)
    family = crossgrain("propose", PATIENTS / GRAINS_60, *asked,
                        "--desiccated-family", "desiccated-thyroid-65")  # fmt: skip
    assert family.returncode == 0, family.told
    assert "130 mg" in family.told
    product = crossgrain("propose", PATIENTS / GRAINS_60, *asked, "--another-product", "--json")
    assert product.returncode == 0, product.told
    assert b"of one product becomes 120 mg (of 60 mg per grain) of another" in product.stdout


def test_a_series_of_the_other_family_is_not_taken_for_a_climb_by_its_shape(
    client: TestClient,
) -> None:
    """Where a system keeps no marks, mg of one family do not count as mg of the other."""
    first = in_65("130", "198277")
    first["dosageInstruction"][0]["timing"]["repeat"]["boundsPeriod"] = {
        "start": AS_OF,
        "end": "2025-04-20",
    }
    (card,) = client.post(ORDER, json=call(GRAINS_60, [first])).json()["cards"]
    assert "becomes 130 mg" in card["detail"]
