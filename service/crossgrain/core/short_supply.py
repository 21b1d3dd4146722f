"""Medicines that a plan from today on has taken as now, past the last day of today's orders.

No tablets that can be had make the dose, so none is ordered for it. Whoever reads the plan is told
of it, with the day: hormone is never to end because nobody was asked.
"""

from collections.abc import Iterator
from datetime import date, timedelta

from crossgrain.dosing.plan import Plan
from crossgrain.dosing.steps import LineDose
from crossgrain.dosing.underway import Underway
from crossgrain.names.printing import quantity
from crossgrain.names.values import frozen
from crossgrain.safety.rule import Finding, Severity

NO_TABLETS = "no-tablets"
_DO = (
    "Find tablets that make it, or settle what is taken instead, before that day. What is taken"
    " today goes on until then."
)
_SOURCE = "our judgement: hormone does not end because tablets are missing"


@frozen
class Shortage:
    """A dose that is ordered for fewer days than it is to be taken.

    Attributes
    ----------
    line : the medicine and its dose
    until : the last day that it is ordered for, from the plan's first; below 0 it is past
    wanted_until : the last day on which the plan has it
    """

    line: LineDose
    until: int
    wanted_until: int

    def said(self, day_one: date) -> str:
        """From which day on nothing gives the dose."""
        preparation = self.line.preparation
        last, wanted = day_one + timedelta(self.until), day_one + timedelta(self.wanted_until)
        after = day_one + timedelta(max(self.until + 1, 0))
        return (
            f"{preparation.generic_name[:1].upper()}{preparation.generic_name[1:]}"
            f" {quantity(self.line.amount, preparation.unit)} a day is ordered until"
            f" {last.isoformat()} and is to be taken until {wanted.isoformat()}: no tablets that"
            f" can be had make it from {after.isoformat()} on."
        )

    def finding(self, day_one: date) -> Finding:
        """The same beside a plan that goes on all the same."""
        return Finding(
            code=NO_TABLETS,
            title="No tablets for a dose that goes on",
            severity=Severity.HOLD,
            statement=self.said(day_one),
            action=_DO,
            origins=(),
            source=_SOURCE,
        )


def shortages(plan: Plan, underway: Underway) -> tuple[Shortage, ...]:
    """Every medicine of the series that is taken as now for longer than it is ordered."""
    return tuple(_short(plan, dict(underway.ends)))


def _short(plan: Plan, ends: dict[str, int]) -> Iterator[Shortage]:
    wanted: dict[str, tuple[LineDose, int]] = {}
    for step in plan.steps:
        for line in step.lines:
            if line.tablets is None and line.preparation.id in ends:
                wanted[line.preparation.id] = line, step.last_day
    for key, (line, last) in wanted.items():
        if ends[key] < last:
            yield Shortage(line, ends[key], last)
