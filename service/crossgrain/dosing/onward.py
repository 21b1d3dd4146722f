"""The visit after the first: what is taken from today on, whether a plan runs or not.

Every next step is an ordinary plan whose day 0 is today. It starts from the doses that are taken
today and from the pools as they are: run forward from day one over what was really taken, never
from what was planned. Coverage stays that of the regimen before day one, so that a forecast made
today goes on where the first one stands.

The dose at which the climb waits for labs is day one's. To plan again never raises it: only labs
that are read do, by the branch that they lead to.
"""

from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

from crossgrain.dosing.preparations import Preparation
from crossgrain.dosing.regimens import Regimen
from crossgrain.dosing.targets import TargetDose
from crossgrain.dosing.wish import Wish


class Act(StrEnum):
    """What a visit ends with; the last two end it without a plan."""

    CONTINUE = "continue"
    HOLD = "hold"
    SLOW_DOWN = "slow-down"
    STEP_BACK = "step-back"
    TURN_BACK = "turn-back"
    BRANCH = "branch"
    ASK = "ask"
    STOP = "stop"


@dataclass(frozen=True, slots=True)
class Dated:
    """Daily amounts from one day to another, both included; today is 0, the past is negative.

    `amounts` are in each preparation's unit, any one in whatever form it was read.
    """

    first_day: int
    last_day: int
    amounts: tuple[tuple[Preparation, Fraction], ...]


@dataclass(frozen=True, slots=True)
class Underway:
    """Where a patient stands, in doses.

    Attributes
    ----------
    original : before day one; where no plan runs, what is taken today
    wish : as on day one; tablets at home and in stock as of today, and what findings of today ask.
        In pregnancy `lt4_at_least_most_generous`: then turning back leads to LT4
    day_one : the plan's first day: today or before; where no plan runs, the first of `taken`
    checkpoint : the dose at which the climb waits, the smaller of carried and recomputed; ``None``
        where no plan runs
    taken : what was really taken from day one to yesterday; a day that none covers is one without
        hormone, and where several do they add up
    today : what is taken today
    planned : the plan's steps as filed, past and to come, the last of them its hold
    climbing : whether the checkpoint's dose is yet to be reached
    in_range_before : whether the labs before those of this visit were in range, on a dose that is
        worth the same: with one more the dose has proved right
    """

    original: Regimen
    wish: Wish
    day_one: int
    checkpoint: TargetDose | None
    taken: tuple[Dated, ...]
    today: Regimen
    planned: tuple[Dated, ...]
    climbing: bool
    in_range_before: bool = False
