"""Every option refuses what it does not take: status, issue code, diagnostics, expression."""

import json
from collections.abc import Callable
from typing import Any

import httpx2 as httpx
import pytest

from crossgrain.operations.faults import did_you_mean

from .calls import PATIENTS

TARGET = {"name": "target", "valueCode": "desiccated-thyroid"}


def only_issue(answer: httpx.Response) -> dict[str, Any]:
    body = answer.json()
    assert body["resourceType"] == "OperationOutcome"
    assert len(body["issue"]) == 1
    issue: dict[str, Any] = body["issue"][0]
    return issue


@pytest.mark.parametrize(
    ("option", "code", "says"),
    [
        ({"name": "target", "valueCode": "thyroxine"}, "value", "target is one of: levothyroxine,"),
        ({"name": "basis", "valueCode": "guess"}, "value", "basis is one of: practice, label,"),
        ({"name": "basis", "valueCode": "ddd"}, "value", "basis is one of: practice, label,"),
        ({"name": "pace", "valueCode": "fast"}, "value", "pace is one of: standard, brisk,"),
        ({"name": "prior-therapy", "valueCode": "both"}, "value", "one of: overlap, stop"),
        ({"name": "desiccated-family", "valueCode": "70"}, "value", "desiccated-thyroid-60,"),
        ({"name": "as-of", "valueDate": "2025-02-30"}, "value", "a whole date, YYYY-MM-DD"),
        ({"name": "as-of", "valueDate": "2025-03"}, "value", "a whole date, YYYY-MM-DD"),
        ({"name": "start", "valueDate": "9999-12-31"}, "value", "from 1900-01-01 to 2199-12-31"),
        ({"name": "time-zone", "valueString": "../etc"}, "value", "an IANA time zone"),
        ({"name": "time-zone", "valueString": "America"}, "value", "an IANA time zone"),
        ({"name": "ratio", "valueDecimal": -17}, "value", "a plain positive decimal number"),
        ({"name": "ratio", "valueDecimal": 1e30}, "value", "a plain positive decimal number"),
        ({"name": "t3-share", "valueDecimal": True}, "value", "t3-share is given as valueDecimal"),
        ({"name": "guideline", "valueBoolean": "yes"}, "value", "guideline is given as valueBool"),
        ({"name": "response", "valueCode": "batch"}, "value", "one of: collection, transaction"),
        ({"name": "order", "valueReference": {}}, "value", "a Reference with its reference"),
        ({"name": "requester", "valueReference": {}}, "value", "a Reference with its reference"),
        (
            {"name": "requester", "valueReference": {"reference": "Patient/p01"}},
            "value",
            "a Reference to a Practitioner, a PractitionerRole or an Organization",
        ),
        ({"name": "recorded", "valueInstant": "2025-03-03"}, "value", "an instant with seconds"),
        (
            {"name": "recorded", "valueInstant": "2025-03-03T09:00:00"},
            "value",
            "an instant with seconds",
        ),
        (
            {"name": "recorded", "valueInstant": "2025-02-30T09:00:00Z"},
            "value",
            "an instant with seconds",
        ),
        ({"name": "basis", "valueString": "label"}, "value", "basis is given as valueCode"),
        (
            {"name": "basis", "valueCode": "label", "valueString": "label"},
            "value",
            "basis is given as valueCode, and as nothing else",
        ),
    ],
)
def test_a_value_that_an_option_does_not_take_is_refused_where_it_stands(
    post: Callable[..., httpx.Response],
    parameters: Callable[..., dict[str, Any]],
    option: dict[str, Any],
    code: str,
    says: str,
) -> None:
    answer = post(parameters(option))
    issue = only_issue(answer)
    assert answer.status_code == 400
    assert issue["severity"] == "error"
    assert issue["code"] == code
    assert says in issue["diagnostics"]
    assert issue["expression"] == ["Parameters.parameter[1].value"]


@pytest.mark.parametrize(
    ("query", "says"),
    [
        ("?target=thyroxine", "target is one of: levothyroxine,"),
        ("?target=levothyroxine&as-of=today", "a whole date"),
        ("?target=levothyroxine&ratio=17e0", "a plain positive decimal number"),
        ("?target=levothyroxine&guideline=1", "give true or false"),
        ("?target=levothyroxine&order=MedicationRequest/1", "does not belong in a URL"),
        ("?target=", "target is one of: levothyroxine,"),
    ],
)
def test_the_query_refuses_the_same_and_names_the_query_parameter(
    post: Callable[..., httpx.Response], record: dict[str, Any], query: str, says: str
) -> None:
    answer = post(record, query)
    issue = only_issue(answer)
    name = query.rpartition("&")[2].lstrip("?").partition("=")[0]
    assert answer.status_code == 400
    assert issue["code"] == "value"
    assert says in issue["diagnostics"]
    assert issue["expression"] == [f"http.{name}"]


@pytest.mark.parametrize(
    ("options", "expression"),
    [
        ([{"name": "dose", "valueDecimal": 1}], "Parameters.parameter[1].name"),
        ([{"valueCode": "levothyroxine"}], "Parameters.parameter[1].name"),
        ([{"name": ["target"], "valueCode": "levothyroxine"}], "Parameters.parameter[1].name"),
    ],
)
def test_an_unknown_option_is_refused(
    post: Callable[..., httpx.Response],
    parameters: Callable[..., dict[str, Any]],
    options: list[dict[str, Any]],
    expression: str,
) -> None:
    answer = post(parameters(*options))
    issue = only_issue(answer)
    assert answer.status_code == 400
    assert issue["code"] == "not-supported"
    assert "this option is not known; known are: target," in issue["diagnostics"]
    assert issue["expression"] == [expression]


WHO = "https://ehr.example/fhir/PractitionerRole/r1"


def test_whoever_asks_and_when_it_is_recorded_stand_in_the_answer(
    post: Callable[..., httpx.Response], parameters: Callable[..., dict[str, Any]]
) -> None:
    who = {"name": "requester", "valueReference": {"reference": WHO}}
    when = {"name": "recorded", "valueInstant": "2025-03-03T09:30:00.5+01:00"}
    entries = post(parameters(TARGET, who, when)).json()["entry"]
    held = [entry["resource"] for entry in entries]
    orders = [each for each in held if each["resourceType"] == "MedicationRequest"]
    assert orders
    assert {order["requester"]["reference"] for order in orders} == {WHO}
    (provenance,) = (each for each in held if each["resourceType"] == "Provenance")
    assert provenance["recorded"] == "2025-03-03T09:30:00.5+01:00"


@pytest.mark.parametrize(
    ("recorded", "status"),
    [
        ("2025-03-01T23:59:59Z", 422),
        ("2025-03-02T00:00:00Z", 200),  # the day before, for whoever lives west of the record
        ("2025-03-03T00:00:00Z", 200),
        ("2026-03-03T00:00:00Z", 200),
    ],
)
def test_nothing_is_recorded_before_the_record_is_read(
    post: Callable[..., httpx.Response],
    parameters: Callable[..., dict[str, Any]],
    recorded: str,
    status: int,
) -> None:
    as_of = {"name": "as-of", "valueDate": "2025-03-03"}
    answer = post(parameters(TARGET, as_of, {"name": "recorded", "valueInstant": recorded}))
    assert answer.status_code == status
    if status == 422:
        issue = only_issue(answer)
        assert issue["expression"] == ["Parameters.parameter[3].value"]
        assert "recorded lies before as-of" in issue["diagnostics"]


def test_an_unknown_query_option_is_refused(
    post: Callable[..., httpx.Response], record: dict[str, Any]
) -> None:
    answer = post(record, "?target=levothyroxine&dose=3")
    assert answer.status_code == 400
    assert only_issue(answer)["expression"] == ["http.dose"]


def test_a_repeated_option_is_refused_at_its_second_place(
    post: Callable[..., httpx.Response], parameters: Callable[..., dict[str, Any]]
) -> None:
    answer = post(parameters(TARGET, TARGET))
    issue = only_issue(answer)
    assert answer.status_code == 400
    assert issue["code"] == "invalid"
    assert issue["diagnostics"] == "target is given more than once"
    assert issue["expression"] == ["Parameters.parameter[2]"]


def test_an_option_in_the_body_and_in_the_query_is_a_repeated_option(
    post: Callable[..., httpx.Response], parameters: Callable[..., dict[str, Any]]
) -> None:
    answer = post(parameters(TARGET), "?target=desiccated-thyroid")
    assert answer.status_code == 400
    assert only_issue(answer)["expression"] == ["http.target"]


def test_all_faults_are_said_at_once_in_order(
    post: Callable[..., httpx.Response], parameters: Callable[..., dict[str, Any]]
) -> None:
    answer = post(
        parameters(
            {"name": "pace", "valueCode": "fast"},
            {"name": "dose", "valueDecimal": 1},
            {"name": "as-of", "valueDate": "x"},
        )
    )
    assert answer.status_code == 400
    assert [issue["expression"] for issue in answer.json()["issue"]] == [
        ["Parameters.parameter[1].value"],
        ["Parameters.parameter[2].name"],
        ["Parameters.parameter[3].value"],
    ]


@pytest.mark.parametrize(
    ("options", "at", "says"),
    [
        (
            [TARGET, {"name": "ratio", "valueDecimal": 15}],
            2,
            "ratio composes levothyroxine-liothyronine; the target is desiccated-thyroid",
        ),
        (
            [TARGET, {"name": "t3-share", "valueDecimal": 0.2}],
            2,
            "t3-share composes desiccated-thyroid-liothyronine",
        ),
        (
            [
                {"name": "target", "valueCode": "levothyroxine-liothyronine"},
                {"name": "ratio", "valueDecimal": 15},
                {"name": "guideline", "valueBoolean": True},
            ],
            2,
            "give guideline or ratio, not both",
        ),
        (
            [
                TARGET,
                {"name": "as-of", "valueDate": "2025-03-03"},
                {"name": "start", "valueDate": "2025-03-02"},
            ],
            3,
            "start lies before as-of",
        ),
    ],
)
def test_options_that_disagree_are_422(
    post: Callable[..., httpx.Response],
    parameters: Callable[..., dict[str, Any]],
    options: list[dict[str, Any]],
    at: int,
    says: str,
) -> None:
    answer = post(parameters(*options))
    issue = only_issue(answer)
    assert answer.status_code == 422
    assert issue["code"] == "business-rule"
    assert says in issue["diagnostics"]
    assert issue["expression"] == [f"Parameters.parameter[{at}].value"]


def test_a_ratio_beside_an_order_for_another_target_is_refused(
    post: Callable[..., httpx.Response],
) -> None:
    ordered = json.loads((PATIENTS / "16-draft-order.json").read_text())
    issue = only_issue(post(ordered, "?as-of=2025-03-03&ratio=15"))
    assert issue["code"] == "business-rule"
    assert "ratio composes levothyroxine-liothyronine; the target is" in issue["diagnostics"]
    assert issue["expression"] == ["http.ratio"]


def test_a_ratio_that_no_tablets_keep_is_refused_with_the_nearest_that_do(
    post: Callable[..., httpx.Response], parameters: Callable[..., dict[str, Any]]
) -> None:
    small = parameters(
        {"name": "target", "valueCode": "levothyroxine-liothyronine"},
        {"name": "ratio", "valueDecimal": 17},
        {"name": "as-of", "valueDate": "2025-03-03"},
    )
    for entry in small["parameter"][0]["resource"]["entry"]:
        for dosage in entry["resource"].get("dosage", ()):
            dosage.update(text="50 micrograms once daily")
            dosage["doseAndRate"][0]["doseQuantity"]["value"] = 50
    answer = post(small)
    assert answer.status_code == 422
    issue = only_issue(answer)
    assert issue["expression"] == ["Parameters.parameter[2].value"]
    assert "no tablets keep LT4 to LT3 at 13:1 to 20:1 (ETA 2012)" in issue["diagnostics"]


@pytest.mark.parametrize("ratio", [12.9, 20.1])
def test_a_ratio_outside_the_guideline_is_refused_by_the_domain_and_placed(
    post: Callable[..., httpx.Response], parameters: Callable[..., dict[str, Any]], ratio: float
) -> None:
    # ETA guideline 2012, Eur Thyroid J 1:55: 13:1 to 20:1.
    answer = post(
        parameters(
            {"name": "target", "valueCode": "levothyroxine-liothyronine"},
            {"name": "ratio", "valueDecimal": ratio},
        )
    )
    issue = only_issue(answer)
    assert answer.status_code == 400
    assert issue["code"] == "value"
    assert "between 13 and 20" in issue["diagnostics"]
    assert issue["expression"] == ["Parameters.parameter[2].value"]


@pytest.mark.parametrize("share", [0, 1])
def test_a_share_of_nothing_or_of_everything_is_refused(
    post: Callable[..., httpx.Response], parameters: Callable[..., dict[str, Any]], share: int
) -> None:
    answer = post(
        parameters(
            {"name": "target", "valueCode": "desiccated-thyroid-liothyronine"},
            {"name": "t3-share", "valueDecimal": share},
        )
    )
    assert answer.status_code == 400
    assert only_issue(answer)["expression"] == ["Parameters.parameter[2].value"]


NEARLY = [
    ("targt=levothyroxine", "; did you mean target?"),
    ("target=levothyroxin", "; did you mean levothyroxine?"),
    ("pace=cautios", "; did you mean cautious?"),
    ("colour=blue", "sheet, sheet-form"),
    ("target=warfarin", "desiccated-thyroid-liothyronine"),
]


@pytest.mark.parametrize(("query", "closes"), NEARLY)
def test_a_word_that_nearly_is_an_option_or_a_code_is_told_which(
    client: httpx.Client, query: str, closes: str
) -> None:
    answer = client.post(f"/fhir/r4/$propose-switch?{query}", json={"resourceType": "Bundle"})
    assert only_issue(answer)["diagnostics"].endswith(closes)


def test_a_long_word_is_compared_with_nothing() -> None:
    long = "target" * 13
    assert did_you_mean(f"{long}s", [long]) == f"; did you mean {long}?"
    assert did_you_mean(f"{long}sss", [long]) == ""
    assert did_you_mean(3, [long]) == ""


@pytest.mark.parametrize(
    ("method", "path", "closes"),
    [
        ("POST", "/fhir/r4/$propose-swich", "; did you mean /fhir/r4/$propose-switch?"),
        ("GET", "/doc", "; /docs lists every address; did you mean /docs?"),
        ("GET", "/nothing-like-it", "; /docs lists every address"),
        ("GET", "/fhir/r4/$propose-switch", "; it takes OPTIONS, POST"),
    ],
)
def test_a_wrong_address_is_told_the_nearest_and_a_wrong_method_the_right_one(
    client: httpx.Client, method: str, path: str, closes: str
) -> None:
    assert only_issue(client.request(method, path))["diagnostics"].endswith(closes)


def test_an_empty_body_is_called_empty(client: httpx.Client) -> None:
    says = only_issue(client.post("/fhir/r4/$propose-switch"))["diagnostics"]
    assert says.startswith("the body is empty: send a body as application/fhir+json")
