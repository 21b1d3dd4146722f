"""Whether a decision is due in a running plan, when somebody happens to open the chart.

A chart is opened many times for each decision, so that most often there is none. What an earlier
visit has answered is not due again: its answer is carried by the orders that were made of it.
"""

from collections.abc import Iterator
from enum import StrEnum

from crossgrain.core.next_step import NextStep
from crossgrain.core.proposal import Outcome
from crossgrain.core.standing import Standing
from crossgrain.reading.record import MarkedOrder
from crossgrain.safety.visit import DosesTaken, LabsSay, Precedence


class Due(StrEnum):
    """Why a decision is due, the gravest first."""

    FOUND = "found"  # an emergency, a pregnancy, or a rule that stops the plan
    UNTOLD = "untold"  # where the patient stands cannot be told
    REPORTED = "reported"  # symptoms, or days missed
    NEWS = "news"  # what is new in the record speaks against a rise
    LABS_BACK = "labs-back"
    LABS_OVERDUE = "labs-overdue"
    SUPPLY = "supply"  # what the plan gives next is not ordered, or not signed
    NOT_MEANT = "not-meant"  # a filed order still stands that the plan has left behind


_REPORTED = {DosesTaken.GAP, DosesTaken.MISSED, DosesTaken.STOPPED}


def decision_due(step: NextStep, supply_days: int) -> Due | None:
    """Why a decision is due today; ``None`` where none is, or no plan runs.

    Parameters
    ----------
    supply_days : how long before its first day an order has to be signed
    """
    standing = step.standing
    if standing is None:
        return Due.UNTOLD
    if standing.series is None:
        return None
    return _spoken_for(step, standing) or _supply(step, supply_days)


def _spoken_for(step: NextStep, standing: Standing) -> Due | None:
    """What the table's answer was given for, unless it is the plan's own dates."""
    stage, visit = standing.decision.stage, standing.visit
    if stage in {Precedence.EMERGENCY, Precedence.RULE} or step.proposal.outcome is Outcome.STOP:
        return Due.FOUND
    if stage is Precedence.PACE or (stage is Precedence.READING and visit.taking in _REPORTED):
        return Due.REPORTED
    if stage is Precedence.FINDING:
        return Due.NEWS
    if stage not in {Precedence.READING, Precedence.LABS}:
        return None
    if standing.decision.changes_nothing:  # labs are there, and too early to speak
        return None
    return Due.LABS_OVERDUE if visit.labs is LabsSay.OVERDUE else Due.LABS_BACK


def _supply(step: NextStep, supply_days: int) -> Due | None:
    plan = step.proposal.plan
    ordered = (made.first_day for made in plan.prescriptions) if plan else ()
    due = any(day <= supply_days for day in ordered) or any(to_be_signed(step, supply_days))
    if due:
        return Due.SUPPLY
    signed = {one.reference for one in step.proposal.record.marked if one.signed}
    left = any(order.reference in signed for order in step.replaced.ended)
    return Due.NOT_MEANT if left else None


def to_be_signed(step: NextStep, supply_days: int) -> Iterator[MarkedOrder]:
    """The filed orders of the plan that stand, begin soon or have begun, and nobody has signed."""
    as_of = step.proposal.request.as_of
    marked = {one.reference: one for one in step.proposal.record.marked}
    for order in step.replaced.kept:
        one = marked.get(order.reference)
        soon = (order.ordered.first_day - as_of).days <= supply_days
        if one is not None and not one.signed and soon and order.ordered.last_day >= as_of:
            yield one
