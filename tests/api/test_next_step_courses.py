"""Courses of all kinds, visit by visit, through a small EHR: each visit ends with an answer."""

import json
import tomllib
from collections.abc import Callable
from fractions import Fraction
from itertools import pairwise
from random import Random
from typing import Any

import pytest
from fixtures.visits.chart import LOINC, SNOMED, Chart, begun, day_of, desk, on, patient

from crossgrain.names.identity import FhirVersion
from crossgrain.operations.faults import RequestRefused
from crossgrain.operations.parameters import from_query
from crossgrain.operations.propose_switch import propose_switch
from crossgrain.reading.json import parse
from crossgrain.writing.forms import to_json
from crossgrain.writing.next_step_words import ACT_WORDS

from .calls import FIXTURES
from .test_next_step import guidance, labs_in, of_type, part, said

PATIENTS = [
    patient
    for patient in tomllib.loads((FIXTURES / "scenario.toml").read_text("utf-8"))["patient"]
    if patient["outcome"] == "plan" and "target" in patient
]
VISITS_OF_EACH, COURSES = 5, 6
TSH = (0.03, 0.2, 1.5, 2.0, 5.5, 8.0, 14.0)


def a_course(chance: Random) -> Chart | None:
    """A plan of an invented patient, taken up; nothing where none is made for that direction."""
    patient = chance.choice(PATIENTS)
    options = {
        "prior-therapy": chance.choice(("overlap", "stop")),
        "pace": chance.choice(("standard", "brisk", "cautious")),
    }
    target = chance.choice((patient["target"], "levothyroxine", "liothyronine"))
    try:
        chart = begun(patient["file"], target, **options)
    except RequestRefused:
        return None
    return chart if chart.orders() else None


def happens(chart: Chart, day: int, chance: Random) -> None:
    """What a patient brings to a visit."""
    if chance.random() < 0.7:
        chart.result("tsh", day - chance.choice((1, 2, 5)), chance.choice(TSH))
        chart.result("free-t3", day - 1, chance.choice((4.5, 7.5)))
    if chance.random() < 0.3:
        palpitations, missed = chance.random() < 0.4, chance.choice((0, 1, 4, 9))
        chart.told(day, palpitations=palpitations, missed_days=missed)


@pytest.mark.parametrize("seed", range(COURSES))
def test_whatever_happens_a_visit_ends_with_one_answer_and_no_more_than_is_carried(
    seed: int,
) -> None:
    chance = Random(seed)
    chart = next(filter(None, (a_course(chance) for _ in range(20))))
    day = 0
    for _ in range(VISITS_OF_EACH):
        day += chance.choice((9, 14, 30, 45, 60))
        happens(chart, day, chance)
        answer = chart.next_step(day)
        assert said(answer)["act"][0] in set(ACT_WORDS)
        for plan in of_type(answer, "CarePlan"):
            assert_carried(chart.answers[0], plan)
        if "result" not in guidance(answer):
            break
        chart.take_up(answer)


def assert_carried(first: Any, plan: Any) -> None:
    """Day one's facts, the checkpoint among them, are those of the first answer."""
    (before,) = of_type(first, "CarePlan")
    for name in ("original", "day-one", "checkpoint", "target"):
        assert part(plan, name) == part(before, name), name


def checkpoints(resource: Any) -> list[Any]:
    """The parts of the checkpoint that a resource carries."""
    return [
        amount
        for extension in resource.get("extension", ())
        for each in extension["extension"]
        if each["url"] == "checkpoint"
        for amount in each["extension"]
    ]


def amount_of(part: Any) -> tuple[Any, str]:
    """What holds a part's amount, and the name of it."""
    return (part, "valueDecimal") if "valueDecimal" in part else (part["valueQuantity"], "value")


def carried_by(resource: Any) -> dict[str, Fraction]:
    found = {}
    for each in checkpoints(resource):
        holds, name = amount_of(each)
        found[each["url"]] = Fraction(str(holds[name]))
    return found


def falls_low(times: int, seed: int) -> list[str]:
    """A course of which every TSH is suppressed, what is filed carrying another checkpoint."""
    chance = Random(seed)
    chart = next(filter(None, (a_course(chance) for _ in range(20))))
    (first,) = of_type(chart.answers[0], "CarePlan")
    own = carried_by(first)
    for each in (each for filed in chart.filed for each in checkpoints(filed)):
        holds, name = amount_of(each)
        holds[name] = float(times * Fraction(str(holds[name])))
    day, acts = 0, []
    for _ in range(3):
        day += chance.choice((16, 30))
        chart.result("tsh", day - 2, 0.03)
        answer = chart.next_step(day)
        acts += said(answer)["act"]
        for plan in of_type(answer, "CarePlan"):
            assert carried_by(plan) == own, acts
        if "result" not in guidance(answer):
            break
        chart.take_up(answer)
    return acts


@pytest.mark.parametrize("times", [1, 2])
def test_after_a_step_back_the_checkpoint_is_day_ones_or_the_smaller(times: int) -> None:
    """Whatever is held then, and however much was carried: going on never raises it."""
    acts = [act for seed in range(COURSES) for act in falls_low(times, seed)]
    assert "step-back" in acts


def doses_of_t3(answer: Any) -> list[Fraction]:
    """What an answer orders of liothyronine a day, in micrograms, step by step."""
    orders = of_type(answer, "MedicationRequest")
    instructions = (
        (order, dosage)
        for order in orders
        if order["intent"] == "proposal"
        and "liothyronine" in order["medicationCodeableConcept"]["text"]
        for dosage in order["dosageInstruction"]
    )
    return [
        5 * Fraction(dosage["doseAndRate"][0]["doseQuantity"]["value"])
        * len(dosage["timing"]["repeat"]["when"])
        for _, dosage in instructions
    ]  # fmt: skip


def test_labs_in_range_lead_no_more_to_a_dose_that_labs_called_too_much() -> None:
    """Up to it and down from it in turn: such a course comes to rest nowhere."""
    chart = begun("01-levothyroxine-150.json", "levothyroxine-liothyronine", basis="label")
    assert max(doses_of_t3(chart.answers[0])) == 10
    ordered = []
    for day, tsh in ((59, 0.2), (103, 1.5), (150, 1.4), (236, 1.5), (285, 1.6)):
        chart.result("tsh", day, tsh)
        chart.result("free-t3", day, 4.5)
        answer = chart.next_step(day + 2)
        assert guidance(answer)["status"] == "success"
        ordered.append(doses_of_t3(answer))
        chart.take_up(answer)
    low, in_range, *later = ordered
    assert low == []
    assert in_range == [5]
    assert all(dose == 5 for doses in later for dose in doses)


def test_a_suppressed_tsh_on_the_way_counts_for_what_it_was_drawn_on() -> None:
    """Before the checkpoint's labs, on 10 micrograms of T3: in range on 5, it stays at that."""
    chart = begun("01-levothyroxine-150.json", "levothyroxine-liothyronine")
    assert max(doses_of_t3(chart.answers[0])) == 10
    found = []
    for day, value in ((44, 0.05), (90, 1.5), (140, 1.5)):
        chart.result("tsh", day, value)
        chart.result("free-t3", day, 4.5)
        answer = chart.next_step(day + 2)
        found += doses_of_t3(answer)
        chart.take_up(answer)
    assert max(found) == 5


def test_a_second_low_tsh_on_less_leads_to_less_of_both() -> None:
    chart = begun("01-levothyroxine-150.json", "levothyroxine-liothyronine", basis="label")
    ordered = []
    for day, tsh in ((59, 0.2), (103, 1.5), (150, 0.2), (193, 1.5)):
        chart.result("tsh", day, tsh)
        chart.result("free-t3", day, 4.5)
        answer = chart.next_step(day + 2)
        assert guidance(answer)["status"] == "success"
        ordered.append(doses_of_t3(answer))
        chart.take_up(answer)
    assert ordered == [[], [5], [], [5]]  # on less levothyroxine by then


# --- a pregnancy found at a visit ----------------------------------------------------------------

PREGNANT = ("77386006", "Pregnant")
FOUND = 20
FOUR_WEEKS = 28
"""TSH about every 4 weeks until mid-gestation: American Thyroid Association 2017 pregnancy
guideline, quick reference."""


def on_desiccated() -> Chart:
    """No plan: two grains, taken for years."""
    return patient("02-desiccated-120.json")


@pytest.mark.parametrize(
    "chart",
    [
        lambda: begun("06-levothyroxine-125-to-combination.json", "levothyroxine-liothyronine"),
        lambda: begun("04-levothyroxine-100-to-liothyronine.json", "liothyronine"),
        lambda: begun("01-levothyroxine-150.json", "desiccated-thyroid"),
        on_desiccated,
    ],
    ids=["to a combination", "to liothyronine", "to desiccated thyroid", "no plan"],
)
def test_in_a_pregnancy_found_at_a_visit_tsh_is_drawn_every_four_weeks(
    chart: Callable[[], Chart],
) -> None:
    course = chart()
    course.condition(*PREGNANT, FOUND)
    answer = course.next_step(FOUND)
    assert said(answer)["act"] == ["turn-back"]
    days = [day_of(day) for day in labs_in(answer)]
    assert days[0] == FOUND
    assert all(after - day <= FOUR_WEEKS for day, after in pairwise(days)), days


def test_in_a_pregnancy_on_levothyroxine_without_a_tsh_blood_is_drawn_the_same_day() -> None:
    """No dose rises before it; what the guideline advises meanwhile is named."""
    course = patient("01-levothyroxine-150.json")
    course.resources = [r for r in course.resources if r["resourceType"] != "Observation"]
    course.condition(*PREGNANT, FOUND)
    answer = course.next_step(FOUND)
    assert said(answer)["act"] == ["hold"]
    assert labs_in(answer)[0] == on(FOUND)
    assert "pregnant-on-levothyroxine" in codes_found(answer)


def test_a_pregnancy_that_ends_within_a_plan_made_for_it_is_told_of() -> None:
    course = patient("08-combination-to-levothyroxine.json")
    course.condition(*PREGNANT, -30)
    course.take_up(proposed(course, "levothyroxine"))
    assert "pregnancy-ended" not in codes_found(course.next_step(FOUND))
    (pregnancy,) = (r for r in course.resources if r.get("code", {}).get("text") == PREGNANT[1])
    course.resources.remove(pregnancy)
    course.resources.append(not_pregnant(course, FOUND))
    assert "pregnancy-ended" in codes_found(course.next_step(FOUND))


def proposed(course: Chart, target: str) -> Any:
    """What is proposed on day one of a record as it is."""
    asked = from_query({"target": target, "as-of": on(0)}.items())
    record = parse(json.dumps(course.bundle()).encode())
    return json.loads(to_json(propose_switch(desk(), record, asked, FhirVersion.R4)))


def not_pregnant(course: Chart, day: int) -> Any:
    """The status of a day, as LOINC and SNOMED CT have it."""
    return {
        "resourceType": "Observation",
        "id": "not-pregnant",
        "status": "final",
        "code": {"coding": [{"system": LOINC, "code": "82810-3"}]},
        "subject": {"reference": f"Patient/{course.patient_id}"},
        "effectiveDateTime": on(day),
        "valueCodeableConcept": {"coding": [{"system": SNOMED, "code": "60001007"}]},
    }


def codes_found(answer: Any) -> set[str]:
    """The codes of an answer's findings."""
    return {issue["code"]["coding"][0]["code"] for issue in of_type(answer, "DetectedIssue")}
