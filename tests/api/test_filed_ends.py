"""A filed task that ends the medicine from before day one, at a visit that falls before its day."""

import json
from collections.abc import Callable, Iterator
from copy import deepcopy
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient
from fixtures.visits import chart as ehr
from fixtures.visits.chart import DAY_ONE, Chart
from tests.api.calls import FHIR, Resource
from tests.api.test_cds_course import Clinic, actions_of
from tests.api.test_next_step import guidance, said
from tests.conformance.r5_records import as_r5
from tests.unit.command import crossgrain

from crossgrain.app.factory import create_app
from crossgrain.catalogue import Catalogue
from crossgrain.http.settings import Settings
from crossgrain.names.identity import RESOURCE_SYSTEM

ENDS, TODAY = "2025-03-17", "2025-03-10"
"""The first day without the dose of before, and a day in the first step."""
BEFORE = "MedicationStatement/p01-medication-2"
Answer = dict[str, Any]
Ask = Callable[..., Answer]


def filed(file: str = "01-levothyroxine-150.json", target: str = "desiccated-thyroid") -> Chart:
    """A plan that was filed on day one and signed, its tasks not yet carried out."""
    chart = ehr.patient(file)
    answer = ehr.proposal(file, target)
    chart.take_up(answer, carried_out=False)
    return chart


def asks(chart: Chart) -> None:
    """Palpitations and a high TSH contradict each other."""
    chart.told(7, palpitations=True)
    chart.result("tsh", 6, 14.0)


def stops(chart: Chart) -> None:
    chart.condition("22298006", "Myocardial infarction", 4)


def holds(chart: Chart) -> None:
    chart.told(7, palpitations=True)
    chart.result("tsh", 6, 1.8)


WAIT = {"ask": asks, "stop": stops}


def visited(act: str, told: Callable[[Chart], None]) -> tuple[Chart, Answer]:
    chart = filed()
    told(chart)
    answer = chart.next_step(7)
    assert said(answer)["act"] == [act]
    return chart, answer


def the_task(chart: Chart) -> Resource:
    (task,) = (r for r in chart.filed if r["resourceType"] == "Task")
    assert task["focus"] == {"reference": BEFORE}
    assert task["restriction"]["period"]["start"] == ENDS
    return task


def tasks(answer: Answer) -> list[Resource]:
    every = (entry["resource"] for entry in answer["entry"])
    return [each for each in every if each["resourceType"] == "Task"]


def ending(answer: Answer) -> list[Resource]:
    """The tasks of an answer about what was taken before day one, in the series."""
    return [t for t in tasks(answer) if t["focus"]["reference"] == BEFORE and is_series(t)]


def is_series(task: Resource) -> bool:
    return task["intent"] != "option"


# --- it waits ------------------------------------------------------------------------------------


@pytest.mark.parametrize("act", WAIT)
def test_where_a_visit_asks_or_stops_the_filed_task_is_on_hold_and_says_why(act: str) -> None:
    chart, answer = visited(act, WAIT[act])
    (task,) = ending(answer)
    before = the_task(chart)
    changed = {"status", "statusReason", "text"}
    assert {k: v for k, v in task.items() if k not in changed} == {
        k: v for k, v in before.items() if k not in changed
    }
    assert task["status"] == "on-hold"
    words = task["statusReason"]["text"]
    assert words.startswith("Do not end levothyroxine sodium as taken now on 17 March 2025 until")
    assert words in guidance(answer)["text"]["div"]
    assert words in task["text"]["div"]
    assert [r["reference"] for r in answer["entry"][-1]["resource"]["target"]][-1].endswith(
        task["id"]
    )


def test_a_task_on_hold_is_named_so_again_while_the_question_is_open() -> None:
    chart = filed()
    asks(chart)
    the_task(chart)["status"] = "on-hold"
    (task,) = ending(chart.next_step(7))
    assert (task["id"], task["status"]) == (the_task(chart)["id"], "on-hold")


@pytest.mark.parametrize("status", ["completed", "cancelled", "rejected", "entered-in-error"])
def test_a_task_that_somebody_has_closed_is_left_alone(status: str) -> None:
    chart = filed()
    asks(chart)
    the_task(chart)["status"] = status
    assert ending(chart.next_step(7)) == []


def test_a_task_without_a_day_waits_too() -> None:
    chart = filed()
    asks(chart)
    del the_task(chart)["restriction"]
    (task,) = ending(chart.next_step(7))
    assert task["statusReason"]["text"].startswith(
        "Do not end levothyroxine sodium as taken now until this is answered"
    )


def test_in_r5_the_reason_is_a_concept_and_the_period_stays(client: TestClient) -> None:
    chart = filed()
    asks(chart)
    record = as_r5(chart.bundle())
    sent = client.post(
        f"/fhir/r5/$next-step?as-of={TODAY}", content=json.dumps(record), headers=FHIR
    )
    (task,) = ending(sent.json())
    assert task["status"] == "on-hold"
    assert task["statusReason"]["concept"]["text"].startswith("Do not end levothyroxine sodium")
    assert task["requestedPeriod"] == {"start": ENDS, "end": ENDS}


def test_where_nothing_is_to_rise_the_task_stands_and_its_fall_is_told() -> None:
    """A move to LT4 at full dose: what was taken of LT3 falls by its dates."""
    chart = filed("08-combination-to-levothyroxine.json", "levothyroxine")
    chart.ended("MedicationStatement/p08-medication-2", DAY_ONE - timedelta(1))
    chart.told(3, palpitations=True)
    chart.result("tsh", 2, 14.0)
    answer = chart.next_step(3)
    assert said(answer)["act"] == ["ask"]
    assert not any(task["status"] == "on-hold" for task in tasks(answer))
    words = guidance(answer)["text"]["div"]
    assert "What is filed to fall or end does so meanwhile: from 10 March 2025 it is" in words


# --- it is withdrawn ---------------------------------------------------------------------------


def test_a_plan_from_today_on_withdraws_the_task_and_has_its_own() -> None:
    chart, answer = visited("hold", holds)
    old, new = sorted(ending(answer), key=lambda task: task["status"])
    assert (old["id"], old["status"]) == (the_task(chart)["id"], "cancelled")
    assert "on 17 March 2025 is withdrawn" in old["statusReason"]["text"]
    assert new["status"] == "draft"
    assert new["restriction"]["period"]["start"] == "2025-03-24"  # held for 14 days
    assert old["statusReason"]["text"] in guidance(answer)["text"]["div"]


def test_a_plan_that_goes_on_as_it_is_leaves_the_task_as_it_is() -> None:
    answer = filed().next_step(7)
    assert said(answer)["act"] == ["continue"]
    assert tasks(answer) == []


def test_once_all_is_answered_a_task_that_waited_gives_way_to_one_that_does_not() -> None:
    chart = filed()
    the_task(chart)["status"] = "on-hold"
    answer = chart.next_step(7)
    assert said(answer)["act"] == ["continue"]
    old, new = sorted(ending(answer), key=lambda task: task["status"])
    assert (old["status"], new["status"]) == ("cancelled", "draft")
    assert new["restriction"]["period"]["start"] == ENDS


# --- on every door -------------------------------------------------------------------------------


WORDS = "Do not end levothyroxine sodium as taken now on 17 March 2025 until this is answered"


def test_the_sheet_and_the_command_line_say_the_same(client: TestClient, tmp_path: Path) -> None:
    chart, _ = visited("ask", asks)
    sent = json.dumps(chart.bundle())
    page = client.post(f"/sheet/next-step?as-of={TODAY}&locale=en", content=sent, headers=FHIR)
    assert "Do not end levothyroxine sodium as taken now on 2025-03-17" in page.text
    file = tmp_path / "record.json"
    file.write_text(sent, "utf-8")
    ran = crossgrain("next", file, "--as-of", TODAY, columns=400)
    assert ran.returncode == 3
    assert WORDS in ran.told


def test_a_card_that_withdraws_what_was_to_follow_puts_the_task_on_hold(
    catalogue: Catalogue,
) -> None:
    chart, _ = visited("stop", stops)
    (card,) = Clinic(catalogue).cards([*chart.resources, *chart.filed], DAY_ONE + timedelta(7))
    changed = [a for a in actions_of(card) if a.get("resource", {}).get("resourceType") == "Task"]
    assert [(a["type"], a["resource"]["status"]) for a in changed] == [("update", "on-hold")]
    assert changed[0]["resource"]["id"] == the_task(chart)["id"]


def test_a_card_that_withdraws_the_task_files_the_one_in_its_place(catalogue: Catalogue) -> None:
    chart, _ = visited("hold", holds)
    (card,) = Clinic(catalogue).cards([*chart.resources, *chart.filed], DAY_ONE + timedelta(7))
    changed = [a for a in actions_of(card) if a.get("resource", {}).get("resourceType") == "Task"]
    assert [(a["type"], a["resource"]["status"]) for a in changed] == [
        ("update", "cancelled"),
        ("create", "draft"),
    ]
    old, new = (action["resource"]["restriction"]["period"]["start"] for action in changed)
    assert (old, new) == (ENDS, "2025-03-24")


def test_a_card_that_asks_changes_no_task_since_it_holds_back_no_order(
    catalogue: Catalogue,
) -> None:
    chart, _ = visited("ask", asks)
    (card,) = Clinic(catalogue).cards([*chart.resources, *chart.filed], DAY_ONE + timedelta(7))
    assert "suggestions" not in card
    assert "no dose is to change: by the first order it would on 17 March 2025" in card["detail"]


# --- on a server ---------------------------------------------------------------------------------


@pytest.fixture
def transaction(catalogue: Catalogue) -> Iterator[Ask]:
    """Asks a service with a roomy body: a record and an earlier answer are sent together."""
    with TestClient(create_app(Settings(), catalogue)) as client:
        yield filing(client)


def filing(client: TestClient) -> Ask:
    def to_file(body: Resource, status: int = 200) -> Answer:
        asked = {"as-of": TODAY, "response": "transaction"}
        sent = client.post(
            "/fhir/r4/$next-step", params=asked, content=json.dumps(body), headers=FHIR
        )
        assert sent.status_code == status, sent.text
        found: Answer = sent.json()
        return found

    return to_file


def update(answer: Answer) -> Resource:
    (entry,) = (e for e in answer["entry"] if e["request"]["method"] != "POST")
    found: Resource = entry
    return found


def test_what_the_server_holds_is_put_in_its_own_place(transaction: Ask) -> None:
    chart, _ = visited("ask", asks)
    the_task(chart)["id"] = "41"
    the_task(chart)["meta"] = {"versionId": "3"}
    entry = update(transaction(chart.bundle()))
    assert entry["request"] == {"method": "PUT", "url": "Task/41", "ifMatch": 'W/"3"'}
    assert (entry["resource"]["id"], entry["resource"]["status"]) == ("41", "on-hold")


def named_by_urn(chart: Chart) -> Resource:
    record = chart.bundle()
    (entry,) = (e for e in record["entry"] if e["resource"]["resourceType"] == "Task")
    entry["fullUrl"] = "urn:uuid:7f8f63a8-7b6f-4f0c-9a5a-5a9f6e6f1a11"
    entry["resource"] = {k: v for k, v in entry["resource"].items() if k != "id"}
    return record


def test_what_the_record_names_by_a_urn_is_found_by_our_identifier(transaction: Ask) -> None:
    chart, _ = visited("ask", asks)
    entry = update(transaction(named_by_urn(chart)))
    own = the_task(chart)["identifier"][0]["value"]
    url = f"Task?identifier={RESOURCE_SYSTEM}|{own}"
    assert entry["request"] == {"method": "PUT", "url": url}
    assert "id" not in entry["resource"]


def test_what_no_server_could_find_is_refused_and_not_filed_twice(transaction: Ask) -> None:
    chart, _ = visited("ask", asks)
    record = named_by_urn(chart)
    (task,) = (e["resource"] for e in record["entry"] if e["resource"]["resourceType"] == "Task")
    del task["identifier"]
    refused = transaction(record, 422)
    place = next(n for n, e in enumerate(record["entry"]) if e["resource"] is task)
    assert refused["issue"][0]["expression"] == [f"Bundle.entry[{place}].resource"]


def test_of_a_plan_that_is_only_given_the_task_is_found_or_created_on_hold(
    transaction: Ask,
) -> None:
    chart = filed()
    asks(chart)
    given = ehr.proposal("01-levothyroxine-150.json", "desiccated-thyroid")
    record = deepcopy(chart.bundle())
    record["entry"] = [e for e in record["entry"] if e["resource"]["resourceType"] != "Task"]
    body = {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "record", "resource": record},
            {"name": "plan", "resource": given},
        ],
    }
    entry = update(transaction(body))
    assert entry["request"]["url"].startswith("Task?identifier=")
    assert entry["resource"]["status"] == "on-hold"
