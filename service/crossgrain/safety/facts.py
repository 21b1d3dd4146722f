"""What the rules look at: the patient in the domain's own terms.

``None`` for a collection means that the record did not carry it at all, so that nothing
could be checked; an empty tuple means that it was carried and is empty.
"""

from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

from crossgrain.dosing.regimens import Regimen
from crossgrain.dosing.targets import Target


class Analyte(StrEnum):
    """Laboratory and vital quantities that are read, with the unit they are kept in."""

    TSH = "tsh"  # mIU/L
    FREE_T4 = "free-t4"  # pmol/L
    FREE_T3 = "free-t3"  # pmol/L
    TOTAL_T3 = "total-t3"  # nmol/L
    REVERSE_T3 = "reverse-t3"  # nmol/L
    HEART_RATE = "heart-rate"  # per minute
    WEIGHT = "weight"  # kg


@dataclass(frozen=True, slots=True)
class Measurement:
    """One result.

    `day` counts from the day that the record is read (0), so the past is negative;
    ``None`` where the date is missing or too vague. `comparator` is ``<``, ``>``, … or
    empty. `low`/`high` are the laboratory's own range, in the same unit.
    """

    analyte: Analyte
    value: Fraction
    day: int | None
    origin: str
    comparator: str = ""
    low: Fraction | None = None
    high: Fraction | None = None
    preliminary: bool = False


class Sex(StrEnum):
    """As recorded; anything else is kept as unknown (``None``)."""

    FEMALE = "female"
    MALE = "male"


@dataclass(frozen=True, slots=True)
class Known:
    """Something coded in the record that a rule may care about.

    `key` is our own name for it (e.g. ``heart-failure``, ``warfarin``), `origin` where it
    stands, `day` when it began or was recorded (0 = the day the record is read). `active`
    is false for a condition that the record calls inactive, in remission or resolved: it
    matters to the few rules that ask about the past.
    """

    key: str
    origin: str
    day: int | None = None
    active: bool = True


@dataclass(frozen=True, slots=True)
class MissedDays:
    """On how many of the last fourteen days thyroid medicine was missed, as the patient says.

    `origin` is where it stands, `day` when it was said (0 = the day the record is read).
    """

    count: int
    origin: str
    day: int | None = None


@dataclass(frozen=True, slots=True)
class RunningPlan:
    """A switch that the patient is in the midst of.

    `day_one` and `decision` are dates as written, or empty where only the shape of the orders
    shows the plan; `origin` is where it stands.
    """

    target: Target
    origin: str
    day_one: str = ""
    decision: str = ""


@dataclass(frozen=True, slots=True)
class Facts:
    """One patient, as far as the record tells.

    Attributes
    ----------
    goals : what treatment aims at, e.g. ``tsh-suppression-goal``
    indications : the reasons written on the thyroid hormone's own orders and statements
    stopped : thyroid hormone that was stopped or paused; `Known.key` is the preparation's
        kind, `Known.day` the last day that it was taken
    reported : what the patient says of how it goes; `Known.key` is the question answered yes
    missed : days on which the patient says that thyroid medicine was missed
    running : a switch that is under way, where another is asked for
    in_series : what was changed of late was a step of the series that is judged
    """

    regimen: Regimen
    age_years: int | None = None
    weight_kg: Fraction | None = None
    measurements: tuple[Measurement, ...] | None = None
    conditions: tuple[Known, ...] | None = None
    allergies: tuple[Known, ...] | None = None
    medicines: tuple[Known, ...] | None = None
    pregnant: bool | None = None
    regimen_changed_days_ago: int | None = None
    sex: Sex | None = None
    goals: tuple[Known, ...] | None = None
    indications: tuple[Known, ...] | None = None
    stopped: tuple[Known, ...] | None = None
    reported: tuple[Known, ...] = ()
    missed: tuple[MissedDays, ...] = ()
    running: RunningPlan | None = None
    in_series: bool = False
