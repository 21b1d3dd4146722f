"""What an answer's resources say, read by date: doses, draws, acts, and the branches.

Written from the FHIR specification (R4 4.0.1 and R5 5.0.0: Dosage, Timing, MedicationRequest,
ServiceRequest, Task, RequestGroup and RequestOrchestration) and from nothing of the service. Days
are counted from day one. Amounts are in the product's unit: µg, and mg of desiccated thyroid.
"""

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import date
from functools import cached_property
from typing import Any

from tests.properties.titration.figures import (
    EXACT,
    GRAIN_MG,
    GRAIN_T3_UG,
    GRAIN_T4_UG,
    PER_GRAIN,
    PER_LT3,
    STRENGTHS_MG,
)
from tests.properties.titration.grid import AS_OF, Case

Json = dict[str, Any]
Amounts = dict[str, float]
"""Daily amounts by medicine: ``lt4`` and ``lt3`` in µg, ``d60`` and ``d65`` in mg."""
TSH = "3016-3"
FOREVER = 10_000


class Unreadable(AssertionError):
    """An answer of which this reader cannot tell what is to be taken."""


def grains(amounts: Amounts) -> float:
    """Labelled grains a day."""
    return sum(amounts.get(key, 0.0) / mg for key, mg in GRAIN_MG.items())


def t3(amounts: Amounts) -> float:
    """µg of T3 swallowed a day."""
    return amounts.get("lt3", 0.0) + GRAIN_T3_UG * grains(amounts)


def t4(amounts: Amounts) -> float:
    """µg of T4 swallowed a day."""
    return amounts.get("lt4", 0.0) + GRAIN_T4_UG * grains(amounts)


def worth(chart: str, amounts: Amounts) -> float:
    """µg of LT4 that a chart puts in the place of daily amounts."""
    return (
        amounts.get("lt4", 0.0)
        + PER_LT3[chart] * amounts.get("lt3", 0.0)
        + PER_GRAIN[chart] * grains(amounts)
    )


@dataclass(frozen=True, slots=True)
class Dose:
    """One medicine at one time of day over days, both included."""

    medicine: str
    time: str
    amount: float
    first: int
    last: int
    share: float = 1.0
    """Of the days between, on how many it is taken: 1, or so many sevenths, or one half."""


@dataclass(frozen=True, slots=True)
class Supply:
    """What one order dispenses: tablets of one strength, and the days they are to last."""

    medicine: str
    first: int
    last: int
    days: int
    tablets: float
    needed: float
    """Tablets for the days of the order and, at its last dose, for the days beyond."""


@dataclass(frozen=True, slots=True)
class Draw:
    """One thing that is measured on one day."""

    day: int
    code: str
    name: str
    notes: str = ""
    """All that is written for whoever reads the result."""


@dataclass(slots=True)
class Course:
    """What is taken from `begins` on, and what is measured."""

    begins: int
    doses: list[Dose] = field(default_factory=list)
    supplies: list[Supply] = field(default_factory=list)
    draws: list[Draw] = field(default_factory=list)

    def single(self, day: int) -> dict[tuple[str, str], float]:
        """Amounts by medicine and time of day."""
        found: dict[tuple[str, str], float] = {}
        for dose in self.doses:
            if dose.first <= day <= dose.last:
                key = (dose.medicine, dose.time)
                found[key] = found.get(key, 0.0) + dose.amount
        return found

    def daily(self, day: int) -> Amounts:
        """Mean daily amounts."""
        found: Amounts = {}
        for dose in self.doses:
            if dose.first <= day <= dose.last:
                found[dose.medicine] = found.get(dose.medicine, 0.0) + dose.amount * dose.share
        return found

    @property
    def steps(self) -> list[int]:
        """The days on which an amount or its division changes, the first one included."""
        days = {day for dose in self.doses for day in (dose.first, dose.last + 1)}
        return sorted(
            day
            for day in days
            if self.begins <= day <= self.ends
            and (day == self.begins or self.single(day) != self.single(day - 1))
        )

    @property
    def ends(self) -> int:
        """The last day of which an order tells a dose."""
        told = (dose.last for dose in self.doses if dose.last < FOREVER)
        return max((self.begins, *told))

    @property
    def settled(self) -> Amounts:
        """The daily amounts on the last day."""
        return self.daily(self.ends)

    def drawn(self, code: str = TSH) -> list[int]:
        """The days on which something is measured, in order."""
        return sorted({draw.day for draw in self.draws if draw.code == code})


@dataclass(slots=True)
class Branch:
    """What is done where its condition holds."""

    title: str
    expression: str
    words: str
    course: Course


class Answer:
    """One answer, by its resources."""

    def __init__(self, bundle: Json, case: Case) -> None:
        self.case = case
        self.entries = {e["fullUrl"]: e["resource"] for e in bundle["entry"]}
        self.guidance: Json = bundle["entry"][0]["resource"]

    def of(self, *kinds: str) -> Iterator[Json]:
        """Resources of these types."""
        return (r for r in self.entries.values() if r["resourceType"] in kinds)

    @property
    def ends(self) -> str:
        """``plan``, ``stop`` or ``asked``."""
        if self.guidance["status"] == "data-required":
            return "asked"
        return "plan" if "result" in self.guidance else "stop"

    @cached_property
    def findings(self) -> dict[str, tuple[str, str]]:
        """Code of each finding with its severity and its words."""
        return {
            issue["code"]["coding"][0]["code"]: (issue["severity"], issue.get("detail", ""))
            for issue in self.of("DetectedIssue")
        }

    @property
    def held(self) -> set[str]:
        """What the series must wait for."""
        return {code for code, (severity, _) in self.findings.items() if severity == "moderate"}

    @cached_property
    def need(self) -> float:
        """What is needed as a part of today's dose, as the answer states it."""
        (stated,) = (
            parameter["valueDecimal"]
            for contained in self.guidance["contained"]
            for parameter in contained.get("parameter", ())
            if parameter["name"] == "need"
        )
        return float(stated)

    @cached_property
    def checkpoint(self) -> Json:
        """The one action of the group that holds the branches."""
        (group,) = self.of("RequestGroup", "RequestOrchestration")
        (point,) = group["action"]
        return dict(point)

    @property
    def decision(self) -> int:
        """The day on which one branch is taken."""
        return day_of(self.checkpoint["timingDateTime"])

    @cached_property
    def before(self) -> Amounts:
        """What is taken today, by the case."""
        return {one.medicine: float(one.amount) for one in self.case.taken}

    @cached_property
    def series(self) -> Course:
        """What is proposed without a condition, up to the decision."""
        wanted = [r for r in self.of(*_READ) if r["intent"] == "proposal"]
        return self._course(wanted, 0, {one.reference: 0 for one in self.case.taken})

    @cached_property
    def hold(self) -> Amounts:
        """Daily amounts on the last day before the decision."""
        return self.series.daily(self.decision - 1)

    @cached_property
    def branches(self) -> list[Branch]:
        """The branches, in their order."""
        return [self._branch(option) for option in self.checkpoint["action"]]

    def _branch(self, option: Json) -> Branch:
        (condition,) = option["condition"]
        said = condition["expression"]
        leaves = [
            self.entries[leaf["resource"]["reference"]]
            for leaf in option.get("action", ())
            if "resource" in leaf
        ]
        ended = {focus_of(task) for task in self.of("Task") if task["intent"] == "proposal"}
        goes_on = {
            one.reference: self.decision for one in self.case.taken if one.reference not in ended
        }
        course = self._course(leaves, self.decision, goes_on)
        return Branch(option["title"], said["expression"], said.get("description", ""), course)

    def _course(self, requests: Iterable[Json], begins: int, standing: dict[str, int]) -> Course:
        """Orders, draws, and the medicines of today until a task ends them."""
        course, ends = Course(begins), {}
        for request in requests:
            match request["resourceType"]:
                case "MedicationRequest":
                    read_order(request, course)
                case "ServiceRequest":
                    course.draws += draws_of(request)
                case "Task" if focus_of(request):
                    ends[focus_of(request)] = ended_on(request)
        for taken in self.case.taken:
            if taken.reference in standing:
                last = ends.get(taken.reference, FOREVER + 1) - 1
                each = taken.amount / taken.times
                times = _TIMES[taken.times]
                course.doses += [Dose(taken.medicine, t, each, begins, last) for t in times]
        return course


_READ = ("MedicationRequest", "ServiceRequest", "Task")
_TIMES = {1: ("MORN",), 2: ("MORN", "HS"), 3: ("MORN", "NOON", "HS")}


def day_of(iso: str) -> int:
    return (date.fromisoformat(iso[:10]) - AS_OF).days


def focus_of(task: Json) -> str:
    """What a task ends; nothing where it waits, or was withdrawn."""
    code = task.get("code", {}).get("coding", [{}])[0].get("code")
    ends = code == "abort" and task.get("status") not in {"on-hold", "cancelled"}
    return str(task.get("focus", {}).get("reference", "")) if ends else ""


def ended_on(task: Json) -> int:
    period = task.get("requestedPeriod") or task["restriction"]["period"]
    return day_of(period["start"])


def draws_of(request: Json) -> Iterator[Draw]:
    concept = request["code"].get("concept", request["code"])
    code = concept["coding"][0]["code"] if "coding" in concept else concept["text"]
    notes = " ".join(note["text"] for note in request.get("note", ()))
    single = request.get("occurrenceDateTime")
    for event in [single] if single else request["occurrenceTiming"]["event"]:
        yield Draw(day_of(event), code, concept.get("text", ""), notes)


_PRODUCT = re.compile(r"(?P<name>.+?) (?P<strength>[0-9.]+) (?P<unit>microgram|mg) tablet")


def _product(request: Json) -> tuple[str, float]:
    """Medicine and strength of an order, by its words."""
    concept = request.get("medicationCodeableConcept") or request["medication"]["concept"]
    found = _PRODUCT.fullmatch(concept["text"])
    if not found:
        raise Unreadable(f"no tablet: {concept['text']}")
    strength = float(found["strength"])
    match found["name"]:
        case "levothyroxine sodium":
            return "lt4", strength
        case "liothyronine sodium":
            return "lt3", strength
        case "desiccated thyroid":
            (family,) = (key for key, marketed in STRENGTHS_MG.items() if strength in marketed)
            return family, strength
    raise Unreadable(f"an unknown medicine: {found['name']}")


def read_order(request: Json, course: Course) -> None:
    medicine, strength = _product(request)
    own = [dose for d in request["dosageInstruction"] for dose in _doses(d, medicine, strength)]
    course.doses += own
    course.supplies.append(_supply(request, medicine, strength, own))


def _doses(dosage: Json, medicine: str, strength: float) -> Iterator[Dose]:
    """One instruction as the doses of a day."""
    repeat = dosage["timing"]["repeat"]
    bounds = repeat["boundsPeriod"]
    said = {d["type"]["coding"][0]["code"]: d["doseQuantity"] for d in dosage["doseAndRate"]}
    amount = float(said["ordered"]["value"]) * strength
    if said["ordered"]["code"] != "{tbl}" or repeat["periodUnit"] != "d":
        raise Unreadable("a dose that is not in tablets by the day")
    if abs(float(said.get("calculated", {"value": amount})["value"]) - amount) > EXACT:
        raise Unreadable("tablets and mass differ")
    share = len(repeat["dayOfWeek"]) / 7 if "dayOfWeek" in repeat else 1 / repeat["period"]
    times = repeat.get("when") or _TIMES[repeat["frequency"]]
    if "when" in repeat and repeat["frequency"] not in (1, len(repeat["when"])):
        raise Unreadable("more doses than times of day")
    for time in times:
        first, last = day_of(bounds["start"]), day_of(bounds["end"])
        yield Dose(medicine, time, amount, first, last, share)


def _supply(request: Json, medicine: str, strength: float, doses: list[Dose]) -> Supply:
    dispensed = request["dispenseRequest"]
    days = int(dispensed["expectedSupplyDuration"]["value"])
    first, last = min(d.first for d in doses), max(d.last for d in doses)
    own = sum((d.last - d.first + 1) * d.amount * d.share for d in doses)
    at_last = sum(d.amount * d.share for d in doses if d.last == last)
    beyond = days - (last - first + 1)
    needed = (own + max(beyond, 0) * at_last) / strength
    tablets = float(dispensed["quantity"]["value"])
    return Supply(medicine, first, last, days, tablets, needed)
