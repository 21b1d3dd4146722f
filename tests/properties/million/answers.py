"""A written answer read again from its bytes, with no help from the code that wrote it."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction
from functools import cached_property, lru_cache
from typing import Any, TypedDict

import msgspec
from tests.properties.million.reference import (
    D60,
    D65,
    FIXED,
    LT3,
    LT4,
    STRENGTHS,
    UNIT,
    Amounts,
)

Json = dict[str, Any]
NAMES = {
    "levothyroxine sodium": (LT4,),
    "liothyronine sodium": (LT3,),
    "desiccated thyroid": (D60, D65),
    "levothyroxine and liothyronine 4:1": (FIXED,),
}
UNIT_WORDS = {"microgram": "ug", "mg": "mg"}


class Read(TypedDict, total=False):
    """The elements of any resource that are looked at; the rest is only checked to be JSON."""

    resourceType: str
    status: str
    intent: str
    severity: str
    code: Any
    contained: Any
    result: Any
    medicationCodeableConcept: Any
    medication: Any
    dosageInstruction: Any
    dispenseRequest: Any
    focus: Any
    restriction: Any
    requestedPeriod: Any
    occurrenceDateTime: str
    occurrenceTiming: Any
    action: Any


class Entry(TypedDict):
    """One entry of the answer."""

    fullUrl: str
    resource: Read


class Sent(TypedDict):
    """The answer."""

    resourceType: str
    entry: list[Entry]


_DECODER = msgspec.json.Decoder(Sent)


class Unfit(AssertionError):
    """An answer that is not what an answer may be."""


def need(holds: bool, what: str) -> None:
    """Refuse an answer of which this does not hold."""
    if not holds:
        raise Unfit(what)


@dataclass(slots=True)
class Order:
    """One instruction of a MedicationRequest."""

    medicine: str
    strength: float
    each: float
    """Tablets at a time."""
    times: int
    first: int
    last: int
    """Days of the plan, both included."""
    request: int = 0
    """Of which request it is, by number."""

    @property
    def daily(self) -> float:
        """Of the product's unit."""
        return self.each * self.times * self.strength


RESERVE_DAYS = 14
"""Past the last day of a plan: our judgement."""


@dataclass(slots=True)
class Span:
    """One medicine at one daily amount over days without a gap."""

    first: int
    last: int
    amount: float


@dataclass(slots=True)
class Part:
    """The series, or one option: its orders, and the days on which older orders end."""

    orders: list[Order]
    ends: dict[str, int]
    """Reference of what is ended → the first day without it."""

    def spans(self, medicine: str) -> list[Span]:
        """The amounts of one medicine in order, tablets of several strengths added up."""
        together: dict[tuple[int, int], float] = {}
        for order in self.orders:
            if order.medicine == medicine:
                days = (order.first, order.last)
                together[days] = together.get(days, 0.0) + order.daily
        return [Span(*days, amount) for days, amount in sorted(together.items())]


class Answer:
    """The resources of one answer by type, and its parts."""

    def __init__(self, body: bytes, start: date) -> None:
        self.bundle = _DECODER.decode(body)
        self.start = start
        self.by_url: dict[str, Read] = {}
        self.by_type: dict[str, list[Read]] = {}
        for entry in self.bundle["entry"]:
            resource = entry["resource"]
            need(entry["fullUrl"] not in self.by_url, "two entries of one fullUrl")
            self.by_url[entry["fullUrl"]] = resource
            self.by_type.setdefault(resource["resourceType"], []).append(resource)

    @property
    def guidance(self) -> Read:
        """The GuidanceResponse, which comes first."""
        first = self.bundle["entry"][0]["resource"]
        need(first["resourceType"] == "GuidanceResponse", "no GuidanceResponse comes first")
        return first

    def all(self, *types: str) -> list[Read]:
        """Every resource of these types."""
        return [resource for name in types for resource in self.by_type.get(name, ())]

    @cached_property
    def working(self) -> dict[str, list[Json]]:
        """The parameters of the working, by name."""
        found: dict[str, list[Json]] = {}
        for contained in self.guidance["contained"]:
            if contained["resourceType"] == "Parameters":
                for parameter in contained["parameter"]:
                    found.setdefault(parameter["name"], []).append(parameter)
        return found

    @cached_property
    def issues(self) -> dict[str, str]:
        """Codes of what was found, with their severity."""
        return {
            issue["code"]["coding"][0]["code"]: issue["severity"]
            for issue in self.all("DetectedIssue")
        }

    def day(self, iso: str) -> int:
        """A date as a day of the plan."""
        return (date.fromisoformat(iso) - self.start).days

    @cached_property
    def series(self) -> Part:
        """What is proposed without a condition."""
        return self._part(r for r in self.bundle_requests() if r["intent"] == "proposal")

    @cached_property
    def options(self) -> list[Part]:
        """The branches of the checkpoint, in their order."""
        (group,) = self.all("RequestGroup", "RequestOrchestration")
        (point,) = group["action"]
        need(point["selectionBehavior"] == "exactly-one", "not exactly one option is taken")
        found = []
        for option in point["action"]:
            leaves = [self.by_url[leaf["resource"]["reference"]] for leaf in option["action"]]
            need(all(leaf["intent"] == "option" for leaf in leaves), "an option is no option")
            found.append(self._part(leaves))
        return found

    def bundle_requests(self) -> list[Read]:
        """Orders and the tasks that end others."""
        return self.all("MedicationRequest", "Task")

    def lab_days(self, intent: str) -> set[int]:
        """The days on which thyroid blood is drawn; other checks name a finding."""
        days = set()
        for request in self.all("ServiceRequest"):
            if request["intent"] == intent and "supportingInfo" not in request:
                single = request.get("occurrenceDateTime")
                events = [single] if single else request["occurrenceTiming"]["event"]
                days |= {self.day(event) for event in events}
        return days

    def _part(self, requests: Iterable[Read]) -> Part:
        part = Part([], {})
        for request in requests:
            if request["resourceType"] == "MedicationRequest":
                own = self._orders(request)
                part.orders += [replace(one, request=len(part.orders)) for one in own]
            elif "focus" in request:  # a review on its day ends nothing
                period = request.get("requestedPeriod") or request["restriction"]["period"]
                part.ends[request["focus"]["reference"]] = self.day(period["start"])
        return part

    def _orders(self, request: Read) -> list[Order]:
        """One for each instruction; they follow each other, or are of two times of day."""
        need(request["status"] == "draft", "an order that is no draft")
        orders = [self._order(request, dosage) for dosage in request["dosageInstruction"]]
        dispensed = request["dispenseRequest"]
        supply = dispensed["expectedSupplyDuration"]
        last = orders[-1].last
        reserve = supply["value"] - (last - orders[0].first + 1)
        need(supply["code"] == "d" and reserve in (0, RESERVE_DAYS), "supply")
        a_day = sum(order.each * order.times for order in orders if order.last == last)
        taken = sum(o.each * o.times * (o.last - o.first + 1) for o in orders)
        needed = taken + a_day * float(reserve)
        need(needed <= dispensed["quantity"]["value"] < needed + 1, "supply does not fit the days")
        return orders

    def _order(self, request: Read, dosage: Read) -> Order:
        medicine, strength = product(request)
        when = dosage["timing"]["repeat"]
        need((when["period"], when["periodUnit"]) == (1, "d"), "an order that is not by the day")
        doses = {d["type"]["coding"][0]["code"]: d["doseQuantity"] for d in dosage["doseAndRate"]}
        need(doses["ordered"]["code"] == "{tbl}", "a dose that is not in tablets")
        order = Order(
            medicine,
            strength,
            float(doses["ordered"]["value"]),
            when["frequency"],
            self.day(when["boundsPeriod"]["start"]),
            self.day(when["boundsPeriod"]["end"]),
        )
        if "calculated" in doses:
            said = doses["calculated"]
            need(said["code"] == UNIT[medicine], "a dose in another unit than the product's")
            need(said["value"] == order.each * strength, "tablets and mass differ")
        return order


def product(request: Read) -> tuple[str, float]:
    """The medicine and strength that an order names in words."""
    concept = request.get("medicationCodeableConcept") or request["medication"]["concept"]
    return named(concept["text"])


@lru_cache(maxsize=256)
def named(words: str) -> tuple[str, float]:
    """A product that is on the market, by generic name and strength."""
    name = next((name for name in sorted(NAMES, key=len) if words.startswith(f"{name} ")), "")
    need(bool(name), f"an unknown product: {words}")
    amount, unit, _ = words.removeprefix(f"{name} ").split(" ")
    strength = Fraction(amount.partition("/")[0])
    for medicine in NAMES[name]:
        if strength in STRENGTHS[medicine] and UNIT_WORDS[unit] == UNIT[medicine]:
            return medicine, float(strength)
    raise Unfit(f"no such tablet: {words}")


def amounts_of(spans: dict[str, list[Span]], day: int) -> Amounts:
    """What is taken on a day."""
    return {
        medicine: span.amount
        for medicine, own in spans.items()
        for span in own
        if span.first <= day <= span.last
    }


def change_days(spans: dict[str, list[Span]]) -> list[int]:
    """The days on which a dose begins or has ended."""
    days = {day for own in spans.values() for span in own for day in (span.first, span.last + 1)}
    return sorted(days)


def values(parameter: Json) -> Iterator[tuple[str, Any]]:
    """The parts of a parameter: name and value."""
    for part in parameter.get("part", ()):
        value = next((part[key] for key in part if key.startswith("value")), part)
        yield part["name"], value
