"""The chart of a small invented EHR: what is filed of an answer, and what is taken by it.

It does what a clinic's system does with any plan. Proposals become orders under their own marks;
what a request `replaces`, or names as its `priorPrescription`, ends where the new one begins. A
`Task` with the code ``abort`` ends its focus on its day, one with ``suspend`` puts it on hold, and
one without a code keeps the dose of its focus; where an order is held so, today's dose is ordered
anew when its own order ends. A `Task` that comes again with another status is changed: on hold or
cancelled it ends nothing. Options of a plan that another has replaced are void; its acts are not,
but where an answer says so. Of the doses it knows what the orders say, and nothing of the service.
"""

import copy
from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import timedelta
from typing import Any

from tests.properties.course.clinic import HowItGoes, Result
from tests.properties.course.door import Json, service
from tests.properties.course.patients import Patient, timed
from tests.properties.course.physiology import (
    FREE_T3_RANGE,
    FREE_T4_RANGE,
    TSH_RANGE,
    TimedDoses,
)
from tests.properties.titration.grid import AS_OF, LOINC, UCUM, call_of
from tests.properties.titration.reading import (
    FOREVER,
    Course,
    day_of,
    draws_of,
    ended_on,
    focus_of,
    read_order,
)

TSH, FREE_T4, FREE_T3, PULSE, PREGNANCY = "3016-3", "14920-3", "14928-6", "8867-4", "82810-3"
HORMONES = {TSH, FREE_T4, FREE_T3, "3024-7", "3051-0"}
"""LOINC; free T4 and free T3 by amount or by mass."""
_TAKE_NO_END = ("CarePlan", "RequestGroup", "ServiceRequest")
"""What is revoked where a plan is given up; orders of medicine end."""
_OF_A_PLAN = {
    "extension", "groupIdentifier", "identifier", "basedOn", "priorPrescription",
    "supportingInformation", "text", "note",
}  # fmt: skip
RENEWED_DAYS = 28
"""For how long today's dose is ordered anew while an answer is waited for: ours."""
ABOUT = {"reference": "Patient/p1"}


def iso(day: int) -> str:
    """A day of the course as a date."""
    return (AS_OF + timedelta(day)).isoformat()


def name_of(resource: Json) -> str:
    """How the chart refers to a resource."""
    return f"{resource['resourceType']}/{resource['id']}"


class Chart:
    """One patient's resources by their references."""

    def __init__(self, patient: Patient) -> None:
        call = call_of(patient.case)["parameter"][0]["resource"]
        self._filed: dict[str, Json] = {
            name_of(entry["resource"]): entry["resource"] for entry in call["entry"]
        }
        self._before = {one.reference: timed((one,)) for one in patient.case.taken}
        self._ends: dict[str, int] = {}
        """The first day on which an order, or a medicine from before, is no longer taken."""
        self._held: set[str] = set()
        """Orders that are not to begin for now, or whose dose is kept."""
        self._anew: set[str] = set()
        """Orders whose dose is to be ordered anew should they end first."""
        self._read: Course | None = None

    # --- what is taken --------------------------------------------------------------------------

    def doses(self, day: int) -> TimedDoses:
        """What is to be taken on a day; once all orders have ended, their last dose goes on."""
        return self._of(min(day, self.supplied_until()) if self._orders.doses else day)

    def holes(self, day: int) -> Iterator[str]:
        """Where orders leave a patient without: all from a day on, or one medicine in between."""
        if not self._of(day):
            yield f"nothing is ordered from day {day} on"
        until = max(self.supplied_until(), day)
        by_day = [{medicine for medicine, _ in self._of(at)} for at in range(day - 1, until + 1)]
        for medicine in by_day[0]:
            ordered = [medicine in medicines for medicines in by_day]
            gone = ordered.index(False) if False in ordered else None
            if gone is not None and True in ordered[gone:]:
                yield f"no {medicine} from day {day - 1 + gone} on, and again later"

    def _of(self, day: int) -> TimedDoses:
        found = dict(self._orders.single(day))
        for reference, doses in self._before.items():
            if day < self._ends.get(reference, FOREVER):
                for key, amount in doses.items():
                    found[key] = found.get(key, 0.0) + amount
        return found

    @property
    def _orders(self) -> Course:
        """Every order that was signed, cut off where it was ended."""
        if self._read is None:
            self._read = Course(0)
            for reference in self._signed():
                self._read.doses += self._course_of(reference).doses
        return self._read

    def _signed(self) -> list[str]:
        return [
            reference
            for reference, each in self._filed.items()
            if each["resourceType"] == "MedicationRequest" and each["intent"] == "order"
        ]

    def supplied_until(self) -> int:
        """The last day of which an order tells a dose."""
        return max((dose.last for dose in self._orders.doses), default=-1)

    def draws(self) -> set[int]:
        """The days for which blood is ordered."""
        return {
            draw.day
            for request in self._filed.values()
            if request["resourceType"] == "ServiceRequest" and request["status"] == "active"
            for draw in draws_of(request)
            if draw.code in HORMONES
        }

    def decision(self) -> int | None:
        """The day on which the plan that stands wants its labs read."""
        return next(
            (
                day_of(point["timingDateTime"])
                for group in self._filed.values()
                if group["resourceType"] == "RequestGroup" and group["status"] == "active"
                for point in group["action"]
                if "timingDateTime" in point
            ),
            None,
        )

    # --- what is filed --------------------------------------------------------------------------

    def file(self, bundle: Json, day: int) -> None:
        """Accept an answer: its series is signed, and what it takes the place of ends."""
        named = {
            entry["fullUrl"]: name_of(entry["resource"])
            for entry in bundle["entry"]
            if "id" in entry["resource"]
        }
        new = [_renamed(entry["resource"], named) for entry in bundle["entry"]]
        kept = ("CarePlan", "MedicationRequest", "ServiceRequest", "Task", "RequestGroup")
        new = [resource for resource in new if resource["resourceType"] in kept]
        for resource in new:
            for replaced in resource.get("replaces", ()):
                self._revoke(replaced["reference"], day)
        for resource in new:
            self._take_back(self._filed.get(name_of(resource), {}))
            self._filed[name_of(resource)] = _accepted(resource)
        for resource in new:
            if resource.get("intent") == "proposal":
                self._end_what_it_ends(resource)
                self._hold_what_it_holds(resource)
        if any(resource["resourceType"] == "CarePlan" for resource in new):
            self._held.clear()  # what an answer still means of them it has ordered anew
            self._anew.clear()
        self._read = None

    def prescribe(self, day: int, orders: list[Json]) -> None:
        """Orders written by hand, in the place of everything that is taken and planned."""
        for reference, each in list(self._filed.items()):
            if each.get("status") == "active" and each["resourceType"] in _TAKE_NO_END:
                self._revoke(reference, day)
        for reference in (*self._signed(), *self._before):
            self._end(reference, day)
        self._held.clear()
        self._anew.clear()
        for order in orders:
            self._filed[name_of(order)] = order
        self._read = None

    def ends_from_before(self) -> list[int]:
        """The days from which medicines from before the plan are no longer taken."""
        return sorted(self._ends[each] for each in self._before if each in self._ends)

    def changed(self, day: int) -> int:
        """The day on which what is taken last changed before a day; 0 where it never did."""
        return next((at for at in range(day, 0, -1) if self.doses(at) != self.doses(at - 1)), 0)

    def _revoke(self, reference: str, day: int) -> None:
        """A plan, its checkpoint or a draw whose place another has taken."""
        resource = self._filed.get(reference)
        if resource is None:
            return
        resource["status"] = "revoked"
        if resource["resourceType"] != "CarePlan":
            return
        for other, each in list(self._filed.items()):
            tied = {"reference": reference} in each.get("basedOn", ())
            if tied and each.get("intent") == "option":
                del self._filed[other]  # a draft that nobody chose

    def _take_back(self, task: Json) -> None:
        """Let a task that is filed anew end nothing by what it said before."""
        if focus_of(task) and self._ends.get(focus_of(task)) == ended_on(task):
            del self._ends[focus_of(task)]

    def _end_what_it_ends(self, resource: Json) -> None:
        if focus_of(resource):
            self._end(focus_of(resource), ended_on(resource))
        if resource["resourceType"] == "MedicationRequest":
            own = Course(0)
            read_order(resource, own)
            begins = min(dose.first for dose in own.doses)
            named = [
                resource.get("priorPrescription", {}),
                *resource.get("supportingInformation", ()),
            ]
            for reference in {each.get("reference") for each in named} & set(self._signed()):
                self._end(str(reference), begins)

    def _hold_what_it_holds(self, resource: Json) -> None:
        """Put the focus of an act on hold; what has begun goes on until it would rise."""
        if resource["resourceType"] != "Task" or focus_of(resource) or "focus" not in resource:
            return
        reference = resource["focus"]["reference"]
        self._held.add(reference)
        until = day_of(resource["restriction"]["period"]["end"])
        suspended = "coding" in resource["code"]
        self._end(reference, 0 if suspended else until + 1)

    def orders_of(self, medicine: str, day: int) -> set[str]:
        """The signed orders by which a medicine is taken on a day."""
        return {
            reference
            for reference in self._signed()
            if any(key == medicine for key, _ in self._course_of(reference).single(day))
        }

    def order_anew(self, references: Iterable[str]) -> None:
        """What an answer that asks or stops says is to go on."""
        self._anew = set(references)

    def renew(self, day: int) -> None:
        """Order the dose of yesterday anew where an answer says so, or holds back today's order."""
        held = {medicine for medicine, _ in self._would_be_taken()}
        gone = {key for key in self.doses(day - 1) if key not in self._of(day)}
        for reference in list(self._signed()):
            own = self._course_of(reference).single(day - 1)
            goes_on = reference in self._anew
            if any(key in gone and (goes_on or key[0] in held) for key in own):
                self._copy(reference, day)
        self._read = None

    def _would_be_taken(self) -> set[tuple[str, str]]:
        every: set[tuple[str, str]] = set()
        for reference in self._held:
            own = Course(0)
            read_order(self._filed[reference], own)
            every |= {key for dose in own.doses for key in own.single(dose.first)}
        return every

    def _course_of(self, reference: str) -> Course:
        """One order's doses up to its end."""
        own = Course(0)
        read_order(self._filed[reference], own)
        ends = self._ends.get(reference, FOREVER)
        own.doses = [
            replace(dose, last=min(dose.last, ends - 1)) for dose in own.doses if dose.first < ends
        ]
        return own

    def _copy(self, reference: str, day: int) -> None:
        """The same dose from a day on, as any prescriber renews it: without the plan's marks."""
        before = self._filed[reference]
        order = {key: before[key] for key in before if key not in _OF_A_PLAN}
        order["id"] = f"{before['id']}-{day}"
        order["dosageInstruction"] = [
            each
            for dosage in before["dosageInstruction"]
            if (each := _dated_anew(dosage, day)) is not None
        ]
        self._filed[name_of(order)] = order
        if reference in self._anew:
            self._anew.add(name_of(order))

    def _end(self, reference: str, day: int) -> None:
        self._ends[reference] = min(day, self._ends.get(reference, FOREVER))

    # --- what comes in --------------------------------------------------------------------------

    def add(self, result: Result) -> None:
        """Results as the laboratory sends them."""
        found = result.found
        for code, value, unit, limits in (
            (TSH, found.tsh, "m[IU]/L", TSH_RANGE),
            (FREE_T4, found.free_t4, "pmol/L", FREE_T4_RANGE),
            (FREE_T3, found.free_t3, "pmol/L", FREE_T3_RANGE),
        ):
            body = _observed(code, result.day)
            body["valueQuantity"] = _amount(value, unit)
            low, high = (_amount(limit, unit) for limit in limits)
            body["referenceRange"] = [{"low": low, "high": high}]
            self._filed[name_of(body)] = body
        for request in self._filed.values():
            if request["resourceType"] == "ServiceRequest" and request["status"] == "active":
                days = [draw.day for draw in draws_of(request)]
                if len(days) == 1 and days[0] <= result.day:
                    request["status"] = "completed"

    def ask(self, day: int, how: HowItGoes) -> None:
        """What the patient answers at a visit, the pulse that is counted, and no pregnancy."""
        pulse = {**_observed(PULSE, day), "valueQuantity": _amount(how.pulse, "/min")}
        self._filed[name_of(pulse)] = pulse
        for resource in self._filed.values():
            if resource.get("code", {}).get("coding", [{}])[0].get("code") == PREGNANCY:
                resource["effectiveDateTime"] = iso(day)
        said: dict[str, object] = {
            "palpitations": how.palpitations,
            "chest-pain": False,
            "jitters": how.jitters,
            "fatigue": how.fatigue,
            "missed-days": how.missed_days,
        }
        kinds = {bool: "valueBoolean", int: "valueInteger"}
        answered = [
            {"linkId": link, "answer": [{kinds[type(value)]: value}]}
            for link, value in said.items()
        ]
        self._filed[f"QuestionnaireResponse/q-{day}"] = {
            "resourceType": "QuestionnaireResponse",
            "id": f"q-{day}",
            "questionnaire": service().questionnaire,
            "status": "completed",
            "subject": ABOUT,
            "authored": iso(day),
            "item": answered,
        }

    def record(self, day: int) -> Json:
        """All of it as of a day, as the EHR would send it."""
        entries = [{"resource": one} for one in map(self._as_of(day), self._filed.items())]
        return {"resourceType": "Bundle", "type": "collection", "entry": entries}

    def _as_of(self, day: int) -> Any:
        def seen(item: tuple[str, Json]) -> Json:
            reference, resource = item
            ends = self._ends.get(reference, FOREVER)
            if resource["resourceType"] == "MedicationStatement" and ends <= day:
                period = {**resource["effectivePeriod"], "end": iso(ends - 1)}
                return {**resource, "status": "completed", "effectivePeriod": period}
            if resource["resourceType"] == "MedicationRequest" and resource["intent"] == "order":
                seen = _order_as_of(resource, ends, day)
                waits = reference in self._held and seen["status"] == "cancelled"
                return {**seen, "status": "on-hold"} if waits else seen
            if resource["resourceType"] == "Task" and resource["status"] == "requested":
                done = focus_of(resource) and ended_on(resource) <= day
                return {**resource, "status": "completed"} if done else resource
            return resource

        return seen


def _order_as_of(request: Json, ends: int, day: int) -> Json:
    """An order as the EHR keeps it: its dates cut off on the day on which it was ended."""
    own = Course(0)
    read_order(request, own)
    first, last = min(d.first for d in own.doses), max(d.last for d in own.doses)
    if ends <= first:
        return {**request, "status": "cancelled"} if ends <= day else request
    if ends <= min(day, last):
        cut = copy.deepcopy(request)
        cut["status"] = "stopped"
        cut["dosageInstruction"] = list(_cut_off(cut["dosageInstruction"], ends))
        return cut
    return {**request, "status": "completed"} if last < day else request


def _dated_anew(dosage: Json, day: int) -> Json | None:
    """An instruction of the day before, from this day on; nothing where it was for other days."""
    bounds = dosage["timing"]["repeat"]["boundsPeriod"]
    if not day_of(bounds["start"]) < day <= day_of(bounds["end"]) + 1:
        return None
    anew = copy.deepcopy(dosage)
    anew["timing"]["repeat"]["boundsPeriod"] = {
        "start": iso(day),
        "end": iso(day + RENEWED_DAYS - 1),
    }
    anew.pop("text", None)
    return anew


def _cut_off(instructions: Iterable[Json], ends: int) -> Iterator[Json]:
    for dosage in instructions:
        bounds = dosage["timing"]["repeat"]["boundsPeriod"]
        if day_of(bounds["start"]) < ends:
            bounds["end"] = min(bounds["end"], iso(ends - 1))
            dosage.pop("text", None)
            yield dosage


def _accepted(resource: Json) -> Json:
    """A proposal as it stands once a prescriber has signed it; what waits for a choice stays."""
    if resource.get("intent") != "proposal":
        return resource
    match resource["resourceType"]:
        case "CarePlan" | "RequestGroup":
            return {**resource, "status": "active", "intent": "plan"}
        case "Task":
            return {**resource, "status": "requested", "intent": "order"}
    return {**resource, "status": "active", "intent": "order"}


def _renamed(node: Any, named: dict[str, str]) -> Any:
    if isinstance(node, str):
        return named.get(node, node)
    if isinstance(node, dict):
        return {key: _renamed(value, named) for key, value in node.items()}
    return [_renamed(each, named) for each in node] if isinstance(node, list) else node


def _observed(code: str, day: int) -> Json:
    return {
        "resourceType": "Observation",
        "id": f"r-{code}-{day}",
        "status": "final",
        "subject": ABOUT,
        "code": {"coding": [{"system": LOINC, "code": code}]},
        "effectiveDateTime": iso(day),
    }


def _amount(value: float, unit: str) -> Json:
    return {"value": value, "unit": unit, "system": UCUM, "code": unit}
