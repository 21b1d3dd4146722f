"""Faults that are put into an answer, so that a claim can be seen to object."""

from collections.abc import Iterator
from datetime import date, timedelta
from typing import Any

from tests.properties.titration.claims import branch_at
from tests.properties.titration.grid import AS_OF, Case
from tests.properties.titration.reading import Answer

Json = dict[str, Any]
DAY_ONE = AS_OF.isoformat()


def _of(tree: Json, kind: str, intent: str = "proposal") -> list[Json]:
    found = [entry["resource"] for entry in tree["entry"]]
    return [r for r in found if r["resourceType"] == kind and r.get("intent", intent) == intent]


def _later(iso: str, days: int) -> str:
    return (date.fromisoformat(iso) + timedelta(days)).isoformat()


def _branches(tree: Json) -> list[Json]:
    (group,) = _of(tree, "RequestGroup")
    return list(group["action"][0]["action"])


def _at(tree: Json, **drawn: float | bool) -> Json:
    """The branch for these results."""
    answer = Answer(tree, Case())
    found = branch_at(answer, freeT3=5.0, **drawn)
    (option,) = (one for one in _branches(tree) if found and one["title"] == found.title)
    return option


def _leaves(tree: Json, option: Json) -> Iterator[Json]:
    by_url = {entry["fullUrl"]: entry["resource"] for entry in tree["entry"]}
    for leaf in option["action"]:
        yield by_url[leaf["resource"]["reference"]]


def _medicine(order: Json, name: str) -> bool:
    return name in order["medicationCodeableConcept"]["text"]


def _scale(order: Json, by: float) -> None:
    for dosage in order["dosageInstruction"]:
        for dose in dosage["doseAndRate"]:
            dose["doseQuantity"]["value"] *= by


def _tsh(requests: Any) -> list[Json]:
    found = [r for r in requests if r["resourceType"] == "ServiceRequest"]
    own = [r for r in found if r["code"].get("coding", [{}])[0].get("code") == "3016-3"]
    return sorted(own, key=lambda request: str(request.get("occurrenceDateTime", "9999")))


def _move(request: Json, days: int) -> None:
    request["occurrenceDateTime"] = _later(request["occurrenceDateTime"], days)


def the_last_draw_comes_on_the_day_before_the_decision(tree: Json) -> None:
    """Six days later than it should."""
    _move(_tsh(_of(tree, "ServiceRequest"))[-1], 6)


def the_first_draw_of_every_branch_comes_three_weeks_later(tree: Json) -> None:
    """Too late for eight weeks."""
    for option in _branches(tree):
        _move(_tsh(_leaves(tree, option))[0], 21)


def the_supply_ends_with_the_decision(tree: Json) -> None:
    """No reserve."""
    for order in _of(tree, "MedicationRequest"):
        order["dispenseRequest"]["expectedSupplyDuration"]["value"] -= 5


def a_tablet_is_missing(tree: Json) -> None:
    """Of one order."""
    _of(tree, "MedicationRequest")[-1]["dispenseRequest"]["quantity"]["value"] -= 1


def two_branches_have_one_condition(tree: Json) -> None:
    """That of a high TSH and that of one in range."""
    _at(tree, tsh=2.0)["condition"] = _at(tree, tsh=9.0)["condition"]


def a_high_tsh_gives_what_one_in_range_gives(tree: Json) -> None:
    """The same orders."""
    stays = _at(tree, tsh=2.0)["action"]
    _at(tree, tsh=9.0)["action"] = stays


def a_high_tsh_keeps_the_dose(tree: Json) -> None:
    """The orders of one who has symptoms with a TSH in range."""
    same = _at(tree, tsh=2.0, tooFast=True)["action"]
    _at(tree, tsh=9.0)["action"] = same


def the_old_medicine_is_halved_while_the_dose_rises(tree: Json) -> None:
    """In the branch of a high TSH."""
    for leaf in _leaves(tree, _at(tree, tsh=9.0)):
        if leaf["resourceType"] == "MedicationRequest" and _medicine(leaf, "levothyroxine"):
            _scale(leaf, 0.5)


def a_low_tsh_keeps_the_dose(tree: Json) -> None:
    """The same orders as for one in range."""
    same = _at(tree, tsh=2.0, tooFast=True)["action"]
    _at(tree, tsh=0.25)["action"] = same


def a_low_tsh_leaves_nothing(tree: Json) -> None:
    """No order at all."""
    _at(tree, tsh=0.25)["action"] = []


def symptoms_step_back(tree: Json) -> None:
    """Whatever the TSH."""
    back = _at(tree, tsh=0.25)["action"]
    _at(tree, tsh=2.0, tooFast=True)["action"] = back


def free_t3_is_not_looked_at(tree: Json) -> None:
    """In any condition."""
    for option in _branches(tree):
        said = option["condition"][0]["expression"]
        for compared in ("<=", ">"):
            looked_at = f"{compared} referenceRange.high.value"
            said["expression"] = said["expression"].replace(looked_at, f"{compared} 1000.0")


def age_is_forgotten_in_the_conditions(tree: Json) -> None:
    """6.0 becomes 4.0."""
    for branch in _branches(tree):
        said = branch["condition"][0]["expression"]
        said["expression"] = said["expression"].replace("6.0", "4.0")


def lt3_is_taken_in_one_dose(tree: Json) -> None:
    """Both of the day's doses in the morning."""
    for order in _of(tree, "MedicationRequest"):
        if _medicine(order, "liothyronine"):
            for dosage in order["dosageInstruction"]:
                repeat = dosage["timing"]["repeat"]
                repeat["when"] = ["MORN"] * repeat["frequency"]


def lt3_comes_back_to_one_dose(tree: Json) -> None:
    """From its second step on."""
    own = [o for o in _of(tree, "MedicationRequest") if _medicine(o, "liothyronine")]
    dosages = [dosage for order in own for dosage in order["dosageInstruction"]]
    last = max(d["timing"]["repeat"]["boundsPeriod"]["end"] for d in dosages)
    for dosage in dosages:
        repeat = dosage["timing"]["repeat"]
        if repeat["boundsPeriod"]["end"] == last:
            repeat["when"] = ["MORN"] * repeat["frequency"]


def the_last_lt3_is_doubled(tree: Json) -> None:
    """In the series."""
    own = [o for o in _of(tree, "MedicationRequest") if _medicine(o, "liothyronine")]
    for dosage in own[-1]["dosageInstruction"][-1:]:
        for dose in dosage["doseAndRate"]:
            dose["doseQuantity"]["value"] *= 3


def half_the_lt4(tree: Json) -> None:
    """In the series."""
    for order in _of(tree, "MedicationRequest"):
        if _medicine(order, "levothyroxine"):
            _scale(order, 0.5)


def desiccated_ends_on_day_one(tree: Json) -> None:
    """Its orders are gone, and a task ends it at once."""
    tree["entry"] = [
        entry
        for entry in tree["entry"]
        if entry["resource"]["resourceType"] != "MedicationRequest"
        or not _medicine(entry["resource"], "desiccated")
    ]
    for task in _of(tree, "Task"):
        if "restriction" in task:
            task["restriction"]["period"]["start"] = DAY_ONE


def nothing_was_found(tree: Json) -> None:
    """Every finding is gone."""
    tree["entry"] = [
        entry for entry in tree["entry"] if entry["resource"]["resourceType"] != "DetectedIssue"
    ]


def a_low_tsh_steps_back_in_pregnancy(tree: Json) -> None:
    """As it does for anybody else."""
    low = _branches(tree)[-1]
    low["condition"][0]["expression"]["expression"] = (
        "entry.resource.ofType(Observation).where(code.coding.exists(code = '3016-3'))"
        ".all(value.ofType(Quantity).value < 0.3)"
    )


def _on_the_way(tree: Json) -> list[Json]:
    *draws, _ = _tsh(_of(tree, "ServiceRequest"))
    return [draw for draw in draws if draw["occurrenceDateTime"] != DAY_ONE]


def no_draw_on_the_way(tree: Json) -> None:
    """The first and the last are left."""
    gone = _on_the_way(tree)
    tree["entry"] = [entry for entry in tree["entry"] if entry["resource"] not in gone]


def a_draw_on_the_way_falls_on_its_step(tree: Json) -> None:
    """No time is left to read it."""
    _move(_on_the_way(tree)[0], 7)


def lt3_is_twice_as_much(tree: Json) -> None:
    """In the series and in the branches."""
    for intent in ("proposal", "option"):
        for order in _of(tree, "MedicationRequest", intent):
            if _medicine(order, "liothyronine"):
                _scale(order, 2)


def nothing_is_measured(tree: Json) -> None:
    """No request for a service is left."""
    tree["entry"] = [
        entry for entry in tree["entry"] if entry["resource"]["resourceType"] != "ServiceRequest"
    ]


def the_first_draw_is_on_day_one(tree: Json) -> None:
    """Whatever the record holds."""
    _tsh(_of(tree, "ServiceRequest"))[0]["occurrenceDateTime"] = DAY_ONE


def draws_say_nothing(tree: Json) -> None:
    """No note is left."""
    for request in _of(tree, "ServiceRequest"):
        request["note"] = []


def a_ratio_is_spoken_of(tree: Json) -> None:
    """In a branch of a move to which none belongs."""
    said = _branches(tree)[0]["condition"][0]["expression"]
    said["description"] = "T4 to T3 is then 4:1, outside 13:1 to 20:1"
