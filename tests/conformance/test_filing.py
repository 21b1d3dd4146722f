"""What is to be filed is filed by a FHIR server that is not ours: the library medplum's, in memory.

It judges what it is given by the official definitions of R4, gives out ids of its own, and takes
all of a transaction or nothing.
"""

import copy
import json
from dataclasses import dataclass
from datetime import timedelta

import pytest
from tests.api import test_filed_ends as filed_ends
from tests.api.calls import FHIR, VISITS, references
from tests.api.ehr import bundle, signed
from tests.api.test_transactions import by_urn, identifier
from tests.conformance.node import needs_node, needs_packages, run
from tests.conformance.patients import AS_OF, FIXTURES

pytestmark = [needs_node, needs_packages]
MOVES = {
    "01-levothyroxine-150.json": "desiccated-thyroid",
    "05-liothyronine-50.json": "levothyroxine",
    "08-combination-to-levothyroxine.json": "levothyroxine",
}
FIRST = "01-levothyroxine-150.json"
ACTS = ("early-lab", "late-lab", "palpitations-with-tsh-low", "dose-changed-by-hand", "titration")


def read(*place):
    return json.loads(FIXTURES.joinpath(*place).read_text("utf-8"))


def to_file(client, operation, record, day=AS_OF, **options):
    """The transaction that an operation answers with."""
    asked = {"as-of": str(day), "response": "transaction", **options}
    address = f"/fhir/r4/{operation}"
    answer = client.post(address, params=asked, content=json.dumps(record), headers=FHIR)
    assert answer.status_code == 200, answer.text
    return answer.json()


def proposed(client, file):
    record = read("patients", file)
    return record, to_file(client, "$propose-switch", record, target=MOVES[file])


@dataclass
class Filed:
    """What was sent to the server, what it answered to each, and what it holds at the end."""

    record: dict
    transactions: tuple
    answers: list
    held: list

    @property
    def statuses(self):
        return [answer["statuses"] for answer in self.answers]

    @property
    def is_new(self):
        """The statuses of transactions of which every entry is created."""
        return [["201"] * len(each["entry"]) for each in self.transactions]

    @property
    def astray(self):
        """References to what the server does not hold, but for those that the record had."""
        there = {name(resource) for resource in self.held}
        cited = {each for resource in self.held for each in references(resource) if each[:1] != "#"}
        return cited - there - set(references(self.record))


def file_all(scenes):
    """Every scene, a record and transactions, on a server of its own."""
    sent = [
        {"record": [e["resource"] for e in record["entry"]], "transactions": transactions}
        for record, *transactions in scenes.values()
    ]
    done = run("server.mjs", json.dumps(sent).encode(), "r4")
    return {
        scene: Filed(record, tuple(transactions), each["answers"], each["held"])
        for (scene, (record, *transactions)), each in zip(scenes.items(), done, strict=True)
    }


def name(resource):
    return f"{resource['resourceType']}/{resource['id']}"


def visited(client, visit):
    (day,) = (each["as_of"] for each in VISITS if each["name"] == visit)
    record = read("visits", f"{visit}.json")
    return record, to_file(client, "$next-step", record, day)


def sent_twice(client):
    record, plan = proposed(client, FIRST)
    return record, plan, plan


def found_by_identifier(client):
    """The caller's record names its patient by a URN; the server's has an id."""
    record, known = read("patients", FIRST), identifier("7 & 8")
    called = by_urn(copy.deepcopy(record), "Patient", identifier=known)
    record["entry"][0]["resource"]["identifier"] = known
    return record, to_file(client, "$propose-switch", called, target=MOVES[FIRST])


def task_on_hold(client):
    """A record with a filed task, and the answer by which it waits."""
    chart = filed_ends.filed()
    filed_ends.asks(chart)
    return chart.bundle(), to_file(client, "$next-step", chart.bundle(), filed_ends.TODAY)


# What the server, or this file's own look at it, must not let pass.
def without_intent(order):
    del order["intent"]


def of_a_status_that_is_none(order):
    order["status"] = 7


def of_nobody_who_is_found(order):
    order["subject"] = {"reference": "Patient?identifier=urn:nobody|1"}


def of_somebody_else(order):
    order["subject"] = {"reference": "Patient/somebody-else"}


FAULTS = {
    without_intent: "intent",
    of_a_status_that_is_none: "status",
    of_nobody_who_is_found: "0 resources match",
}


def planted(client, plant):
    record, plan = proposed(client, FIRST)
    orders = (e["resource"] for e in plan["entry"])
    plant(next(order for order in orders if order["resourceType"] == "MedicationRequest"))
    return record, plan


@pytest.fixture(scope="module")
def filed(client):
    return file_all(
        {
            **{file: proposed(client, file) for file in MOVES},
            **{visit: visited(client, visit) for visit in ACTS},
            "twice": sent_twice(client),
            "on hold": task_on_hold(client),
            "by identifier": found_by_identifier(client),
            **{plant: planted(client, plant) for plant in (*FAULTS, of_somebody_else)},
        }
    )


@pytest.mark.parametrize("scene", [*MOVES, *ACTS])
def test_what_is_to_be_filed_is_filed_whole_and_refers_to_nothing_that_is_not_there(filed, scene):
    done = filed[scene]
    assert done.statuses == done.is_new
    assert len(done.held) == len(done.record["entry"]) + len(done.transactions[0]["entry"])
    assert done.astray == set()


def test_a_plan_that_is_sent_twice_is_filed_once(filed):
    done = filed["twice"]
    first, again = done.statuses
    assert first == done.is_new[0]
    assert again == ["200"] * len(first)
    assert len(done.held) == len(done.record["entry"]) + len(first)


def test_a_filed_task_that_waits_is_changed_where_it_is_and_not_filed_twice(filed):
    done = filed["on hold"]
    (statuses,) = done.statuses
    methods = [entry["request"]["method"] for entry in done.transactions[0]["entry"]]
    assert [s for s, m in zip(statuses, methods, strict=True) if m == "PUT"] == ["200"]
    created = methods.count("POST")
    assert statuses.count("201") == created
    assert len(done.held) == len(done.record["entry"]) + created
    ended = [r for r in done.held if r.get("focus", {}).get("reference") == filed_ends.BEFORE]
    assert [task["status"] for task in ended] == ["on-hold"]
    assert done.astray == set()


def test_a_patient_whom_the_record_names_by_a_urn_is_found_by_the_identifier(filed):
    done = filed["by identifier"]
    assert done.statuses == done.is_new
    (patient,) = (name(each) for each in done.held if each["resourceType"] == "Patient")
    (care_plan,) = (each for each in done.held if each["resourceType"] == "CarePlan")
    assert care_plan["subject"] == {"reference": patient}
    assert done.astray == set()


def test_the_next_step_of_a_plan_as_the_server_holds_it_is_filed_beside_it(client, filed):
    """The ids are the server's; the orders that have begun were signed."""
    today = AS_OF + timedelta(30)
    chart = bundle([as_on(today, resource) for resource in filed[FIRST].held])
    step = to_file(client, "$next-step", chart, today)
    done = file_all({"step": (chart, step)})["step"]
    assert done.statuses == done.is_new
    assert done.astray == set()
    (report,) = (e["resource"] for e in step["entry"] if "GuidanceResponse" in name(e["resource"]))
    assert report["status"] == "success"


def as_on(today, resource):
    """A proposed order that has begun, as the prescriber signed it; all else as it is."""
    if resource["resourceType"] != "MedicationRequest" or resource["intent"] != "proposal":
        return resource
    spans = [each["timing"]["repeat"]["boundsPeriod"] for each in resource["dosageInstruction"]]
    begun = min(span["start"] for span in spans) <= today.isoformat()
    return signed(copy.deepcopy(resource)) if begun else resource


@pytest.mark.parametrize("plant", FAULTS)
def test_the_server_refuses_a_planted_fault_and_keeps_nothing(filed, plant):
    done = filed[plant]
    (answer,) = done.answers
    (fault,) = answer["failed"]
    assert FAULTS[plant] in json.dumps(fault["outcome"])
    assert len(done.held) == len(done.record["entry"])


def test_a_reference_to_what_is_not_there_is_seen(filed):
    assert filed[of_somebody_else].astray == {"Patient/somebody-else"}
