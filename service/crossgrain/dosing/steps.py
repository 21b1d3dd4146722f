"""What is taken on which days, and what is dispensed for it.

Day 0 is the day that the plan starts. Every period is given by its first and last day,
both included.
"""

from collections.abc import Iterable
from dataclasses import replace
from enum import StrEnum
from fractions import Fraction
from math import ceil

from crossgrain.dosing.preparations import Preparation, total
from crossgrain.dosing.regimens import DoseLine, Regimen
from crossgrain.dosing.tablets import SHARED_WEEK, Piece, Tablets
from crossgrain.names.values import frozen


class SwitchPart(StrEnum):
    """Which side of the switch a medicine is on."""

    OLD = "old"
    NEW = "new"
    SHARED = "shared"  # in both: one line whose dose changes, never stopped and restarted


class Stage(StrEnum):
    """Where in the plan a period lies."""

    CLIMB = "climb"
    HOLD = "hold"  # at the checkpoint dose, waiting for labs
    BRANCH = "branch"  # conditional on those labs


@frozen
class LineDose:
    """One medicine's daily dose during a step.

    Attributes
    ----------
    preparation, amount : what, and how much a day in the preparation's unit
    part : old, new or shared
    tablets : the pieces of one day's dose; ``None`` where the patient goes on with the old
        medicine just as they take it now
    doses_per_day : 2 where the day's dose is taken in two
    times : what is taken at each time, where the day's doses are not alike; else empty
    note : what must be said of it, e.g. that it could not be split
    week : what is taken on each part of a week that two tablets share, see
        `tablets.SHARED_WEEK`; else empty. Then `tablets` are those of a mean day
    """

    preparation: Preparation
    amount: Fraction
    part: SwitchPart
    tablets: Tablets | None
    doses_per_day: int = 1
    note: str = ""
    times: tuple[Tablets, ...] = ()
    week: tuple[Tablets, ...] = ()

    @property
    def has_half(self) -> bool:
        """Whether a tablet must be broken for it."""
        pieces = self.tablets.pieces if self.tablets else ()
        return any(count.denominator != 1 for p in pieces for count in self.counts(p))

    @property
    def single_doses(self) -> tuple[Fraction, ...]:
        """The amount at each of the day's doses, in the preparation's unit."""
        if self.times:
            return tuple(taken.amount for taken in self.times)
        return (self.amount / self.doses_per_day,) * self.doses_per_day

    def counts(self, piece: Piece) -> tuple[Fraction, ...]:
        """Tablets of a product at each of the day's doses; they may differ.

        Of a week that two tablets share, those of a day on which it is taken.
        """
        if self.week:
            each = (p for part in self.week for p in part.pieces)
            return tuple(p.count for p in each if p.strength == piece.strength)
        if not self.times:
            often = self.doses_per_day
            return (piece.count / often if often > 1 else piece.count,) * often
        return tuple(
            total(p.count for p in tablets.pieces if p.strength == piece.strength)
            for tablets in self.times
        )


@frozen
class Step:
    """A period during which every dose is constant. Medicines at zero are left out."""

    stage: Stage
    first_day: int
    last_day: int
    lines: tuple[LineDose, ...]

    @property
    def days(self) -> int:
        """Length in days."""
        return self.last_day - self.first_day + 1

    @property
    def regimen(self) -> Regimen:
        """What is taken in it."""
        return Regimen(tuple(DoseLine(line.preparation, (line.amount,)) for line in self.lines))

    @property
    def t3_ug(self) -> Fraction:
        """All T3 swallowed a day, micrograms."""
        return total(line.preparation.t3_ug(line.amount) for line in self.lines)


@frozen
class OrderedCourse:
    """One medicine at one dose over consecutive steps: what becomes one set of orders."""

    line: LineDose
    stage: Stage
    first_day: int
    last_day: int

    @property
    def days(self) -> int:
        """Length in days."""
        return self.last_day - self.first_day + 1


@frozen
class DoseUse:
    """One product over one course: so many tablets of it a day."""

    course: OrderedCourse
    piece: Piece

    def taken_in(self, days: int) -> Fraction:
        """The most tablets that are taken in so many days in a row."""
        for taken, weekdays in zip(self.course.line.week, SHARED_WEEK, strict=False):
            if self.piece.strength in taken.strengths:
                spans = (
                    sum((first + day) % 7 in weekdays for day in range(days % 7))
                    for first in range(7)
                )
                (each,) = self.course.line.counts(self.piece)
                return each * (days // 7 * len(weekdays) + max(spans))
        return self.piece.count * days


@frozen
class Prescription:
    """What is handed out of one product at one time.

    Attributes
    ----------
    preparation, strength : the product
    uses : what it is taken for, by first day
    reserve_days : days that it reaches beyond its last use, at that use's dose
    fetch_days : days before its first use from which it may be dispensed
    """

    preparation: Preparation
    strength: Fraction
    uses: tuple[DoseUse, ...]
    reserve_days: int
    fetch_days: int

    @property
    def first_day(self) -> int:
        """The day by which it must be fetched."""
        return self.uses[0].course.first_day

    @property
    def fetched_from(self) -> int:
        """The first day on which it may be dispensed."""
        return self.first_day - self.fetch_days

    @property
    def last_day(self) -> int:
        """The last day that it is meant for."""
        return self.uses[-1].course.last_day

    @property
    def days(self) -> int:
        """How long it lasts, reserve included."""
        return self.last_day - self.first_day + 1 + self.reserve_days

    @property
    def tablets(self) -> int:
        """How many are handed out; half a tablet is cut from a whole one, so it is rounded up.

        Where two tablets share the week, as many as are taken whatever day it begins on.
        """
        *before, last = self.uses
        reserved = last.taken_in(last.course.days + self.reserve_days)
        return ceil(sum((use.taken_in(use.course.days) for use in before), reserved))


def courses(steps: Iterable[Step]) -> tuple[OrderedCourse, ...]:
    """Merge consecutive steps in which a medicine's dose does not change.

    Returns one `OrderedCourse` per medicine and dose, ordered by first day; the courses of one
    medicine follow each other without gap or overlap.
    """
    finished: list[OrderedCourse] = []
    running: dict[str, OrderedCourse] = {}
    for step in steps:
        present = {line.preparation.id: line for line in step.lines}
        ended = [medicine for medicine in running if medicine not in present]
        finished.extend(running.pop(medicine) for medicine in ended)
        for medicine, line in present.items():
            course = running.get(medicine)
            if course and course.line == line:
                running[medicine] = replace(course, last_day=step.last_day)
            else:
                if course:
                    finished.append(course)
                running[medicine] = OrderedCourse(line, step.stage, step.first_day, step.last_day)
    finished.extend(running.values())
    return tuple(sorted(finished, key=lambda c: (c.first_day, c.line.part, c.line.preparation.id)))
