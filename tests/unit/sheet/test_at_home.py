"""Every tablet of the old regimen, in every mode: what the page, the calendar, the Tasks and the
card say of it agrees with the orders of the answer, as an independent reader has them."""

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import lru_cache
from itertools import groupby
from typing import Any

from icalendar import Calendar
from tests.conformance.patients import (
    AS_OF,
    CATALOGUE,
    DIRECTIONS,
    FIXTURES,
    proposed,
)
from tests.unit.sheet.pages import BRITISH, VERSION, Node, page_of, parsed

from crossgrain.core.proposal import Proposal
from crossgrain.core.propose import propose
from crossgrain.dosing.plan import PriorTherapy
from crossgrain.dosing.targets import Target
from crossgrain.names.errors import DomainError
from crossgrain.names.identity import FhirVersion
from crossgrain.safety.rule import Severity
from crossgrain.sheet.page import calendar_of
from crossgrain.writing.answer import answer_bundle

INGREDIENTS = {
    "levothyroxine": "levothyroxine sodium",
    "liothyronine": "liothyronine sodium",
    "thyroid": "desiccated thyroid",
}
_STRENGTH = re.compile(r"([\d.]+) (?:microgram|mg) tablet")
_MONTHS = ["January", "February", "March", "April", "May", "June", "July", "August", "September",
           "October", "November", "December"]  # fmt: skip


@dataclass(frozen=True)
class Box:
    """A product at home, as the fixture's own JSON names it."""

    reference: str
    ingredient: str
    strength: str | None

    @property
    def name(self) -> str:
        if self.strength is None:
            return self.ingredient
        unit = "mg" if self.ingredient == "desiccated thyroid" else "microgram"
        return f"{self.ingredient} {self.strength} {unit} tablets"


def boxes(file: str) -> Iterator[Box]:
    """The active thyroid medicines of a fixture."""
    content = json.loads((FIXTURES / "patients" / file).read_bytes())
    for entry in content["entry"]:
        resource = entry["resource"]
        if resource.get("status") != "active" or "medicationCodeableConcept" not in resource:
            continue
        words = resource["medicationCodeableConcept"]["text"].lower()
        known = next((name for word, name in INGREDIENTS.items() if word in words), None)
        if known:
            strength = _STRENGTH.search(words)
            reference = f"{resource['resourceType']}/{resource['id']}"
            yield Box(reference, known, strength[1] if strength else None)


def unconditional(answer: dict[str, Any], resource_type: str) -> list[dict[str, Any]]:
    """What of the answer holds whatever the labs say."""
    every = [entry["resource"] for entry in answer["entry"]]
    return [r for r in every if r["resourceType"] == resource_type and r["intent"] == "proposal"]


def uses(box: Box, answer: dict[str, Any]) -> list[tuple[date, str]]:
    """How a box is used by the orders and Tasks alone, with the day on which each use begins."""
    (plan,) = unconditional(answer, "CarePlan")
    last = date.fromisoformat(plan["period"]["end"])
    ends = [
        date.fromisoformat(task["restriction"]["period"]["start"])
        for task in unconditional(answer, "Task")
        if task.get("focus", {}).get("reference") == box.reference
    ]
    assert len(ends) <= 1
    ordered = []
    for order in unconditional(answer, "MedicationRequest"):
        words = order["medicationCodeableConcept"]["text"]
        strength = _STRENGTH.search(words)
        assert strength
        for instruction in order["dosageInstruction"]:
            bounds = instruction["timing"]["repeat"]["boundsPeriod"]
            if words.startswith(box.ingredient) and box.strength in (None, strength[1]):
                ordered.append((bounds["start"], bounds["end"]))

    def use(day: date) -> str:
        if not ends or day < ends[0]:
            return "as now"
        if any(first <= day.isoformat() <= end for first, end in ordered):
            return "as ordered"
        return "not taken"

    days = [AS_OF + timedelta(days=number) for number in range((last - AS_OF).days + 1)]
    return [(next(same), said) for said, same in groupby(days, key=use)]


def expected(turns: list[tuple[date, str]]) -> tuple[str, list[date]]:
    """The one thing to be said of a box, and every date that must be named."""
    said = [use for _, use in turns]
    dates = [day for day, use in turns if use != "as now"]
    if "not taken" in said[:-1]:
        return "kept", dates
    if said[-1] == "not taken":
        return "stop", dates
    return ("go on" if said == ["as now"] else "change"), dates


TELLS = {
    "go on": re.compile(r"^Go on as now\.$"),
    "kept": re.compile(r"do not take (?:it|them)\. Put (?:it|them) away\. You need"),
    "stop": re.compile(r"take no more of (?:it|them)\."),
    "change": re.compile(r"take (?:them )?only"),
}


LABELS = {"go on": "Go on", "kept": "Keep for later", "stop": "Stop", "change": "Change"}


def told(words: str) -> str:
    """Which of the four a sentence says: the first that holds, as a reader would sum it up."""
    return next(kind for kind, pattern in TELLS.items() if pattern.search(words))


def long_date(day: date) -> str:
    return f"{day.day} {_MONTHS[day.month - 1]} {day.year}"


def dates_in(words: str) -> list[str]:
    return re.findall(r"\d{1,2} [A-Z][a-z]+ \d{4}", words)


@dataclass(frozen=True)
class Case:
    """One switch: what the record names at home, and all that is said of it."""

    where: tuple[str, Target, PriorTherapy]
    boxes: tuple[Box, ...]
    proposal: Proposal
    answer: dict[str, Any]
    page: Node
    calendar: bytes

    @property
    def prior(self) -> PriorTherapy:
        return self.where[2]


def case(proposal: Proposal, where: tuple[str, Target, PriorTherapy]) -> Case:
    calendar = calendar_of(proposal, CATALOGUE, service_version=VERSION, tag=BRITISH)
    assert calendar
    answer = answer_bundle(
        proposal, version=FhirVersion.R4, service_version=VERSION, codes=CATALOGUE.codes
    )
    page = parsed(page_of(proposal)).by_id("patient")
    return Case(where, tuple(boxes(where[0])), proposal, answer, page, calendar)


@lru_cache
def cases() -> tuple[Case, ...]:
    """Every fixture to every target under both prior therapies, as far as there is a plan."""
    found = []
    for direction in DIRECTIONS:
        try:
            proposal = proposed(*direction)
        except DomainError:
            continue
        if proposal.plan:
            found.append(case(proposal, direction))
    return tuple(found)


def at_home(page: Node) -> dict[str, tuple[str, str]]:
    """What the patient's page says of each box: in a word, and in sentences."""
    (section,) = page.all("section", "at-home")
    found = {}
    for item in section.all("li"):
        ((word,), (name,)) = item.all("span", "fate"), item.all("b")
        found[name.text[0].lower() + name.text[1:]] = word.text, item.text.partition(": ")[2]
    assert len(found) == len(section.all("li")), "a box stands twice"
    return found


def test_there_is_a_plan_of_every_kind_to_look_at() -> None:
    kinds = {
        (expected(uses(box, one.answer))[0], one.prior) for one in cases() for box in one.boxes
    }
    assert len(cases()) > 100
    assert {kind for kind, prior in kinds if prior is PriorTherapy.OVERLAP} == set(TELLS)
    assert {"stop", "change", "go on"} == {k for k, prior in kinds if prior is PriorTherapy.STOP}


def test_the_page_says_exactly_one_thing_of_each_box_and_it_is_what_the_orders_say() -> None:
    for one in cases():
        said = at_home(one.page)
        assert set(said) == {box.name for box in one.boxes}, one.where
        for box in one.boxes:
            turns, (label, words) = uses(box, one.answer), said[box.name]
            kind, dates = expected(turns)
            assert told(words) == kind, (one.where, words)
            waits = kind == "stop" and turns[0][1] != "not taken"
            assert label == ("Stop later" if waits else LABELS[kind]), (one.where, words)
            assert dates_in(words) == [long_date(day) for day in dates], (one.where, words)
            rest = turns[-1][1] == "not taken" or (kind == "change" and box.strength is None)
            assert ("pharmacy" in words) is rest, (one.where, words)


def begins(page: Node) -> dict[str, str]:
    """Letter of each step → its first day."""
    heads = (head.text.partition(" ") for head in page.all("p", "step-dates"))
    return {letter: dates_in(dates)[0] for letter, _, dates in heads}


def test_the_letter_beside_each_date_is_that_of_the_step_which_begins_then() -> None:
    named = 0
    for one in cases():
        first_days = begins(one.page)
        for _, words in at_home(one.page).values():
            for day, letter in re.findall(r"(\d+ [A-Z][a-z]+ \d{4}) \(step ([A-Z]+)\)", words):
                assert first_days[letter] == day, one.where
                named += 1
    assert named > 100


def changes(page: Node) -> dict[str, list[str]]:
    """First day of each step → what it says of the tablets at home."""
    (steps,) = page.all("ol", "steps")
    lettered = [step for step in steps.all("li") if step.all("p", "step-dates")]
    days = begins(page).values()
    return {
        day: [line.text for line in step.all("li", "change")]
        for day, step in zip(days, lettered, strict=True)
    }


IDLE = {
    "From home, no more": True,
    "From home, put away for later": True,
    "From home, only as this step says": False,
    "From home, take out again, only as this step says": False,
}


def test_each_step_says_on_its_first_day_what_changes_at_home() -> None:
    for one in cases():
        wanted: dict[str, dict[str, bool]] = {day: {} for day in begins(one.page).values()}
        for box in one.boxes:
            for day, use in uses(box, one.answer):
                if use != "as now":
                    wanted[long_date(day)][box.name] = use == "not taken"
        for day, lines in changes(one.page).items():
            said = {name: IDLE[what] for what, _, name in (line.partition(": ") for line in lines)}
            assert said == wanted[day], (one.where, day)


def test_the_calendar_says_the_same_and_in_the_title_that_tablets_are_put_away() -> None:
    for one in cases():
        lines = changes(one.page)
        events = Calendar.from_ical(one.calendar).walk("VEVENT")
        steps = [event for event in events if "step" in str(event["summary"])]
        assert [long_date(event.decoded("dtstart")) for event in steps] == list(lines)
        for event, own in zip(steps, lines.values(), strict=True):
            assert all(f"{line}." in str(event["description"]) for line in own)
            away = any(IDLE[line.partition(": ")[0]] for line in own)
            waits = on_hold(one) and event is steps[0]
            assert ("put old tablets away" in str(event["summary"])) is (away and not waits)


def test_the_tasks_that_end_an_old_order_say_what_becomes_of_its_tablets() -> None:
    checked = 0
    for one in cases():
        for task in (t for t in unconditional(one.answer, "Task") if "focus" in t):
            (box,) = (b for b in one.boxes if b.reference == task["focus"]["reference"])
            name, _, says = task["description"].rpartition(" at home: ")
            kind, dates = expected(uses(box, one.answer))
            assert name.lower().endswith(box.name)
            assert told(says) == kind
            assert dates_in(says) == [long_date(day) for day in dates]
            checked += 1
    assert checked > 100


def test_no_page_tells_to_stop_and_not_to_stop() -> None:
    """A ban on stopping must be about the plan, since the plan itself stops tablets."""
    for one in cases():
        bans = re.findall(r"[^.]*[Dd]o not [^.]*stop[^.]*\.", one.page.text)
        assert [ban.strip() for ban in bans] == ["Do not change this plan or stop it by yourself."]


def on_hold(one: Case) -> bool:
    """Whether something must be done, or confirmed, before the plan may begin."""
    holds = [f for f in one.proposal.findings if f.severity is Severity.HOLD]
    return bool(holds or one.proposal.record.confirm)


def test_before_the_start_the_old_tablets_go_on_and_nothing_is_stopped() -> None:
    found = {}
    for one in cases():
        found.setdefault(on_hold(one), one)
    until = "Until then go on with your tablets as now."
    for hold, one in found.items():
        first = "Do not start yet." if hold else "Start only when your prescriber has signed"
        said = one.page.text
        assert said.index(first) < said.index(until) < said.index("Your thyroid tablets at home")
        day_one, *others = Calendar.from_ical(one.calendar).walk("VEVENT")
        assert str(day_one["description"]).startswith(first)
        assert until in str(day_one["description"])
        assert ("do not begin step A" in str(day_one["summary"])) is hold
        later = [event for event in others if "step" in str(event["summary"])]
        began = f"Only if step A began on Monday {long_date(AS_OF)}."
        assert all(str(event["description"]).startswith(began) for event in later)
    assert set(found) == {True, False}


# ── A missed dose ─────────────────────────────────────────────────────────────────────────


def frequencies(answer: dict[str, Any]) -> dict[str, set[int]]:
    """Medicine → at how many times of a day its orders have it taken, on one day or another."""
    told: dict[str, list[tuple[str, str, set[str]]]] = {}
    for order in unconditional(answer, "MedicationRequest"):
        words = order["medicationCodeableConcept"]["text"]
        (medicine,) = (name for name in INGREDIENTS.values() if words.startswith(name))
        for instruction in order["dosageInstruction"]:
            repeat = instruction["timing"]["repeat"]
            assert (repeat["period"], repeat["periodUnit"]) == (1, "d")
            assert repeat["frequency"] == len(repeat["when"])
            bounds, when = repeat["boundsPeriod"], set(repeat["when"])
            told.setdefault(medicine, []).append((bounds["start"], bounds["end"], when))
    return {medicine: set(map(len, _moments_by_day(lines))) for medicine, lines in told.items()}


def _moments_by_day(lines: list[tuple[str, str, set[str]]]) -> list[set[str]]:
    """The times of day of all that is taken on each day on which an instruction begins."""
    return [
        set().union(*(when for start, end, when in lines if start <= day <= end))
        for day, _, _ in lines
    ]


def missed(page: Node) -> list[str]:
    """The lines of the page about a missed dose."""
    (lines,) = page.all("ul", "missed")
    return [item.text for item in lines.all("li")]


LATER = {
    ("levothyroxine sodium", 1): "take it later that day",
    ("desiccated thyroid", 1): "take it before evening",
    ("liothyronine sodium", 1): "take it before evening",
    ("liothyronine sodium", 2): "take a morning dose by noon. After noon, skip it.",
}


def test_what_to_do_about_a_missed_dose_follows_how_often_it_is_taken() -> None:
    for one in cases():
        lines = missed(one.page)
        assert lines[-1] == "Never take two doses at once to make up for one."
        for medicine, often in frequencies(one.answer).items():
            own = [line for line in lines if line.startswith(medicine)]
            for times in often:
                said = [line for line in own if LATER[medicine, times] in line]
                assert len(said) == 1, (one.where, medicine, times, lines)
                assert (" in step" in said[0]) is (len(own) > 1)


def test_two_doses_of_t3_never_meet() -> None:
    """What carries T3 is never taken "later that day" without an end to it."""
    for one in cases():
        for line in missed(one.page)[:-1]:
            ends = ("by noon", "before evening", "skip it, and take the next one")
            if not line.startswith("levothyroxine"):
                assert any(end in line for end in ends), one.where
                assert "later that day" not in line, one.where


def test_t3_that_goes_on_as_now_is_skipped_when_missed() -> None:
    """The plan does not know how its day's dose is split."""
    (one,) = (
        one
        for one in cases()
        if one.where
        == ("08-combination-to-levothyroxine.json", Target.LEVOTHYROXINE, PriorTherapy.OVERLAP)
    )
    skipped, by_noon = (line for line in missed(one.page) if "liothyronine" in line)
    assert "in step A: skip it, and take the next one at its usual time." in skipped
    assert "take a morning dose by noon." in by_noon or "before evening" in by_noon


def test_steps_of_another_frequency_have_a_rule_of_their_own() -> None:
    """LT3 begins once a day and goes on twice a day."""
    fair = proposed("04-levothyroxine-100-to-liothyronine.json", Target.LIOTHYRONINE)
    slow = propose(fair.record, replace(fair.request, pace="cautious"), CATALOGUE)
    file = "04-levothyroxine-100-to-liothyronine.json"
    one = case(slow, (file, Target.LIOTHYRONINE, PriorTherapy.OVERLAP))
    assert frequencies(one.answer)["liothyronine sodium"] == {1, 2}
    once, twice = sorted(line for line in missed(one.page) if line.startswith("liothyronine"))
    rules = {line.partition(": ")[2] for line in (once, twice)}
    assert any(LATER["liothyronine sodium", 1] in rule for rule in rules)
    assert any(LATER["liothyronine sodium", 2] in rule for rule in rules)
    letters = re.findall(r"in steps? ([A-Z, ]+):", once + twice)
    named = [letter for some in letters for letter in some.split(", ")]
    assert sorted(named) == sorted(begins(one.page)), "each step is named once"
