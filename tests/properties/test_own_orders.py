"""What the service writes it reads again: its own orders, made active, say the doses of its plan.

The plans are those of the invented records of `million`: every medicine, direction, pace and mode
that a caller may ask for, in R4 and R5, with the orders of all three branches of the checkpoint.
"""

from collections.abc import Iterator, Sequence
from datetime import date, timedelta
from fractions import Fraction

from tests.properties.million.one import sent
from tests.properties.million.people import person
from tests.properties.million.service import Refused, proposed, written
from tests.properties.million.truth import Person
from tests.unit.reading.records import Json, encoded, read_bundle

from crossgrain.core.proposal import Proposal
from crossgrain.dosing.steps import Step
from crossgrain.names.identity import FhirVersion
from crossgrain.reading.json import parse
from crossgrain.reading.record import Record

SEED = 5
RECORDS = 120

Doses = dict[str, Fraction]


def plans() -> Iterator[tuple[Person, Proposal, list[Json]]]:
    """Proposals that hold a plan, with the orders that were written."""
    for number in range(RECORDS):
        made = person(SEED, number)
        try:
            proposal = proposed(made, sent(made))
        except Refused:
            continue
        if proposal.plan is not None:
            tree = parse(written(made, proposal))
            resources = [entry["resource"] for entry in tree["entry"]]
            yield made, proposal, [r for r in resources if r["resourceType"] == "MedicationRequest"]


def as_active(order: Json, written_on: date) -> Json:
    """The order as it stands once a prescriber has signed it."""
    return {**order, "status": "active", "intent": "order", "authoredOn": written_on.isoformat()}


def read_again(made: Person, orders: Sequence[Json], day: date) -> Record:
    """A record of the patient and these orders alone, on a day."""
    patient = next(
        entry["resource"]
        for entry in parse(encoded(made.bundle))["entry"]
        if entry["resource"]["resourceType"] == "Patient"
    )
    active = [as_active(order, made.start) for order in orders]
    resources = [{"resource": resource} for resource in (patient, *active)]
    return read_bundle(
        {"resourceType": "Bundle", "type": "collection", "entry": resources},
        FhirVersion(made.version),
        day,
    )


def ordered(step: Step) -> Doses:
    """The doses of a step that have orders of their own."""
    doses: Doses = {}
    for line in step.lines:
        if line.tablets is not None:
            doses[line.preparation.id] = doses.get(line.preparation.id, Fraction(0)) + line.amount
    return doses


def said(record: Record) -> Doses:
    doses: Doses = {}
    for line in record.regimen.lines:
        doses[line.preparation.id] = doses.get(line.preparation.id, Fraction(0)) + line.daily
    return doses


ASKED_STILL = ("is not plausible",)
"""A dose past what is read without asking is asked about whoever wrote it."""


def check(made: Person, orders: Sequence[Json], steps: Sequence[Step]) -> int:
    """On the first and the last day of each step the orders say its doses; how many days."""
    compared = 0
    days = [(day, step) for step in steps for day in (step.first_day, step.last_day)]
    for day, step in days:
        record = read_again(made, orders, made.start + timedelta(day))
        assert [q for q in record.questions if not any(w in q.question for w in ASKED_STILL)] == []
        if record.questions:
            continue
        compared += 1
        assert said(record) == ordered(step), (made.number, day)
        assert [u for u in record.unread if ".dosageInstruction" in u.expression] == []
    return compared


def branch_of(order: Json) -> str | None:
    """The branch of the checkpoint that an order says it belongs to."""
    (mark,) = order["extension"]
    return next((p["valueCode"] for p in mark["extension"] if p["url"] == "branch"), None)


def test_every_order_that_the_service_writes_says_its_dose_in_words_and_in_codes() -> None:
    checked = 0
    for made, proposal, orders in plans():
        assert proposal.plan is not None
        series = [order for order in orders if order["intent"] != "option"]
        checked += check(made, series, proposal.plan.steps)
        for branch in proposal.plan.checkpoint.branches:
            own = [order for order in orders if branch_of(order) == branch.reading]
            checked += check(made, own, branch.steps)
    assert checked > 600
