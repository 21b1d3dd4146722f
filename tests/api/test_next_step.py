"""``$next-step``: the ordinary visits after the first, what they change, and what they leave."""

import copy
import json
from collections.abc import Callable, Iterator
from fractions import Fraction
from typing import Any

import httpx2 as httpx
import pytest
from fastapi.testclient import TestClient
from fixtures.visits import generate
from tests.conformance.r5_records import as_r5
from tests.unit.reading.records import COMBINING

from crossgrain.app.factory import create_app
from crossgrain.catalogue import Catalogue
from crossgrain.http.settings import Settings
from crossgrain.reading.json import parse
from crossgrain.reading.series_mark import mark_in

from .calls import FHIR, FIXTURES, SCENARIO, VISITS, Resource
from .test_options import only_issue

NEXT = "/fhir/r4/$next-step"
BY_NAME = {visit["name"]: visit for visit in VISITS}
Asked = Callable[..., httpx.Response]


def record_of(name: str) -> Resource:
    read: Resource = json.loads((FIXTURES / "visits" / f"{name}.json").read_text("utf-8"))
    return read


@pytest.fixture
def ask(catalogue: Catalogue) -> Iterator[Asked]:
    """Asks a service with a roomy body: a record and an earlier answer are sent together."""
    with TestClient(create_app(Settings(), catalogue)) as client:
        yield asking(client)


def asking(client: TestClient) -> Asked:
    def asked(record: Resource, **options: str) -> httpx.Response:
        spelt = {name.replace("_", "-"): value for name, value in options.items()}
        return client.post(NEXT, params=spelt, content=json.dumps(record), headers=FHIR)

    return asked


@pytest.fixture
def visit(client: TestClient) -> Callable[..., Resource]:
    def visited(name: str, **more: str) -> Resource:
        asked = [("as-of", BY_NAME[name]["as_of"]), *more.items()]
        asked += [("stock", each) for each in BY_NAME[name].get("stock", ())]
        record = json.dumps(record_of(name))
        answer = client.post(NEXT, params=asked, content=record, headers=FHIR)
        assert answer.status_code == 200, answer.text
        body: Resource = answer.json()
        return body

    return visited


def guidance(answer: Resource) -> Resource:
    found: Resource = answer["entry"][0]["resource"]
    assert found["resourceType"] == "GuidanceResponse"
    return found


def said(answer: Resource) -> dict[str, list[Any]]:
    """The parts of the next step, by name."""
    (working,) = (c for c in guidance(answer)["contained"] if c["resourceType"] == "Parameters")
    (step,) = (p for p in working["parameter"] if p["name"] == "next-step")
    values: dict[str, list[Any]] = {}
    for part in step["part"]:
        (value,) = (content for key, content in part.items() if key != "name")
        values.setdefault(part["name"], []).append(value)
    return values


def of_type(answer: Resource, kind: str, intent: str = "proposal") -> list[Resource]:
    return [
        entry["resource"]
        for entry in answer["entry"]
        if entry["resource"]["resourceType"] == kind
        and entry["resource"].get("intent", intent) == intent
    ]


def mark(resource: Resource) -> list[Resource]:
    (extension,) = resource["extension"]
    parts: list[Resource] = extension["extension"]
    return parts


def part(resource: Resource, name: str) -> list[Any]:
    return [
        next(value for key, value in each.items() if key != "url")
        for each in mark(resource)
        if each["url"] == name
    ]


def filed(record: Resource, kind: str) -> dict[str, Resource]:
    return {
        f"{kind}/{entry['resource']['id']}": entry["resource"]
        for entry in record["entry"]
        if entry["resource"]["resourceType"] == kind
    }


# --- the ordinary visits -------------------------------------------------------------------------


@pytest.mark.parametrize("name", BY_NAME)
def test_each_ordinary_visit_ends_as_its_story_says(
    visit: Callable[..., Resource], name: str
) -> None:
    answer = visit(name)
    assert said(answer)["act"] == [BY_NAME[name]["act"]]
    status = "data-required" if BY_NAME[name]["act"] == "ask" else "success"
    assert guidance(answer)["status"] == status
    has_plan = BY_NAME[name]["act"] not in {"ask", "stop"}
    assert ("result" in guidance(answer)) is has_plan


@pytest.mark.parametrize("name", generate.VISITS)
def test_the_record_of_a_visit_is_what_the_script_makes_of_the_services_own_answers(
    name: str,
) -> None:
    made = generate.written(generate.record_of(name))
    assert (FIXTURES / "visits" / f"{name}.json").read_text("utf-8") == made


def test_every_visit_that_is_made_is_told_of_and_the_other_way_round() -> None:
    files = {path.stem for path in (FIXTURES / "visits").glob("*.json")}
    assert files == set(BY_NAME) == set(generate.VISITS)


@pytest.mark.parametrize("name", BY_NAME)
def test_the_same_record_on_the_same_day_gives_the_same_bytes(ask: Asked, name: str) -> None:
    once, again = (ask(record_of(name), as_of=BY_NAME[name]["as_of"]).content for _ in range(2))
    assert once == again


# --- only what changes ---------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["on-time", "early-lab", "plan-finished"])
def test_a_plan_that_goes_on_as_it_is_is_not_written_again(
    visit: Callable[..., Resource], name: str
) -> None:
    answer = visit(name)
    kinds = {entry["resource"]["resourceType"] for entry in answer["entry"]}
    assert kinds <= {"GuidanceResponse", "DetectedIssue", "Provenance"}
    running = [
        reference
        for reference, plan in filed(record_of(name), "CarePlan").items()
        if plan["status"] == "active"
    ]
    assert [guidance(answer)["result"]["reference"]] == running
    assert said(answer)["stands"]


HELD = "palpitations-with-tsh-in-range"


def test_a_held_step_leaves_todays_orders_and_withdraws_every_later_one(
    visit: Callable[..., Resource],
) -> None:
    answer, orders = visit(HELD), filed(record_of(HELD), "MedicationRequest")
    today = BY_NAME[HELD]["as_of"]
    stands = set(said(answer)["stands"])
    ended = {task["focus"]["reference"] for task in of_type(answer, "Task") if "focus" in task}
    assert not stands & ended
    for reference, order in orders.items():
        days = [d["timing"]["repeat"]["boundsPeriod"] for d in order["dosageInstruction"]]
        if days[-1]["end"] < today:
            assert reference not in stands | ended
        elif days[0]["start"] <= today:
            assert reference in stands
        else:
            assert reference in ended
    for task in of_type(answer, "Task"):
        (coding,) = task["code"]["coding"]
        assert coding["code"] == "abort"
        assert task["restriction"]["period"]["start"] == today


def test_what_takes_the_place_of_what_is_said_in_every_resource(
    visit: Callable[..., Resource],
) -> None:
    answer, record = visit(HELD), record_of(HELD)
    (plan,) = of_type(answer, "CarePlan")
    assert [r["reference"] for r in plan["replaces"]] == list(filed(record, "CarePlan"))
    orders = filed(record, "MedicationRequest")
    for order in of_type(answer, "MedicationRequest"):
        named = [order["priorPrescription"], *order.get("supportingInformation", ())]
        before = {reference["reference"] for reference in named}
        assert before <= set(orders)
        product = order["medicationCodeableConcept"]["text"].split()[0]
        kinds = {orders[each]["medicationCodeableConcept"]["text"].split()[0] for each in before}
        assert kinds == {product}
    draws = filed(record, "ServiceRequest")
    replaced = {
        reference["reference"]
        for draw in of_type(answer, "ServiceRequest")
        for reference in draw.get("replaces", ())
    }
    later = {
        reference
        for reference, draw in draws.items()
        if draw["occurrenceDateTime"] >= BY_NAME[HELD]["as_of"]
    }
    assert replaced == later


def test_the_checkpoint_that_is_filed_is_replaced_by_the_new_one(ask: Asked) -> None:
    record = record_of(HELD)
    (order,) = list(filed(record, "MedicationRequest").values())[:1]
    group = {
        "resourceType": "RequestGroup",
        "id": "checkpoint",
        "status": "active",
        "intent": "plan",
        "groupIdentifier": order["groupIdentifier"],
        "subject": order["subject"],
    }
    record["entry"].append({"resource": group})
    answer = ask(record, as_of=BY_NAME[HELD]["as_of"]).json()
    (written,) = of_type(answer, "RequestGroup")
    assert written["replaces"] == [{"reference": "RequestGroup/checkpoint"}]


def test_each_order_and_the_plan_carry_on_what_day_one_was_made_from(
    visit: Callable[..., Resource],
) -> None:
    answer, record = visit(HELD), record_of(HELD)
    (before,) = filed(record, "CarePlan").values()
    (plan,) = of_type(answer, "CarePlan")
    carried = ("original", "target", "basis", "pace", "day-one", "checkpoint", "need", "tables")
    for resource in (plan, *of_type(answer, "MedicationRequest")):
        for name in carried:
            assert part(resource, name) == part(before, name), name
        assert part(resource, "plan") != part(before, "plan")
        assert part(resource, "act") == ["2025-04-17 hold palpitations"]
        assert len(json.dumps(resource["extension"], separators=(",", ":"))) < 2000


def test_what_is_taken_stands_beside_what_was_planned_day_by_day(
    visit: Callable[..., Resource],
) -> None:
    spells = [
        {each["name"]: next(v for k, v in each.items() if k != "name") for each in spell}
        for spell in said(visit("started-ten-days-late"))["taken"]
    ]
    assert spells[0]["from"] == "2025-03-03"
    assert spells[0]["to"] == "2025-03-12"
    assert "desiccated thyroid 15 mg" in spells[0]["planned"]
    assert spells[0]["said"] == "levothyroxine sodium 150 micrograms a day"


def test_tablets_that_cannot_be_had_are_ordered_by_no_order(
    visit: Callable[..., Resource],
) -> None:
    answer = visit("strength-out-of-stock")
    ordered = {
        order["medicationCodeableConcept"]["text"] for order in of_type(answer, "MedicationRequest")
    }
    assert ordered == {"desiccated thyroid 30 mg tablet", "desiccated thyroid 15 mg tablet"}


def test_a_stop_withdraws_what_has_not_begun_and_leaves_todays_dose(
    visit: Callable[..., Resource],
) -> None:
    name = "infarction-in-mid-climb"
    answer, today = visit(name), BY_NAME[name]["as_of"]
    ended = {task["focus"]["reference"] for task in of_type(answer, "Task")}
    for reference, order in filed(record_of(name), "MedicationRequest").items():
        begins = order["dosageInstruction"][0]["timing"]["repeat"]["boundsPeriod"]["start"]
        assert (reference in ended) is (begins > today)
    assert not of_type(answer, "MedicationRequest")
    words = guidance(answer)["text"]["div"]
    assert "ends on 27 April 2025: if nothing is settled by then, order the same dose anew" in words


ASKED = "palpitations-with-tsh-high"
TASK_CODES = "http://hl7.org/fhir/CodeSystem/task-code"  # R4 and R5: task-code


def test_a_question_ends_no_order_and_proposes_none(visit: Callable[..., Resource]) -> None:
    answer = visit(ASKED)
    kinds = {entry["resource"]["resourceType"] for entry in answer["entry"]}
    assert kinds == {"GuidanceResponse", "DetectedIssue", "Task", "Questionnaire", "Provenance"}
    (outcome,) = (
        c for c in guidance(answer)["contained"] if c["resourceType"] == "OperationOutcome"
    )
    assert outcome["issue"][0]["expression"]


@pytest.mark.parametrize("version", ["r4", "r5"])
def test_no_dose_changes_before_a_question_is_answered(client: TestClient, version: str) -> None:
    today = BY_NAME[ASKED]["as_of"]
    record = record_of(ASKED) if version == "r4" else as_r5(record_of(ASKED))
    asked = f"/fhir/{version}/$next-step?as-of={today}"
    answer = client.post(asked, content=json.dumps(record), headers=FHIR).json()
    to_come = {
        reference: order["medicationCodeableConcept"]["text"].split()[0]
        for reference, order in filed(record_of(ASKED), "MedicationRequest").items()
        if order["dosageInstruction"][0]["timing"]["repeat"]["boundsPeriod"]["start"] > today
    }
    assert set(to_come.values()) == {"levothyroxine", "desiccated"}  # 88 µg to 44, 60 mg to 75
    suspended = {}
    for task in of_type(answer, "Task"):
        (coding,) = task["code"]["coding"]
        assert (coding["system"], coding["code"]) == (TASK_CODES, "suspend")
        assert task["description"].startswith("Do not begin the order for ")
        period = task.get("requestedPeriod") or task["restriction"]["period"]
        assert period["start"] == today
        suspended[task["focus"]["reference"]] = period["end"]
    assert set(suspended) == set(to_come)
    assert set(suspended.values()) == {"2025-04-27", "2025-05-11"}  # the last day before each
    words = guidance(answer)["text"]["div"]
    assert "on 28 April 2025 desiccated thyroid would rise" in words
    assert "on 28 April 2025 levothyroxine sodium would fall" in words
    assert "ends on 27 April 2025: if nothing is settled by then, order the same dose anew" in words


def test_a_medicine_that_would_end_beside_a_rise_that_waits_is_to_be_ordered_anew(
    ask: Asked,
) -> None:
    """As in the last step of a climb, after which no order of levothyroxine follows."""
    record, today = record_of(ASKED), BY_NAME[ASKED]["as_of"]
    record["entry"] = [
        entry for entry in record["entry"] if not _begins(entry["resource"], "levothyroxine", today)
    ]
    answer = ask(record, as_of=today).json()
    assert said(answer)["act"] == ["ask"]
    anew = said(answer)["order-anew"]
    ordered = filed(record, "MedicationRequest")
    named = {ordered[each]["medicationCodeableConcept"]["text"].split()[0] for each in anew}
    assert named == {"levothyroxine", "desiccated"}
    words = guidance(answer)["text"]["div"]
    assert "The order for levothyroxine sodium that is followed today ends on 27 April" in words


@pytest.mark.parametrize(("tsh", "act", "anew"), [(6.0, "ask", True), (1.8, "branch", False)])
def test_while_a_question_is_open_no_order_of_what_is_taken_on_ends_unsaid(
    tsh: float, act: str, *, anew: bool
) -> None:
    """Where nothing is to rise, so that no order waits: palpitations, and a TSH above the range."""
    chart = generate.titrated()
    (order,) = (r for r in chart.resources if r["resourceType"] == "MedicationRequest")
    bounds = {"start": generate.on(-90), "end": generate.on(9)}
    order["dosageInstruction"][0]["timing"]["repeat"]["boundsPeriod"] = bounds
    chart.result("tsh", -3, tsh)
    chart.told(-1, palpitations=True)
    answer = chart.next_step(0)
    assert said(answer)["act"] == [act]
    assert not of_type(answer, "Task") or not anew
    assert said(answer).get("order-anew", []) == (
        [f"MedicationRequest/{order['id']}"] if anew else []
    )
    words = guidance(answer)["text"]["div"]
    assert ("ends on 12 March 2025: if nothing is settled by then" in words) is anew


def _begins(resource: Resource, medicine: str, after: str) -> bool:
    """Whether it is an order of a medicine whose first day is after another."""
    if resource["resourceType"] != "MedicationRequest":
        return False
    text = resource["medicationCodeableConcept"].get("text", "")
    bounds = resource["dosageInstruction"][0]["timing"]["repeat"].get("boundsPeriod", {})
    return bool(text.startswith(medicine) and bounds.get("start", "") > after)


@pytest.mark.parametrize("name", [ASKED, "infarction-in-mid-climb"])
def test_what_asks_or_stops_says_how_low_coverage_gets_meanwhile(
    visit: Callable[..., Resource], name: str
) -> None:
    answer = visit(name)
    rows = _lowest(answer)
    assert rows.keys() == {"practice", "label", "trial", "content"}
    lowest = min(rows.values())
    words = guidance(answer)["text"]["div"]
    assert f"coverage is no lower than {lowest:.0%}".replace("%", " %") in words


def test_what_is_filed_to_fall_meanwhile_is_said_and_counted_in_how_low_coverage_gets(
    ask: Asked,
) -> None:
    """Where no rise waits, the old medicine goes on falling while the question is open."""
    record, today = record_of(ASKED), BY_NAME[ASKED]["as_of"]

    def without(medicine: str) -> Resource:
        entries = [e for e in record["entry"] if not _begins(e["resource"], medicine, today)]
        return {**record, "entry": entries}

    waits = ask(record, as_of=today).json()
    falls = ask(without("desiccated"), as_of=today).json()
    assert said(falls)["act"] == ["ask"]
    assert not of_type(falls, "Task")
    words = guidance(falls)["text"]["div"]
    assert (
        "The order for levothyroxine sodium that comes after today's ends on 29 June 2025: if"
        " nothing is settled by then, order the same dose anew. What is filed to fall or end does"
        " so meanwhile: from 28 April 2025 it is desiccated thyroid 60 mg a day and levothyroxine"
        " sodium 44 micrograms a day. On these doses, modelled coverage is no lower than"
    ) in words
    assert "What is filed to fall" not in guidance(waits)["text"]["div"]
    low, held = (_lowest(answer) for answer in (falls, waits))
    assert all(low[basis] < held[basis] for basis in held)


def _lowest(answer: Resource) -> dict[str, float]:
    """By basis, how low coverage gets while it waits."""
    parts = (p["part"] for p in _parts(answer) if p["name"] == "while-waiting")
    rows = (
        {each["name"]: each.get("valueCode", each.get("valueDecimal")) for each in part}
        for part in parts
    )
    return {row["basis"]: row["lowest"] for row in rows}


def test_what_goes_on_says_nothing_of_waiting(visit: Callable[..., Resource]) -> None:
    answer = visit("on-time")
    assert not {part["name"] for part in _parts(answer)} & {"while-waiting", "order-anew"}


def _parts(answer: Resource) -> list[Resource]:
    (working,) = (c for c in guidance(answer)["contained"] if c["resourceType"] == "Parameters")
    (step,) = (p for p in working["parameter"] if p["name"] == "next-step")
    parts: list[Resource] = step["part"]
    return parts


def test_a_rise_within_an_order_that_is_followed_waits_too_and_its_dose_goes_on(
    ask: Asked,
) -> None:
    name, today = "infarction-in-mid-climb", "2025-03-28"
    record = json.loads(json.dumps(record_of(name)).replace("2025-04-16", "2025-03-27"))
    answer = ask(record, as_of=today).json()
    assert said(answer)["act"] == ["stop"]
    kept = [task for task in of_type(answer, "Task") if "coding" not in task["code"]]
    orders = filed(record, "MedicationRequest")
    (rise,) = (orders[task["focus"]["reference"]] for task in kept)
    doses = [
        dosage["timing"]["repeat"]["boundsPeriod"]["start"] for dosage in rise["dosageInstruction"]
    ]
    assert doses[0] < today < doses[2] == "2025-03-31"
    (task,) = kept
    assert task["description"].startswith("Do not raise desiccated thyroid by the order for")
    assert task["restriction"]["period"] == {"start": today, "end": "2025-03-30"}


def put_on_hold(chart: generate.Chart, answer: Resource) -> set[str]:
    held = {task["focus"]["reference"] for task in of_type(answer, "Task")}
    for order in chart.orders():
        if f"MedicationRequest/{order['id']}" in held:
            order["status"] = "on-hold"
    return held


def file_the_acts(chart: generate.Chart, answer: Resource) -> set[str]:
    acts = of_type(answer, "Task")
    chart.filed += [{**task, "status": "requested", "intent": "order"} for task in acts]
    return {task["focus"]["reference"] for task in acts}


@pytest.mark.parametrize("wait", [put_on_hold, file_the_acts])
def test_once_a_question_is_answered_what_waited_is_ordered_anew_and_not_left_waiting(
    wait: Callable[[generate.Chart, Resource], set[str]],
) -> None:
    chart = generate.climbing()
    generate.palpitations_with_tsh_high(chart)
    day = generate.day_of(BY_NAME[ASKED]["as_of"])
    waited = wait(chart, chart.next_step(day))
    assert waited
    chart.resources = [r for r in chart.resources if r["resourceType"] != "QuestionnaireResponse"]
    chart.told(day + 3, palpitations=False, missed_days=0)
    chart.result("tsh", day + 3, 2.0)
    answer = chart.next_step(day + 3)
    assert said(answer)["act"][0] not in {"ask", "stop"}
    assert not waited & set(said(answer).get("stands", ()))
    ended = {task["focus"]["reference"] for task in of_type(answer, "Task")}
    assert waited <= ended
    begun = {
        dosage["timing"]["repeat"]["boundsPeriod"]["start"]
        for order in of_type(answer, "MedicationRequest")
        if "desiccated" in order["medicationCodeableConcept"]["text"]
        for dosage in order["dosageInstruction"]
    }
    assert "2025-04-28" in begun


@pytest.mark.parametrize(
    ("last", "ordered"), [(None, False), (4, True), (96, True), (97, False), (98, False)]
)
def test_a_dose_that_stays_is_ordered_again_where_its_order_ends_before_the_plan_does(
    last: int | None, ordered: bool
) -> None:
    chart = generate.titrated()
    (order,) = (r for r in chart.resources if r["resourceType"] == "MedicationRequest")
    if last is not None:
        bounds = {"start": generate.on(-700), "end": generate.on(last)}
        order["dosageInstruction"][0]["timing"]["repeat"]["boundsPeriod"] = bounds
    chart.result("tsh", -3, 1.8)
    chart.result("free-t3", -3, 4.6)
    answer = chart.next_step(0)
    assert said(answer)["act"] == ["branch"]
    (plan,) = of_type(answer, "CarePlan")
    assert plan["period"]["end"] == generate.on(97)
    assert bool(of_type(answer, "MedicationRequest")) is ordered


# --- filed again ---------------------------------------------------------------------------------


def test_the_same_step_asked_for_again_once_it_is_filed_is_not_filed_twice() -> None:
    """A re-run on a record that holds the answer already finds that it stands."""
    begin, happened = generate.VISITS["checkpoint-in-range"]
    chart = begin()
    happened(chart)
    day = generate.CHECKPOINT + generate.RESULTS
    chart.take_up(chart.next_step(day))
    again = chart.next_step(day)
    assert said(again)["act"] == ["continue"]
    kinds = {entry["resource"]["resourceType"] for entry in again["entry"]}
    assert kinds <= {"GuidanceResponse", "DetectedIssue", "Provenance"}


def test_a_transaction_names_every_resource_so_that_a_server_creates_it_once(
    visit: Callable[..., Resource],
) -> None:
    once, again = (visit(HELD, response="transaction") for _ in range(2))
    asked = [entry["request"]["ifNoneExist"] for entry in once["entry"]]
    assert len(set(asked)) == len(asked)
    assert asked == [entry["request"]["ifNoneExist"] for entry in again["entry"]]


# --- a plan beside the record --------------------------------------------------------------------


def apart(name: str) -> tuple[Resource, Resource]:
    """The record of a visit without its care plan, and the answer of day one."""
    chart = generate.climbing()
    generate.VISITS[name][1](chart)
    proposed = chart.answers[0]
    record = chart.bundle()
    record["entry"] = [
        entry for entry in record["entry"] if entry["resource"]["resourceType"] != "CarePlan"
    ]
    return record, proposed


def call(record: Resource, *more: Resource) -> Resource:
    parts = [
        {"name": "record", "resource": record},
        {"name": "as-of", "valueDate": "2025-04-17"},
        *more,
    ]
    return {"resourceType": "Parameters", "parameter": parts}


def test_a_plan_that_is_only_given_and_is_named_is_filed_with_the_answer(ask: Asked) -> None:
    record, proposed = apart(HELD)
    given = {"name": "plan", "resource": proposed}
    to_file = {"name": "response", "valueCode": "transaction"}
    answer = ask(call(record, given, to_file)).json()
    (plan,) = (
        entry["resource"]
        for entry in proposed["entry"]
        if entry["resource"]["resourceType"] == "CarePlan"
    )
    urls = [entry["fullUrl"] for entry in answer["entry"]]
    assert f"urn:uuid:{plan['id']}" in urls
    assert len(set(urls)) == len(urls)
    written = [p for p in of_type(answer, "CarePlan") if p["id"] != plan["id"]]
    assert [p["replaces"] for p in written] == [[{"reference": f"urn:uuid:{plan['id']}"}]]
    for entry in answer["entry"]:
        assert entry["request"]["ifNoneExist"]
    collected = ask(call(record, given)).json()
    assert f"urn:uuid:{plan['id']}" not in [entry["fullUrl"] for entry in collected["entry"]]


def test_the_care_plan_alone_is_enough(ask: Asked) -> None:
    record, proposed = apart(HELD)
    (plan,) = (
        entry["resource"]
        for entry in proposed["entry"]
        if entry["resource"]["resourceType"] == "CarePlan"
    )
    answer = ask(call(record, {"name": "plan", "resource": plan})).json()
    assert said(answer)["act"] == ["hold"]


@pytest.mark.parametrize(
    ("plan", "words"),
    [
        ({"resourceType": "Patient"}, "an earlier answer, or its CarePlan"),
        ([], "an earlier answer, or its CarePlan"),
        (None, "an earlier answer, or its CarePlan"),
    ],
)
def test_a_plan_of_another_kind_is_refused_where_it_stands(
    ask: Asked, plan: Any, words: str
) -> None:
    answer = ask(call(record_of("on-time"), {"name": "plan", "resource": plan}))
    issue = only_issue(answer)
    assert answer.status_code == 400
    assert words in issue["diagnostics"]
    assert issue["expression"] == ["Parameters.parameter[2].resource"]


def test_two_plans_are_refused(ask: Asked) -> None:
    given = {"name": "plan", "resource": {"resourceType": "CarePlan"}}
    answer = ask(call(record_of("on-time"), given, given))
    assert answer.status_code == 400
    assert only_issue(answer)["expression"] == ["Parameters.parameter[3]"]


# --- options -------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["target", "order", "prior-therapy", "plan", "sheet"])
def test_an_option_that_a_next_step_does_not_take_is_refused(ask: Asked, name: str) -> None:
    answer = ask(record_of("on-time"), **{name: "levothyroxine"})
    assert answer.status_code == 400
    assert only_issue(answer)["expression"] == [f"http.{name}"]


def test_a_step_that_begins_before_the_record_is_read_is_refused(ask: Asked) -> None:
    answer = ask(record_of("on-time"), as_of="2025-04-17", start="2025-04-16")
    assert answer.status_code == 422
    assert only_issue(answer)["expression"] == ["http.start"]


@pytest.mark.parametrize(("option", "value"), [("basis", "none"), ("pace", "fast")])
def test_a_basis_or_pace_that_there_is_not_is_refused_though_a_plan_runs(
    ask: Asked, option: str, value: str
) -> None:
    answer = ask(record_of("on-time"), as_of="2025-04-17", **{option: value})
    assert answer.status_code == 400
    assert only_issue(answer)["expression"] == [f"http.{option}"]


# --- a whole course ------------------------------------------------------------------------------


def labs_in(answer: Resource) -> list[str]:
    """The days on which an answer's series draws blood."""
    return sorted(
        {
            draw["occurrenceDateTime"]
            for draw in of_type(answer, "ServiceRequest")
            if draw["code"]["coding"][0]["code"] == "3016-3"
        }
    )


def course(tsh: list[float]) -> Iterator[tuple[str, Resource]]:
    """A plan taken up, and a visit after each TSH; each answer is filed and lived by."""
    chart = generate.climbing()
    drawn = generate.CHECKPOINT
    for value in tsh:
        chart.result("tsh", drawn, value)
        chart.result("free-t3", drawn, 4.6)
        day = drawn + generate.RESULTS
        answer = chart.next_step(day)
        yield generate.on(day), answer
        chart.take_up(answer)
        drawn = generate.day_of(labs_in(answer)[-1])


def test_a_course_goes_from_the_first_proposal_to_yearly_labs() -> None:
    positions, waits = [], []
    for today, answer in course([1.8] * 7):
        assert guidance(answer)["status"] == "success"
        positions += said(answer)["position"]
        waits.append(generate.day_of(labs_in(answer)[-1]) - generate.day_of(today))
    assert positions == ["waiting", "after", *["maintenance"] * 5]
    assert waits[-1] > 300
    assert sorted(waits) == waits or waits[-1] == max(waits)


def test_a_high_tsh_raises_step_by_step_and_the_checkpoint_never_moves_up() -> None:
    checkpoints, doses = [], []
    for _, answer in course([7.5, 6.0, 1.8, 1.8]):
        (plan,) = of_type(answer, "CarePlan")
        checkpoints.append(json.dumps(part(plan, "checkpoint")))
        doses.append(plan["description"])
    assert len(set(checkpoints)) == 1
    assert "105 mg" in doses[0]
    assert len(set(doses)) == 4


def test_beside_what_no_move_leads_to_levothyroxine_rises_and_the_next_visit_knows_both() -> None:
    begin, happened = generate.VISITS["mixture"]
    chart = begin()
    happened(chart)
    first = chart.next_step(0)
    assert said(first)["act"] == ["branch"]
    (order,) = of_type(first, "MedicationRequest")
    assert order["medicationCodeableConcept"]["text"] == "levothyroxine sodium 112 microgram tablet"
    chart.take_up(first)
    (drawn,) = labs_in(first)
    day = generate.day_of(drawn)
    for value, ordered in (("1.8", []), ("7", ["levothyroxine sodium 125 microgram tablet"])):
        again = copy.deepcopy(chart)
        again.result("tsh", day, float(value))
        second = again.next_step(day + generate.RESULTS)
        assert said(second)["act"] == ["branch"]
        assert said(second)["position"] == ["after"]
        (plan,) = of_type(second, "CarePlan")
        assert "desiccated thyroid 15 mg" in plan["description"]
        new = {o["medicationCodeableConcept"]["text"] for o in of_type(second, "MedicationRequest")}
        assert new >= set(ordered)
        assert not any("desiccated" in each for each in new)


def test_titration_where_no_plan_runs_goes_on_from_the_order_that_it_proposed() -> None:
    chart = generate.titrated()
    generate.tsh_of_nine(chart)
    first = chart.next_step(0)
    (order,) = of_type(first, "MedicationRequest")
    assert order["medicationCodeableConcept"]["text"] == "levothyroxine sodium 112 microgram tablet"
    assert part(order, "titration") == [True]
    (drawn,) = labs_in(first)
    chart.take_up(first)
    day = generate.day_of(drawn)
    chart.result("tsh", day, 6.0)
    second = chart.next_step(day + generate.RESULTS)
    assert said(second)["act"] == ["branch"]
    assert said(second)["branch"] == ["tsh-high"]
    (raised, *_) = of_type(second, "MedicationRequest")
    assert raised["priorPrescription"]["reference"] == f"MedicationRequest/{order['id']}"


WITHOUT_A_PLAN = [patient["file"] for patient in SCENARIO["patient"]]


@pytest.mark.parametrize("file", WITHOUT_A_PLAN)
def test_every_invented_patient_has_a_next_step_and_another_after_it(file: str) -> None:
    """A weekday dose has a mean that no decimal equals: 600/7 micrograms a day."""
    chart = generate.patient(file)
    chart.result("tsh", -3, 2.0)
    for day in (0, 30):
        answer = chart.next_step(day)
        assert guidance(answer)["status"] in {"success", "data-required"}
        chart.take_up(answer)


def test_the_checkpoint_of_a_dose_that_differs_by_weekday_is_carried_and_never_more() -> None:
    chart = generate.patient("09-weekday-weekend.json")
    chart.result("tsh", -3, 2.0)
    answer = chart.next_step(0)
    (plan,) = (
        e["resource"] for e in answer["entry"] if e["resource"]["resourceType"] == "CarePlan"
    )
    mark = mark_in(parse(json.dumps(plan).encode())["extension"], COMBINING)
    assert mark is not None
    assert 0 <= Fraction(600, 7) - mark.facts.checkpoint.lt4_ug < Fraction(1, 10**6)
    assert mark.facts.titration
