"""The plan and the record behind an answer: steps that its orders add up to, doses as written."""

from collections.abc import Iterable
from fractions import Fraction

from tests.properties.million.answers import (
    Answer,
    amounts_of,
    need,
)
from tests.properties.million.days import Spans, option_spans, series_spans, standing_orders
from tests.properties.million.reference import (
    D60,
    D65,
    FIXED,
    LT3,
    LT4,
)
from tests.properties.million.truth import Person

from crossgrain.core.proposal import Proposal
from crossgrain.dosing.steps import Step

PREPARATIONS = {
    "levothyroxine": LT4, "liothyronine": LT3, "desiccated-thyroid-60": D60,
    "desiccated-thyroid-65": D65, "fixed-ratio-4-1": FIXED,
}  # fmt: skip


def check_against(person: Person, proposal: Proposal, answer: Answer) -> None:
    """The record was read as it was meant, and the orders add up to the steps of the plan."""
    read: dict[str, Fraction] = {}
    for line in proposal.record.regimen:
        medicine = PREPARATIONS[line.preparation.id]
        read[medicine] = read.get(medicine, Fraction(0)) + line.daily
    meant: dict[str, Fraction] = {}
    for one in person.taken:
        meant[one.medicine] = meant.get(one.medicine, Fraction(0)) + one.daily
    need(read == meant, "another dose was read than is written")
    plan = proposal.plan
    if plan is None:
        return
    decision = plan.checkpoint.decision_day
    spans = series_spans(person, answer.series, decision)
    _check_steps(plan.steps, spans)
    held = amounts_of(spans, decision - 1)
    standing = standing_orders(person, answer)
    for branch, part in zip(plan.checkpoint.branches, answer.options, strict=True):
        _check_steps(branch.steps, option_spans(part, held, standing, decision))


def _check_steps(steps: Iterable[Step], spans: Spans) -> None:
    for step in steps:
        planned = {PREPARATIONS[line.preparation.id]: float(line.amount) for line in step.lines}
        for day in (step.first_day, step.last_day):
            need(amounts_of(spans, day) == planned, "the orders of a day are not the plan's doses")
