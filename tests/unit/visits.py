"""Charts of an invented patient in the midst of a plan, as an EHR holds them on a day of it.

The plan is the service's own, proposed on day one and taken up; each order is signed on the day on
which it begins. Days count from day one.
"""

import copy
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from functools import lru_cache
from typing import Any

from tests.unit.reading.records import (
    CATALOGUE,
    COMBINING,
    LOINC,
    PATIENT,
    SNOMED,
    SUBJECT,
    Json,
    bundle,
    encoded,
    read_bundle,
    ucum,
)

from crossgrain.core.proposal import SwitchRequest
from crossgrain.core.propose import propose
from crossgrain.core.standing import Standing, UnknownStanding, standing_of
from crossgrain.dosing.plan import Plan
from crossgrain.dosing.targets import Target
from crossgrain.names.identity import HOW_IT_GOES, FhirVersion
from crossgrain.reading.given_plan import marks_in
from crossgrain.reading.json import parse
from crossgrain.reading.reader import doses_by_date
from crossgrain.reading.record import Question, Record
from crossgrain.screening.course import Undecided
from crossgrain.writing.answer import answer_bundle
from crossgrain.writing.forms import to_json

DAY_ONE = date(2025, 3, 3)
LOOK: dict[str, Any] = {
    "version": FhirVersion.R4,
    "codes": CATALOGUE.codes,
    "preparations": CATALOGUE.preparations,
}


def on(day: int) -> str:
    return (DAY_ONE + timedelta(day)).isoformat()


def hypothyroid() -> Json:
    return diagnosis("40930008", -2000)


def diagnosis(code: str, day: int) -> Json:
    return {
        "resourceType": "Condition",
        "id": f"c-{code}",
        "clinicalStatus": {"coding": [{"code": "active"}]},
        "code": {"coding": [{"system": SNOMED, "code": code}]},
        "onsetDateTime": on(day),
        "subject": SUBJECT,
    }


def taking(
    text: str, dose: Json, first: int | None = -400, last: int | None = None, **more: Any
) -> Json:
    """A statement of what is, or was, taken every day."""
    period = {} if first is None else {"start": on(first)}
    if last is not None:
        period["end"] = on(last)
    return {
        "resourceType": "MedicationStatement",
        "id": f"s-{text.replace(' ', '-')}-{first}",
        "status": "active" if last is None else "completed",
        "medicationCodeableConcept": {"text": text},
        "subject": SUBJECT,
        "effectivePeriod": period,
        "dosage": [
            {
                "timing": {"repeat": {"frequency": 1, "period": 1, "periodUnit": "d"}},
                "doseAndRate": [{"doseQuantity": dose}],
            }
        ],
        **more,
    }


LT4_TEXT = "levothyroxine 100 micrograms tablet"


def old(last: int | None = None) -> Json:
    """Levothyroxine 100 micrograms, as before day one."""
    return taking(LT4_TEXT, ucum(100, "ug"), last=last)


def drawn(code: str, value: str, unit: str, day: int, **more: Any) -> Json:
    return {
        "resourceType": "Observation",
        "id": f"o-{code}-{day}-{value.replace('.', '-')}",
        "status": "final",
        "code": {"coding": [{"system": LOINC, "code": code}]},
        "subject": SUBJECT,
        "effectiveDateTime": on(day),
        "valueQuantity": {"value": Decimal(value), "system": ucum(1, "1")["system"], "code": unit},
        **more,
    }


def tsh(value: str, day: int, **more: Any) -> Json:
    return drawn("3016-3", value, "m[IU]/L", day, **more)


def free_t3(value: str, day: int) -> Json:
    """In pmol/L, with the laboratory's range."""
    low, high = (
        {"value": Decimal(each), "system": ucum(1, "1")["system"], "code": "pmol/L"}
        for each in ("3.1", "6.8")
    )
    return drawn("14928-6", value, "pmol/L", day, referenceRange=[{"low": low, "high": high}])


def pulse(value: str, day: int) -> Json:
    return drawn("8867-4", value, "/min", day)


def says(day: int, *yes: str, missed: int | None = None) -> Json:
    """The patient's answers on how it goes."""
    items: list[Json] = [{"linkId": key, "answer": [{"valueBoolean": True}]} for key in yes]
    if missed is not None:
        items.append({"linkId": "missed-days", "answer": [{"valueInteger": missed}]})
    return {
        "resourceType": "QuestionnaireResponse",
        "id": f"q-{day}",
        "questionnaire": HOW_IT_GOES,
        "status": "completed",
        "authored": on(day),
        "subject": SUBJECT,
        "item": items,
    }


@dataclass(frozen=True)
class Proposed:
    """A plan as proposed on day one, and what of it is filed."""

    plan: Plan
    filed: tuple[Json, ...]

    @property
    def care_plan(self) -> Json:
        (found,) = (r for r in self.filed if r["resourceType"] == "CarePlan")
        return {**found, "status": "active", "intent": "plan"}

    def orders(self) -> list[Json]:
        """The orders of the unconditional steps."""
        every = [r for r in self.filed if r["resourceType"] == "MedicationRequest"]
        return [r for r in every if r["intent"] == "proposal" and not _branch(r)]

    def signed(self, until: int) -> list[Json]:
        """Those that have begun by a day, each signed as it began."""
        begun = [o for o in self.orders() if first_day(o) <= on(until)]
        return [{**o, "status": "active", "intent": "order"} for o in begun]

    def step(self, number: int) -> tuple[int, int]:
        """First and last day of a step, from 1."""
        step = self.plan.steps[number - 1]
        return step.first_day, step.last_day

    @property
    def answer(self) -> Json:
        """The whole answer, as it may be given beside a record."""
        entries = [{"resource": each} for each in self.filed]
        return {"resourceType": "Bundle", "type": "collection", "entry": entries}


def _branch(order: Json) -> bool:
    return any(part["url"] == "branch" for each in order["extension"] for part in each["extension"])


def first_day(order: Json) -> str:
    found: str = order["dosageInstruction"][0]["timing"]["repeat"]["boundsPeriod"]["start"]
    return found


@lru_cache
def proposed(target: Target = Target.DESICCATED_THYROID, pace: str = "standard") -> Proposed:
    """From levothyroxine 100 micrograms a day."""
    record = read_bundle(bundle(hypothyroid(), old()), as_of=DAY_ONE)
    request = SwitchRequest(DAY_ONE, DAY_ONE, target, pace=pace, mixture=COMBINING.mixture())
    proposal = propose(record, request, CATALOGUE)
    assert proposal.plan is not None
    answer = answer_bundle(
        proposal, version=FhirVersion.R4, service_version="0.1.0", codes=CATALOGUE.codes
    )
    filed = [entry["resource"] for entry in parse(to_json(answer))["entry"]]
    return Proposed(proposal.plan, tuple(filed))


def chart(made: Proposed, day: int, *beside: Json, signed_until: int | None = None) -> list[Json]:
    """The record on a day of a plan that is followed."""
    until = day if signed_until is None else signed_until
    falls = [
        first_day(o)
        for o in made.orders()
        if "levothyroxine" in o["medicationCodeableConcept"]["text"]
    ]
    turns = (date.fromisoformat(min(falls)) - DAY_ONE).days if falls else None
    before = old(turns - 1 if turns is not None and turns <= until else None)
    return [hypothyroid(), before, made.care_plan, *made.signed(until), *beside]


def stands(
    resources: Iterable[Json],
    day: int,
    *,
    given: Json | None = None,
    stock: Sequence[tuple[str, Any]] = (),
) -> Standing | tuple[Question, ...]:
    """Where the patient stands on a day, by a record of these resources, or what is asked."""
    _, found = where(resources, day, given=given, stock=stock)
    return found.questions if isinstance(found, UnknownStanding) else found


def where(
    resources: Iterable[Json],
    day: int,
    *,
    given: Json | None = None,
    stock: Sequence[tuple[str, Any]] = (),
) -> tuple[Record, Standing | UnknownStanding]:
    """The record of these resources, and where the patient stands by it."""
    as_of = DAY_ONE + timedelta(day)
    content = parse(encoded(bundle(*copy.deepcopy(list(resources)), patient=PATIENT)))
    record = read_bundle(content, as_of=as_of)
    look = {**LOOK, "as_of": as_of}
    try:
        history: Any = doses_by_date(content, **look)
    except Undecided as undecided:
        history = undecided
    marks = marks_in(given, "Plan", content, **look) if given else ()
    request = SwitchRequest(as_of, as_of, stock=tuple(stock), mixture=COMBINING.mixture())
    return record, standing_of(record, history, marks, request, CATALOGUE)
