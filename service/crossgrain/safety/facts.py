"""What the rules look at, the patient and the move, and what the findings demand of its planner.

Of a patient, ``None`` for a collection means that the record did not carry it at all, so that
nothing could be checked; an empty tuple means that it was carried and is empty.
"""

from collections.abc import Iterable, Sequence
from enum import StrEnum
from fractions import Fraction

from crossgrain.dosing.bases import Basis
from crossgrain.dosing.preparations import Kind
from crossgrain.dosing.regimens import Regimen
from crossgrain.dosing.targets import Target, TargetDose, dose_of
from crossgrain.names.errors import DomainError
from crossgrain.names.values import frozen


class Analyte(StrEnum):
    """Laboratory and vital quantities that are read, with the unit they are kept in."""

    TSH = "tsh"
    FREE_T4 = "free-t4"
    FREE_T3 = "free-t3"
    TOTAL_T3 = "total-t3"
    REVERSE_T3 = "reverse-t3"
    HEART_RATE = "heart-rate"
    WEIGHT = "weight"

    @property
    def unit(self) -> str:
        """As a reader is shown it."""
        return _UNITS[self]


_UNITS = {
    Analyte.TSH: "mIU/L",
    Analyte.FREE_T4: "pmol/L",
    Analyte.FREE_T3: "pmol/L",
    Analyte.TOTAL_T3: "nmol/L",
    Analyte.REVERSE_T3: "nmol/L",
    Analyte.HEART_RATE: "per minute",
    Analyte.WEIGHT: "kg",
}


@frozen
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


@frozen
class Known:
    """Something coded in the record that a rule may care about.

    `key` is our own name for it (e.g. ``heart-failure``, ``warfarin``), `origin` where it stands,
    `day` when it began or was recorded (0 = the day the record is read). `active` is false for a
    condition that the record calls inactive, in remission or resolved, which matters only to the
    few rules that ask about the past.
    """

    key: str
    origin: str
    day: int | None = None
    active: bool = True


@frozen
class MissedDays:
    """On how many of the last fourteen days thyroid medicine was missed, as the patient says.

    `origin` is where it stands, `day` when it was said (0 = the day the record is read).
    """

    count: int
    origin: str
    day: int | None = None


@frozen
class RunningPlan:
    """A switch that the patient is in the middle of.

    `day_one` and `decision` are dates as written, or empty where only the shape of the orders shows
    the plan; `origin` is where it stands.
    """

    target: Target
    origin: str
    day_one: str = ""
    decision: str = ""


@frozen
class Facts:
    """One patient, as far as the record tells.

    Attributes
    ----------
    goals : what treatment aims at, e.g. ``tsh-suppression-goal``
    indications : the reasons written on the thyroid hormone's own orders and statements
    stopped : thyroid hormone that was stopped or paused; `Known.key` is the preparation's
        kind, `Known.day` the last day that it was taken
    reported : what the patient says of how it goes; `Known.key` is the question answered yes
    answered_no : the same of questions answered no, each with its own day
    missed : days on which the patient says that thyroid medicine was missed
    running : a switch that is under way, where another is asked for
    in_series : what was changed of late was a step of the series that is judged
    at_visit : it is a visit after the first, whether a plan runs or a dose is adjusted
    made_for_pregnancy : that series began, or was turned back, as a pregnancy needs
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
    answered_no: tuple[Known, ...] = ()
    missed: tuple[MissedDays, ...] = ()
    running: RunningPlan | None = None
    in_series: bool = False
    at_visit: bool = False

    @property
    def has_begun(self) -> bool:
        """Whether there is no first dose left that something could be done before."""
        return self.in_series or self.at_visit

    made_for_pregnancy: bool = False


T3_TARGETS = frozenset(Target) - {Target.LEVOTHYROXINE}
"""Every target that contains swallowed T3: all but levothyroxine alone."""


@frozen
class Intent:
    """What is about to be proposed.

    Attributes
    ----------
    target : the public target
    t3_rises : more T3 will be swallowed than now
    hormone_rises : on some basis that steers the plan, the target is worth more LT4 than
        today's regimen
    beside : the medicines that stay beside the target's, where no plan moves away from them
    """

    target: Target
    t3_rises: bool
    hormone_rises: bool
    beside: frozenset[Kind] = frozenset()

    @property
    def kinds(self) -> frozenset[Kind]:
        """The medicines that are to be taken in the end."""
        return self.beside.union(self.target.kinds)

    @property
    def any_rise(self) -> bool:
        """Whether the patient may end with more hormone: with more T3, or with more in all."""
        return self.t3_rises or self.hormone_rises


def intent_for(
    regimen: Regimen,
    target: Target,
    aim: TargetDose,
    bases: Sequence[Basis],
    rounding: Fraction,
) -> Intent:
    """Weigh the largest dose of a plan against today's regimen.

    Parameters
    ----------
    regimen : what is taken today
    target : where the plan goes
    aim : the chosen basis' target dose, beyond which the plan never goes
    bases : every basis; those that never steer a plan are passed over. A chart that does not reach
        either dose cannot speak against a rise, so it counts as one.
    rounding : what rounding to tablets may add, as a part of today's dose, without being a rise
    """
    t3_ug = aim.lt3_ug + bases[0].content.t3_ug * aim.grains
    return Intent(
        target=target,
        t3_rises=t3_ug > regimen.t3_ug,
        hormone_rises=hormone_rises(regimen, aim, bases, rounding),
    )


def hormone_rises(
    regimen: Regimen, dose: TargetDose, bases: Iterable[Basis], rounding: Fraction
) -> bool:
    """Whether a dose is worth more LT4 than a regimen on some basis that steers a plan.

    The parameters are those of `intent_for`.
    """
    today = dose_of(regimen)
    return any(_rises(today, dose, each, rounding) for each in bases if each.sets_checkpoint)


def _rises(today: TargetDose, dose: TargetDose, basis: Basis, rounding: Fraction) -> bool:
    try:
        now = basis.lt4_for(*today.amounts)
        then = basis.lt4_for(*dose.amounts)
    except DomainError:
        return True
    return then > now * (1 + rounding)


class Demand(StrEnum):
    """What one rule may ask of the planner; the spelling used in the rules file."""

    SLOWLY = "slowly"
    LT4_MOST_GENEROUS = "lt4-at-least-most-generous"
    TSH_IN_PREGNANCY = "tsh-as-in-pregnancy"
    TOO_MUCH_WEIGHS = "too-much-weighs"
    TOO_LITTLE_WEIGHS = "too-little-weighs"


@frozen
class Constraints:
    """Limits on a plan.

    Attributes
    ----------
    slowly : the old medicine tapers and the pace is `cautious`, whatever was asked for, so that the
        climb begins with the smallest increment that can be ordered
    lt4_at_least_most_generous : a move to LT4 starts at no less than the largest target of the
        sourced
        bases, at once or in overlap, and is exempt from 'never larger'
    tsh_every_days : the most days between two TSHs from day 0 on, or ``None``
    too_much_weighs, too_little_weighs : the taper leans away from more, or from less, hormone than
        before: the policy table says by how much
    codes : the findings that asked for any of it, so that the plan can name its reasons
    """

    slowly: bool = False
    lt4_at_least_most_generous: bool = False
    tsh_every_days: int | None = None
    too_much_weighs: bool = False
    too_little_weighs: bool = False
    codes: tuple[str, ...] = ()

    def as_tight_as(self, other: "Constraints") -> bool:
        """Whether the limit on the rise of T3 in `other` stands here too.

        The pregnancy exemption raises LT4, not T3, so it is no part of the order.

        >>> Constraints(slowly=True).as_tight_as(Constraints())
        True
        >>> Constraints().as_tight_as(Constraints(slowly=True))
        False
        """
        return self.slowly >= other.slowly


def constraints_from(
    demands: dict[str, frozenset[Demand]], tsh_every_days: int | None = None
) -> Constraints:
    """Join what the raised findings demand.

    Parameters
    ----------
    demands : finding code → its demands
    tsh_every_days : the most days between two TSHs, where a finding demands it
    """
    asked = frozenset().union(*demands.values())
    return Constraints(
        slowly=Demand.SLOWLY in asked,
        lt4_at_least_most_generous=Demand.LT4_MOST_GENEROUS in asked,
        tsh_every_days=tsh_every_days if Demand.TSH_IN_PREGNANCY in asked else None,
        too_much_weighs=Demand.TOO_MUCH_WEIGHS in asked,
        too_little_weighs=Demand.TOO_LITTLE_WEIGHS in asked,
        codes=tuple(code for code, wanted in demands.items() if wanted),
    )
