"""The brief answer: a few kB that say what the full one says, and nothing that could be filed."""

import json
from collections.abc import Callable
from itertools import product
from typing import Any

import httpx2 as httpx
import pytest
from tests.conformance.r5_records import as_r5

from .calls import FHIR, FIXTURES, PATIENTS, VISITS

MOST_BYTES, A_VISIT = 20_000, 5_000
"""Of a plan, and what a visit in its midst says more. Most answers are some 12 kB."""
FILES = sorted(file.name for file in PATIENTS.glob("*.json"))
TARGETS = ("levothyroxine", "desiccated-thyroid", "levothyroxine-liothyronine")
Ask = Callable[..., httpx.Response]


@pytest.fixture
def ask(client: httpx.Client) -> Ask:
    def send(file: str, target: str, version: str = "r4", **more: str) -> httpx.Response:
        query = {"target": target, "as-of": "2025-03-03", **more}
        record = json.loads((PATIENTS / file).read_bytes())
        if version == "r5":
            record = as_r5(record)
        path = f"/fhir/{version}/$propose-switch"
        return client.post(path, params=query, json=record, headers=FHIR)

    return send


def guidance(answer: httpx.Response) -> dict[str, Any]:
    found: dict[str, Any] = answer.json()["entry"][0]["resource"]
    return found


def contained(resource: dict[str, Any], kind: str) -> dict[str, Any]:
    (one,) = (each for each in resource["contained"] if each["resourceType"] == kind)
    found: dict[str, Any] = one
    return found


def values(parts: list[dict[str, Any]], name: str) -> list[Any]:
    """The values of the parts of a name; of one with parts, these by name."""
    return [
        each["part"]
        if "part" in each
        else next(each[key] for key in each if key.startswith("value"))
        for each in parts
        if each["name"] == name
    ]


def only(parts: list[dict[str, Any]], name: str) -> Any:
    (value,) = values(parts, name)
    return value


def of_the_series(answer: httpx.Response, *kinds: str) -> list[dict[str, Any]]:
    """The requests of a full answer that wait for no branch."""
    resources = [entry["resource"] for entry in answer.json()["entry"]]
    return [r for r in resources if r["resourceType"] in kinds and r["intent"] == "proposal"]


def is_form(entry: dict[str, Any]) -> bool:
    return bool(entry["resource"]["resourceType"] == "Questionnaire")


def assert_hides_nothing(brief: httpx.Response, full: httpx.Response) -> None:
    """What warns, asks, waits, ends or stops in the full answer stands in the brief one."""
    short, long = guidance(brief), guidance(full)
    forms = [entry for entry in full.json()["entry"] if is_form(entry)]
    assert brief.json()["entry"][1:] == forms  # what is asked is asked by the same form
    assert (short["status"], short["note"]) == (long["status"], long["note"])
    assert contained(short, "OperationOutcome") == contained(long, "OperationOutcome")
    parts = contained(short, "Parameters")["parameter"]
    resources = [entry["resource"] for entry in full.json()["entry"]]
    issues = {r["code"]["coding"][0]["code"] for r in resources if "severity" in r}
    assert {only(each, "code") for each in values(parts, "finding")} == issues
    ended = of_the_series(full, "Task")
    assert {only(act, "says") for act in values(parts, "act")} == {t["description"] for t in ended}
    for plan in (r for r in resources if r["resourceType"] == "CarePlan"):
        apart = [note["text"] for note in plan["note"] if note not in short["note"]]
        assert apart == values(parts, "beside")
    for draw in of_the_series(full, "ServiceRequest"):
        named = draw["code"].get("concept", draw["code"])["text"]
        days = draw.get("occurrenceTiming", {}).get("event") or [draw["occurrenceDateTime"]]
        same = [d for d in values(parts, "draw") if set(days) <= set(values(d, "on"))]
        checked = [c for c in values(parts, "check") if named in values(c, "says")[0]]
        assert same or checked, named
        if checked and not same:
            told = {*values(checked[0], "says"), only(checked[0], "patient")}
            notes = {note["text"] for note in draw["note"]} - {n["text"] for n in short["note"]}
            assert notes <= told
            assert only(checked[0], "patient") in json.dumps(draw["patientInstruction"])


@pytest.mark.parametrize(("file", "target"), list(product(FILES, TARGETS)))
def test_a_brief_answer_is_small_and_hides_nothing_of_the_full_one(
    ask: Ask, file: str, target: str
) -> None:
    brief, full = ask(file, target, detail="brief"), ask(file, target)
    assert brief.status_code == full.status_code
    if brief.status_code != 200:
        assert brief.content == full.content
        return
    assert len(brief.content) < MOST_BYTES
    assert_hides_nothing(brief, full)
    long = guidance(full)
    parts = contained(guidance(brief), "Parameters")["parameter"]
    assert (only(parts, "outcome") == "plan") == ("result" in long)
    assert "result" not in guidance(brief)
    if "result" not in long:
        assert not {each["name"] for each in parts} & {"step", "draw", "branch", "checkpoint"}
        return
    steps = values(parts, "step")
    first, last = set(), set()
    for order in of_the_series(full, "MedicationRequest"):
        for dose in order["dosageInstruction"]:
            period = dose["timing"]["repeat"]["boundsPeriod"]
            first.add(period["start"])
            last.add(period["end"])
    assert first <= {only(each, "first-day") for each in steps}
    assert last <= {only(each, "last-day") for each in steps}
    assert all(values(each, "dose") for each in steps)
    branches = values(parts, "branch")
    assert len(branches) in {6, 7}
    (group,) = of_the_series(full, "RequestGroup")
    described = [option["description"] for option in group["action"][0]["action"]]
    assert group["action"][0]["description"] == only(parts, "checkpoint")
    for branch, words in zip(branches, described, strict=True):
        assert only(branch, "only-if") in words
        assert only(branch, "says") in words
        assert values(branch, "dose")


def test_a_stop_is_as_loud_in_a_brief_answer(ask: Ask) -> None:
    answer = ask("11-adrenal-insufficiency.json", "desiccated-thyroid", detail="brief")
    found = guidance(answer)
    parts = contained(found, "Parameters")["parameter"]
    assert only(parts, "outcome") == "stop"
    assert "stop" in {only(each, "severity") for each in values(parts, "finding")}
    errors = [i for i in contained(found, "OperationOutcome")["issue"] if i["severity"] == "error"]
    assert errors
    assert "STOP" in found["note"][0]["text"]


def test_a_question_is_asked_in_a_brief_answer_with_its_place(ask: Ask) -> None:
    found = guidance(ask("12-text-only-sig.json", "desiccated-thyroid", detail="brief"))
    assert found["status"] == "data-required"
    assert only(contained(found, "Parameters")["parameter"], "outcome") == "data-required"
    asked = [i for i in contained(found, "OperationOutcome")["issue"] if i["code"] == "required"]
    assert asked
    assert all(issue["expression"][0].startswith("Bundle.") for issue in asked)


def test_the_draft_that_is_not_to_be_signed_beside_it_stands_in_it(ask: Ask) -> None:
    found = guidance(ask("16-draft-order.json", "desiccated-thyroid", detail="brief"))
    parts = contained(found, "Parameters")["parameter"]
    assert "sign one or the other, not both" in only(parts, "beside")
    assert values(parts, "verdict")[0] != "fits"


def test_a_day_in_two_doses_is_said_so(ask: Ask) -> None:
    brief = ask("04-levothyroxine-100-to-liothyronine.json", "liothyronine", detail="brief")
    parts = contained(guidance(brief), "Parameters")["parameter"]
    doses = values(values(parts, "step")[-1], "dose")
    assert any("in 2 equal doses" in dose or "at bedtime" in dose for dose in doses)


@pytest.mark.parametrize("version", ["r4", "r5"])
@pytest.mark.parametrize("visit", [visit["name"] for visit in VISITS])
def test_a_brief_next_step_hides_nothing_of_the_full_one(
    client: httpx.Client, visit: str, version: str
) -> None:
    (at,) = (each for each in VISITS if each["name"] == visit)
    record = json.loads((FIXTURES / "visits" / f"{visit}.json").read_bytes())
    body = as_r5(record) if version == "r5" else record
    path, asked = f"/fhir/{version}/$next-step", [("as-of", at["as_of"])]
    asked += [("stock", each) for each in at.get("stock", ())]
    full = client.post(path, params=asked, json=body, headers=FHIR)
    brief = client.post(path, params=[*asked, ("detail", "brief")], json=body, headers=FHIR)
    assert brief.status_code == full.status_code == 200
    assert_hides_nothing(brief, full)
    assert len(brief.content) < MOST_BYTES + A_VISIT
    parts, whole = (contained(guidance(each), "Parameters")["parameter"] for each in (brief, full))
    assert only(parts, "next-step") == only(whole, "next-step")


def test_the_numbers_of_a_known_patient_stand_in_it(ask: Ask) -> None:
    parts = contained(
        guidance(ask("01-levothyroxine-150.json", "desiccated-thyroid", detail="brief")),
        "Parameters",
    )["parameter"]
    first = values(parts, "step")[0]
    assert only(first, "first-day") == "2025-03-03"
    assert "desiccated thyroid 15 mg a day: 1 tablet of 15 mg" in values(first, "dose")
    assert "levothyroxine sodium 150 micrograms a day: as taken now" in values(first, "dose")


@pytest.mark.parametrize("version", ["r4", "r5"])
@pytest.mark.parametrize("more", [{"response": "transaction"}, {"sheet": "true"}])
def test_what_needs_orders_is_refused_at_its_own_place(
    ask: Ask, version: str, more: dict[str, str]
) -> None:
    answer = ask("01-levothyroxine-150.json", "desiccated-thyroid", version, detail="brief", **more)
    assert answer.status_code == 422
    (issue,) = answer.json()["issue"]
    assert issue["expression"] == [f"http.{next(iter(more))}"]
    assert "holds no order" in issue["diagnostics"]


def test_a_brief_answer_in_r5_differs_only_where_the_versions_do(ask: Ask) -> None:
    r4, r5 = (
        ask("01-levothyroxine-150.json", "desiccated-thyroid", version, detail="brief")
        for version in ("r4", "r5")
    )
    parameters = [contained(guidance(answer), "Parameters") for answer in (r4, r5)]
    assert parameters[0] == parameters[1]
    assert guidance(r5)["subject"] == guidance(r4)["subject"]
