"""``PlanDefinition/regimen-switch/$apply``: the plan of $propose-switch by the standard call."""

import copy
import json
from collections.abc import Callable
from typing import Any

import httpx2 as httpx
import pytest
from tests.conformance.node import needs_node, needs_packages, walked
from tests.conformance.r5_records import as_r5

from crossgrain import __version__
from crossgrain.names.identity import FhirVersion

from .calls import AS_OF, PATIENTS, PROPOSE, SCENARIO, references

SENT = {"r4": "/fhir/r4/PlanDefinition/regimen-switch/$apply"}
SENT["r5"] = SENT["r4"].replace("r4", "r5")

Body = dict[str, Any]
Send = Callable[..., httpx.Response]


@pytest.fixture
def body(record: Body) -> Body:
    options = [
        {"name": "target", "valueCode": "desiccated-thyroid"},
        {"name": "as-of", "valueDate": AS_OF},
    ]
    return {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "subject", "valueString": "Patient/p01"},
            {"name": "data", "resource": record},
            {
                "name": "parameters",
                "resource": {"resourceType": "Parameters", "parameter": options},
            },
        ],
    }


def test_r4_answers_with_a_care_plan_that_contains_all_that_it_refers_to(
    post: Send, body: Body
) -> None:
    answer = post(body, route=SENT["r4"])
    assert answer.status_code == 200, answer.text
    plan = answer.json()
    assert plan["resourceType"] == "CarePlan"
    inside = {contained["id"] for contained in plan["contained"]}
    assert len(inside) == len(plan["contained"])
    pointed_at = set(references(plan))
    assert not [reference for reference in pointed_at if reference.startswith("urn:uuid:")]
    fragments = {r.removeprefix("#") for r in pointed_at if r.startswith("#") and r != "#"}
    assert fragments <= inside
    assert not [contained for contained in plan["contained"] if "contained" in contained]


def test_r4_contains_the_very_orders_that_propose_switch_writes(post: Send, body: Body) -> None:
    plan = post(body, route=SENT["r4"]).json()
    record = body["parameter"][1]["resource"]
    proposed = post(record, f"?target=desiccated-thyroid&as-of={AS_OF}", PROPOSE).json()
    orders = {
        e["resource"]["id"]: e["resource"]["dosageInstruction"]
        for e in proposed["entry"]
        if e["resource"]["resourceType"] == "MedicationRequest"
    }
    contained = {
        c["id"]: c["dosageInstruction"]
        for c in plan["contained"]
        if c["resourceType"] == "MedicationRequest"
    }
    assert len(orders) > 4
    assert contained == orders


def asked_for(body: Body, patient: dict[str, str]) -> Body:
    """The call for one invented patient, as the scenario has it."""
    record = json.loads((PATIENTS / patient["file"]).read_text())
    options = [{"name": "as-of", "valueDate": AS_OF}]
    if "target" in patient:
        options.append({"name": "target", "valueCode": patient["target"]})
    called = copy.deepcopy(body)
    called["parameter"][0]["valueString"] = f"Patient/p{patient['file'][:2]}"
    called["parameter"][1]["resource"] = record
    called["parameter"][2]["resource"]["parameter"] = options
    return called


@pytest.mark.slow
@needs_node
@needs_packages
@pytest.mark.parametrize("version", FhirVersion)
def test_every_answer_holds_to_the_official_definitions(
    post: Send, body: Body, version: FhirVersion
) -> None:
    answers = []
    for patient in SCENARIO["patient"]:
        called = asked_for(body, patient)
        if version is FhirVersion.R5:
            called["parameter"][1]["resource"] = as_r5(called["parameter"][1]["resource"])
        answer = post(called, route=SENT[version])
        assert answer.status_code == (200 if patient["outcome"] == "plan" else 422), answer.text
        if answer.status_code == 200:
            answers.append(answer.json())
    reports = walked(answers, version)
    assert len(reports) > 10
    assert [report["faults"] for report in reports] == [[]] * len(answers)
    assert all(report["elements"] > 300 for report in reports)


def test_r5_answers_with_a_bundle_whose_first_entry_is_the_orchestration(
    post: Send, body: Body
) -> None:
    body["parameter"][1]["resource"] = as_r5(body["parameter"][1]["resource"])
    answer = post(body, route=SENT["r5"])
    assert answer.status_code == 200, answer.text
    ((name, bundle),) = [(p["name"], p["resource"]) for p in answer.json()["parameter"]]
    kinds = [entry["resource"]["resourceType"] for entry in bundle["entry"]]
    assert (name, kinds[0]) == ("return", "RequestOrchestration")
    assert {"CarePlan", "MedicationRequest", "GuidanceResponse"} <= set(kinds)


def test_without_data_it_is_422(post: Send, body: Body) -> None:
    del body["parameter"][1]
    answer = post(body, route=SENT["r4"])
    (issue,) = answer.json()["issue"]
    assert (answer.status_code, issue["code"]) == (422, "required")
    assert issue["expression"] == ["Parameters.parameter.where(name='data')"]


@pytest.mark.parametrize("subject", ["Patient/p02", "Group/p01", "p01", ""])
def test_a_subject_other_than_the_records_patient_is_422(
    post: Send, body: Body, subject: str
) -> None:
    body["parameter"][0]["valueString"] = subject
    answer = post(body, route=SENT["r4"])
    assert answer.status_code == 422
    assert answer.json()["issue"][0]["expression"] == ["Parameters.parameter[0].value"]


def test_a_second_subject_is_422(post: Send, body: Body) -> None:
    body["parameter"].append({"name": "subject", "valueString": "Patient/p02"})
    assert post(body, route=SENT["r4"]).status_code == 422


def test_no_subject_is_400(post: Send, body: Body) -> None:
    del body["parameter"][0]
    answer = post(body, route=SENT["r4"])
    assert answer.status_code == 400
    assert answer.json()["issue"][0]["expression"] == ["Parameters.parameter.where(name='subject')"]


@pytest.mark.parametrize(
    ("patient", "code"),
    [("11-adrenal-insufficiency", "business-rule"), ("12-text-only-sig", "required")],
)
def test_where_there_is_no_plan_it_is_422_with_the_reasons(
    post: Send, body: Body, patient: str, code: str
) -> None:
    body["parameter"][1]["resource"] = json.loads((PATIENTS / f"{patient}.json").read_text())
    body["parameter"][0]["valueString"] = f"Patient/p{patient[:2]}"
    answer = post(body, route=SENT["r4"])
    issues = answer.json()["issue"]
    assert answer.status_code == 422
    assert code in {issue["code"] for issue in issues}
    assert all("Parameters.parameter[1]" in i["expression"][0] for i in issues if "expression" in i)


@pytest.mark.parametrize(
    "parameter",
    [
        {"name": "planDefinition", "valueString": "x"},
        {"name": "response", "valueCode": "transaction"},
        {"name": "dataEndpoint", "valueString": "x"},
        {"name": "encounter", "valueReference": {"reference": "Encounter/1"}},
        {"name": "userType", "valueString": "x"},
        {"name": "data", "resource": {"resourceType": "Bundle"}},
    ],
)
def test_what_it_does_not_take_is_400_by_its_place(post: Send, body: Body, parameter: Body) -> None:
    body["parameter"].append(parameter)
    answer = post(body, route=SENT["r4"])
    assert answer.status_code == 400
    assert answer.json()["issue"][0]["expression"][0].startswith("Parameters.parameter[3]")


def test_an_option_is_named_by_its_place_in_the_nested_parameters(post: Send, body: Body) -> None:
    body["parameter"][2]["resource"]["parameter"][0]["valueCode"] = "x"
    answer = post(body, route=SENT["r4"])
    assert answer.json()["issue"][0]["expression"] == [
        "Parameters.parameter[2].resource.parameter[0].value"
    ]


OURS = "http://crossgrain.example/fhir/PlanDefinition/regimen-switch"


def at_type(body: Body, *named: dict[str, Any]) -> Body:
    return {**body, "parameter": [*body["parameter"], *named]}


@pytest.mark.parametrize(
    "named",
    [
        {"valueCanonical": OURS},
        {"valueUri": f"{OURS}|{__version__}"},
        {"resource": {"resourceType": "PlanDefinition", "url": OURS, "status": "active"}},
    ],
)
def test_at_type_level_the_call_names_our_definition(
    post: Send, body: Body, named: dict[str, Any]
) -> None:
    at_instance = post(body, route=SENT["r4"])
    sent = at_type(body, {"name": "planDefinition", **named})
    answer = post(sent, route="/fhir/r4/PlanDefinition/$apply")
    assert answer.content == at_instance.content


def test_r5_also_takes_the_url(post: Send, body: Body) -> None:
    called = copy.deepcopy(body)
    called["parameter"][1]["resource"] = as_r5(called["parameter"][1]["resource"])
    sent = at_type(called, {"name": "url", "valueCanonical": OURS})
    answer = post(sent, route="/fhir/r5/PlanDefinition/$apply")
    assert answer.status_code == 200, answer.text
    assert answer.content == post(called, route=SENT["r5"]).content


@pytest.mark.parametrize(
    ("named", "status", "expression"),
    [
        ([], 400, "Parameters.parameter.where(name='planDefinition')"),
        ([{"valueCanonical": f"{OURS}-2"}], 404, "Parameters.parameter[3]"),
        ([{"valueCanonical": f"{OURS}|9"}], 404, "Parameters.parameter[3]"),
        ([{"resource": {"resourceType": "PlanDefinition"}}], 404, "Parameters.parameter[3]"),
        ([{"valueCanonical": OURS}] * 2, 400, "Parameters.parameter[4]"),
    ],
)
def test_at_type_level_another_definition_is_not_found(
    post: Send, body: Body, named: list[dict[str, Any]], status: int, expression: str
) -> None:
    sent = at_type(body, *({"name": "planDefinition", **each} for each in named))
    answer = post(sent, route="/fhir/r4/PlanDefinition/$apply")
    assert answer.status_code == status
    assert answer.json()["issue"][0]["expression"] == [expression]


@pytest.mark.parametrize("version", ["r4", "r5"])
@pytest.mark.parametrize(
    "name", ["useServerData", "dataEndpoint", "contentEndpoint", "terminologyEndpoint", "prefetch"]
)
def test_a_parameter_that_is_not_served_is_refused_by_its_name(
    post: Send, body: Body, version: str, name: str
) -> None:
    answer = post(at_type(body, {"name": name, "valueBoolean": True}), route=SENT[version])
    assert answer.status_code == 400
    issue = answer.json()["issue"][0]
    assert (issue["code"], issue["expression"]) == (
        "not-supported",
        ["Parameters.parameter[3].name"],
    )


@pytest.mark.parametrize("version", ["r4", "r5"])
def test_the_definition_says_what_goes_over_the_wire(
    client: httpx.Client, post: Send, body: Body, version: str
) -> None:
    """In R4 a resource named `return` alone is the answer; R5's core returns a list of them."""
    own_id = "OperationDefinition/plan-definition-apply"
    parameters = client.get(f"/fhir/{version}/{own_id}").json()["parameter"]
    (returned,) = [p for p in parameters if p["use"] == "out"]
    if version == "r5":
        body["parameter"][1]["resource"] = as_r5(body["parameter"][1]["resource"])
    answer = post(body, route=SENT[version]).json()
    if version == "r5":
        ((name, answer),) = [(p["name"], p["resource"]) for p in answer["parameter"]]
        assert name == returned["name"]
    assert answer["resourceType"] == returned["type"]
    taken = {p["name"] for p in parameters if p["use"] == "in"}
    at_type = {"planDefinition"} if version == "r4" else {"planDefinition", "url"}
    assert {"subject", "data", "parameters", *at_type} <= taken


def test_the_url_of_r5_is_no_parameter_of_r4(post: Send, body: Body) -> None:
    sent = at_type(body, {"name": "url", "valueUri": OURS})
    assert post(sent, route="/fhir/r4/PlanDefinition/$apply").status_code == 400
