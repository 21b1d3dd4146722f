"""What a series of orders must carry, so that it can be known by its content and gone on from.

A series is never known by a label: an order is a step of it only where what it orders is what
it says of itself, and what it says agrees with the other orders of the same plan.
"""

from dataclasses import dataclass
from datetime import date
from fractions import Fraction

from crossgrain.dosing.plan import PriorTherapy
from crossgrain.dosing.regimens import Regimen
from crossgrain.dosing.targets import Mixture, Target, TargetDose

_WEEK = 7
Cycles = tuple[tuple[str, tuple[Fraction, ...]], ...]
"""Preparation id, and the amount of each day of the cycle in the preparation's unit."""


def cycles_of(regimen: Regimen) -> Cycles:
    """A regimen in short: daily and weekly lines of one preparation are added up day by day.

    The mean daily amount of each preparation, from which a plan is made, is unchanged.
    """
    added: dict[tuple[str, int], list[Fraction]] = {}
    for line in regimen:
        length = _WEEK if len(line.cycle) in {1, _WEEK} else len(line.cycle)
        days = line.cycle * (length // len(line.cycle))
        sums = added.setdefault((line.preparation.id, length), [Fraction(0)] * length)
        added[line.preparation.id, length] = [a + b for a, b in zip(sums, days, strict=True)]
    return tuple((key[0], _shortest(days)) for key, days in added.items())


def _shortest(days: list[Fraction]) -> tuple[Fraction, ...]:
    return tuple(days[:1]) if len(set(days)) == 1 else tuple(days)


@dataclass(frozen=True, slots=True)
class SeriesFacts:
    """What every order of one plan says of the plan: enough to compute its checkpoint again.

    Attributes
    ----------
    plan_id : the plan's
    original : what was taken before day one, see `cycles_of`
    target, basis_id, pace, prior_therapy, mixture, family : what the plan was made with
    most_generous : LT4 started at no less than the most generous sourced target (pregnancy)
    day_one, decision : the first day, and the day on which the checkpoint's labs decide
    checkpoint : the dose at which the climb waits
    need : need factor on the original dose; 1 where none was set
    tables : which charts and tablets it was computed from
    """

    plan_id: str
    original: Cycles
    target: Target
    basis_id: str
    pace: str
    prior_therapy: PriorTherapy
    mixture: Mixture
    family: str
    most_generous: bool
    day_one: date
    decision: date
    checkpoint: TargetDose
    need: Fraction
    tables: str


@dataclass(frozen=True, slots=True)
class OrderedDose:
    """What one instruction of an order says.

    Attributes
    ----------
    daily : amount of the order's product a day, in the preparation's unit
    times_a_day : in how many equal doses; what is taken at bedtime in another amount than in the
        morning is an instruction of its own
    first_day, last_day : both included
    """

    daily: Fraction
    times_a_day: int
    first_day: date
    last_day: date


@dataclass(frozen=True, slots=True)
class OrderedStep:
    """What one order of a series says that it orders: one product, for one step or several.

    Attributes
    ----------
    step, steps : which step of how many its first day opens
    branch : the branch of the checkpoint that it belongs to, or empty for the series
    preparation_id, strength : the product, in the preparation's unit
    doses : one for each of its instructions, in their order
    """

    step: int
    steps: int
    branch: str
    preparation_id: str
    strength: Fraction
    doses: tuple[OrderedDose, ...]

    @property
    def first_day(self) -> date:
        """The day on which it begins."""
        return self.doses[0].first_day

    @property
    def last_day(self) -> date:
        """The last day that it is meant for."""
        return self.doses[-1].last_day


@dataclass(frozen=True, slots=True)
class SeriesMark:
    """What one resource of a series carries; `ordered` is ``None`` on the plan itself."""

    facts: SeriesFacts
    ordered: OrderedStep | None = None
