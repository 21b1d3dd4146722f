"""What is swallowed, day by day, under either prior therapy: the chosen one and the other.

A plan carries only its own steps. Stopping needs no search: the new doses are the same and
the old ones end, or fall to their new dose, on day 0. Tapering does need one, so where the
plan stops the old medicine the taper is planned again.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from crossgrain.catalogue import Catalogue
from crossgrain.core.proposal import Proposal
from crossgrain.core.propose import propose
from crossgrain.dosing.forecast import Period
from crossgrain.dosing.moves import total_intake
from crossgrain.dosing.plan import LineDose, Part, Plan, PriorTherapy, Step
from crossgrain.dosing.preparations import Kind
from crossgrain.dosing.regimens import Regimen
from crossgrain.dosing.targets import TargetDose


@dataclass(frozen=True, slots=True)
class Mode:
    """One prior therapy: everything swallowed, and the old medicine's part of it alone."""

    prior_therapy: PriorTherapy
    whole: tuple[Period, ...]
    old: tuple[Period, ...]


def modes(proposal: Proposal, plan: Plan, catalogue: Catalogue) -> tuple[Mode, ...]:
    """The plan's own way first, then the other, both over the plan's days."""
    own = _mode(plan.prior_therapy, plan.steps, lambda line: line.amount)
    if plan.prior_therapy is PriorTherapy.OVERLAP:
        stopping = _stopping(proposal.record.regimen, plan.checkpoint.dose)
        return own, _mode(PriorTherapy.STOP, plan.steps, stopping)
    request = replace(proposal.request, prior_therapy=PriorTherapy.OVERLAP)
    tapered = propose(proposal.record, request, catalogue).plan
    if tapered is None:
        return (own,)
    other = _mode(PriorTherapy.OVERLAP, tapered.steps, lambda line: line.amount)
    days = plan.steps[-1].last_day + 1
    return own, replace(other, whole=_over(other.whole, days), old=_over(other.old, days))


def _mode(
    prior_therapy: PriorTherapy, steps: Sequence[Step], amount: Callable[[LineDose], Fraction]
) -> Mode:
    def periods(wanted: Callable[[LineDose], bool]) -> tuple[Period, ...]:
        return tuple(
            Period(
                step.days,
                total_intake(
                    (line.preparation, amount(line)) for line in step.lines if wanted(line)
                ),
            )
            for step in steps
        )

    return Mode(prior_therapy, periods(lambda _: True), periods(lambda line: line.part is Part.OLD))


def _stopping(regimen: Regimen, goal: TargetDose) -> Callable[[LineDose], Fraction]:
    """The amount of a line of a taper once the old medicine is stopped instead."""

    def amount(line: LineDose) -> Fraction:
        if line.part is Part.OLD:
            return Fraction(0)
        reached = _amount_in(goal, line)
        falls = line.part is Part.SHARED and reached < _taken(regimen, line.preparation.kind)
        return reached if falls else line.amount

    return amount


def _amount_in(dose: TargetDose, line: LineDose) -> Fraction:
    if line.preparation.mg_per_grain:
        return dose.grains * line.preparation.mg_per_grain
    return dose.lt3_ug if line.preparation.kind is Kind.LIOTHYRONINE else dose.lt4_ug


def _taken(regimen: Regimen, kind: Kind) -> Fraction:
    return sum((line.daily for line in regimen if line.preparation.kind is kind), Fraction(0))


def _over(periods: Iterable[Period], days: float) -> tuple[Period, ...]:
    """The periods up to a day, the last one drawn out to it where they end before."""
    kept: list[Period] = []
    left = days
    for period in periods:
        if left <= 0:
            break
        kept.append(replace(period, days=min(period.days, left)))
        left -= period.days
    if left > 0:
        kept[-1] = replace(kept[-1], days=kept[-1].days + left)
    return tuple(kept)
