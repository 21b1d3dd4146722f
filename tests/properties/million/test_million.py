"""The first records of the million, and the proof that its checks see what they look for."""

import copy
import json
from collections import Counter
from datetime import date, timedelta
from typing import Any

import pytest
from tests.properties.million.__main__ import block, resumed
from tests.properties.million.answers import Answer, Unfit
from tests.properties.million.checks import check
from tests.properties.million.one import run, sent
from tests.properties.million.people import person
from tests.properties.million.pools import check_forecast
from tests.properties.million.service import proposed, written

SEED = 1
RECORDS = 250


def test_the_first_records_hold_and_most_are_planned() -> None:
    ends = Counter(run(SEED, number)[0].partition(":")[0] for number in range(RECORDS))
    assert ends["plan"] >= RECORDS / 2
    assert min(ends[kind] for kind in ("asked", "stop", "refused")) >= 10


def test_a_record_is_the_same_whenever_it_is_made() -> None:
    assert sent(person(SEED, 12)) == sent(person(SEED, 12)) != sent(person(SEED, 13))


def test_a_block_is_tallied_and_asked_again() -> None:
    tally = block((SEED, 0, 10))
    assert (tally.done, sum(tally.outcomes.values()), tally.failures) == (10, 10, [])
    assert tally.asked_again == 7


def test_a_run_goes_on_from_its_log(tmp_path: Any) -> None:
    log = tmp_path / "tally.json"
    assert resumed(log, SEED).done == 0
    log.write_text(json.dumps(vars(block((SEED, 0, 3)))))
    assert resumed(log, SEED).done == 3
    with pytest.raises(SystemExit):
        resumed(log, SEED + 1)


# --- planted faults ---------------------------------------------------------------------------


def planned() -> tuple[Any, Any]:
    """A person whose plan climbs in several steps, and the answer as a tree."""
    for number in range(RECORDS):
        made = person(SEED, number)
        of_lt4 = set(made.amounts) == {"lt4"} and made.wish.target == "desiccated-thyroid"
        if of_lt4 and made.version == "r4" and made.fate == "read" and not made.stops():
            return made, json.loads(written(made, proposed(made, sent(made))))
    raise LookupError


PERSON, ANSWER = planned()


def orders(tree: Any, intent: str = "proposal") -> list[Any]:
    found = [entry["resource"] for entry in tree["entry"]]
    return [r for r in found if r["resourceType"] == "MedicationRequest" and r["intent"] == intent]


def of_type(tree: Any, kind: str) -> list[Any]:
    return [e["resource"] for e in tree["entry"] if e["resource"]["resourceType"] == kind]


def later(iso: str, days: int) -> str:
    return (date.fromisoformat(iso) + timedelta(days)).isoformat()


def bounds(order: Any) -> Any:
    return order["dosageInstruction"][0]["timing"]["repeat"]["boundsPeriod"]


def doses(order: Any) -> list[Any]:
    return [each["doseQuantity"] for each in order["dosageInstruction"][0]["doseAndRate"]]


def double_the_dose(tree: Any) -> None:
    for quantity in doses(new_orders(tree)[-1]):
        quantity["value"] *= 2


def new_orders(tree: Any) -> list[Any]:
    named = [o for o in orders(tree) if "desiccated" in o["medicationCodeableConcept"]["text"]]
    return sorted(named, key=lambda order: bounds(order)["start"])


def tablets_alone(tree: Any) -> None:
    doses(new_orders(tree)[0])[0]["value"] *= 2


def a_quarter_of_the_dose(tree: Any) -> None:
    for quantity in doses(new_orders(tree)[0]):
        quantity["value"] /= 4


def another_strength(tree: Any) -> None:
    concept = new_orders(tree)[0]["medicationCodeableConcept"]
    concept["text"] = "desiccated thyroid 20 mg tablet"


def end_a_day_early(tree: Any) -> None:
    order = new_orders(tree)[0]
    bounds(order)["end"] = later(bounds(order)["end"], -1)
    order["dispenseRequest"]["expectedSupplyDuration"]["value"] -= 1


def overlap_a_day(tree: Any) -> None:
    order = new_orders(tree)[0]
    bounds(order)["end"] = later(bounds(order)["end"], 1)
    order["dispenseRequest"]["expectedSupplyDuration"]["value"] += 1
    order["dispenseRequest"]["quantity"]["value"] += 1


def too_few_tablets(tree: Any) -> None:
    new_orders(tree)[0]["dispenseRequest"]["quantity"]["value"] -= 1


def drop_an_order(tree: Any) -> None:
    drop(tree, new_orders(tree)[1])


def drop(tree: Any, resource: Any) -> None:
    tree["entry"] = [entry for entry in tree["entry"] if entry["resource"] is not resource]


def never_stop_the_old(tree: Any) -> None:
    for task in of_type(tree, "Task"):
        if task["intent"] == "proposal":
            drop(tree, task)


def stop_the_old_later(tree: Any) -> None:
    for task in of_type(tree, "Task"):
        if task["intent"] == "proposal":
            period = task["restriction"]["period"]
            period["start"] = later(period["start"], 2)


def draw_blood_early(tree: Any) -> None:
    labs = parameter(tree, "checkpoint", "labs-on")
    labs["valueDate"] = later(labs["valueDate"], -30)


def parameter(tree: Any, name: str, part: str) -> Any:
    working = tree["entry"][0]["resource"]["contained"][1]["parameter"]
    (outer,) = [p for p in working if p["name"] == name]
    return next(p for p in outer["part"] if p["name"] == part)


def no_blood_at_all(tree: Any) -> None:
    for request in of_type(tree, "ServiceRequest"):
        drop(tree, request)


def another_worth(tree: Any) -> None:
    working = tree["entry"][0]["resource"]["contained"][1]["parameter"]
    row = next(p for p in working if p["name"] == "basis")
    worth = next(p for p in row["part"] if p["name"] == "lt4-equivalent")
    worth["valueQuantity"]["value"] += 0.2


def say_stop(tree: Any) -> None:
    of_type(tree, "DetectedIssue")[0]["severity"] = "high"


def more_in_the_low_branch(tree: Any) -> None:
    for order in orders(tree, "option")[-1:]:
        for quantity in doses(order):
            quantity["value"] *= 40


def two_options_may_be_taken(tree: Any) -> None:
    of_type(tree, "RequestGroup")[0]["action"][0]["selectionBehavior"] = "any"


def ask_all_the_same(tree: Any) -> None:
    tree["entry"][0]["resource"]["status"] = "data-required"


def a_faster_pace(tree: Any) -> None:
    working = tree["entry"][0]["resource"]["contained"][1]["parameter"]
    pace = next(p for p in working if p["name"] == "planned-pace")
    pace["valueCode"] = "brisk" if pace["valueCode"] != "brisk" else "standard"


FAULTS = [
    double_the_dose, tablets_alone, a_quarter_of_the_dose, another_strength, end_a_day_early,
    overlap_a_day, too_few_tablets, drop_an_order, never_stop_the_old, stop_the_old_later,
    draw_blood_early, no_blood_at_all, another_worth, say_stop, more_in_the_low_branch,
    two_options_may_be_taken, ask_all_the_same, a_faster_pace,
]  # fmt: skip


def held_to_the_truth(tree: Any) -> None:
    answer = Answer(json.dumps(tree).encode(), PERSON.start)
    check(PERSON, answer)


def test_the_answer_without_a_fault_is_let_through() -> None:
    held_to_the_truth(ANSWER)


@pytest.mark.parametrize("plant", FAULTS, ids=lambda plant: plant.__name__)
def test_a_planted_fault_is_seen(plant: Any) -> None:
    tree = copy.deepcopy(ANSWER)
    plant(tree)
    assert tree != ANSWER
    with pytest.raises(Unfit):
        held_to_the_truth(tree)


@pytest.mark.parametrize("name", ["lowest", "highest"])
def test_a_forecast_that_is_off_by_a_hundredth_is_seen(name: str) -> None:
    check_forecast(PERSON, Answer(json.dumps(ANSWER).encode(), PERSON.start))
    tree = copy.deepcopy(ANSWER)
    working = tree["entry"][0]["resource"]["contained"][1]["parameter"]
    forecast = next(p for p in working if p["name"] == "forecast")
    exposure = next(p for p in forecast["part"] if p["name"] == "t3-exposure")
    stated = next(p for p in exposure["part"] if p["name"] == name)
    stated["valueDecimal"] += 0.01
    with pytest.raises(Unfit):
        check_forecast(PERSON, Answer(json.dumps(tree).encode(), PERSON.start))
