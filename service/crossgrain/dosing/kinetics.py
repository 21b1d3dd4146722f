"""First-order pools of T4 and T3 under constant daily dosing, in closed form.

A pool is kept as the daily oral dose that would sustain it, P/(F·τ): it relaxes towards the
dose swallowed with its own time constant τ = half-life / ln 2, so absorption and volume drop
out wherever two regimens are compared. T3 is kept apart by origin, because the charts weigh
it so. Daily dosing is taken as a constant rate; no residual gland is assumed.
"""

from dataclasses import field
from fractions import Fraction
from math import exp, log
from typing import NamedTuple

from crossgrain.dosing.regimens import Regimen
from crossgrain.names.errors import Category, DomainError
from crossgrain.names.values import frozen

T4_MOLAR_MASS = Fraction("776.87")
"""g/mol, levothyroxine free acid: C15H11I4NO4 by the standard atomic weights."""
T3_MOLAR_MASS = Fraction("650.97")
"""g/mol, liothyronine free acid: C15H12I3NO4 by the standard atomic weights."""


class Intake(NamedTuple):
    """Hormone swallowed per day, µg, by origin."""

    t4_ug: float
    lt3_ug: float
    desiccated_t3_ug: float


@frozen
class ConstantIntake:
    """Constant intake for so many days."""

    days: float
    intake: Intake


class PoolWeights(NamedTuple):
    """What each µg a day of a pool counts for in a weighed sum, by origin of the hormone."""

    t4: float
    lt3: float
    desiccated_t3: float

    def of(self, intake: Intake) -> float:
        """The sum that an intake sustains in the long run."""
        return (
            self.t4 * intake.t4_ug
            + self.lt3 * intake.lt3_ug
            + self.desiccated_t3 * intake.desiccated_t3_ug
        )


class Pools(NamedTuple):
    """The pools, each as the daily oral dose that would sustain it, µg per day.

    `t3_made` is the T3 made from T4, expressed as the oral T4 that would sustain it.
    """

    t4: float
    t3_made: float
    lt3: float
    desiccated_t3: float


@frozen
class Kinetics:
    """One set of pharmacokinetic parameters.

    Attributes
    ----------
    t4_half_life_days, t3_half_life_days : T3's must be the shorter
    t4_absorbed, t3_absorbed : fraction of an oral dose, 0 to 1
    t4_to_t3_molar : fraction, by moles, of the T4 cleared that becomes T3

    Reference: `data/kinetics.toml` gives the source of each default and band.
    """

    t4_half_life_days: float
    t3_half_life_days: float
    t4_absorbed: float
    t3_absorbed: float
    t4_to_t3_molar: float
    t4_tau: float = field(init=False)
    """Mean residence of T4, days."""
    t3_tau: float = field(init=False)
    """Mean residence of T3, days."""
    t3_made_weight: float = field(init=False)
    """Pool of T3 made from each oral µg of T4 a day, over that of an oral µg of T3 a day."""

    def __post_init__(self) -> None:
        if not 0 < self.t3_half_life_days < self.t4_half_life_days:
            raise DomainError(
                Category.INVALID, "half-life", "half-lives are positive and T3's is the shorter"
            )
        for name in ("t4_absorbed", "t3_absorbed", "t4_to_t3_molar"):
            if not 0 < getattr(self, name) <= 1:
                raise DomainError(Category.INVALID, name, "a fraction lies above 0, up to 1")
        object.__setattr__(self, "t4_tau", self.t4_half_life_days / log(2))
        object.__setattr__(self, "t3_tau", self.t3_half_life_days / log(2))
        made = self.t4_to_t3_molar * float(T3_MOLAR_MASS) / float(T4_MOLAR_MASS)
        object.__setattr__(self, "t3_made_weight", made * self.t4_absorbed / self.t3_absorbed)

    @property
    def half_lives(self) -> tuple[float, float]:
        """That of T4 and that of T3, days."""
        return self.t4_half_life_days, self.t3_half_life_days

    def t3_total(self, pools: Pools) -> float:
        """The whole T3 pool, as the daily oral LT3 that would sustain it, µg per day."""
        return self.t3_made_weight * pools.t3_made + pools.lt3 + pools.desiccated_t3


@frozen
class KineticsTable:
    """The default parameters and the corners of their band.

    The corners pair both half-lives' ends with the ends of what absorption and conversion do
    to T3 made from T4: coverage and T3 exposure depend on nothing else.
    """

    default: Kinetics
    corners: tuple[Kinetics, ...]
    source: str


def intake_of(regimen: Regimen) -> Intake:
    """The daily intake of a regimen; here exact doses become floats."""
    t3_ug, pure_t3_ug = regimen.t3_ug, regimen.pure_t3_ug
    return Intake(float(regimen.t4_ug), float(pure_t3_ug), float(t3_ug - pure_t3_ug))


def steady(intake: Intake) -> Pools:
    """The pools that an intake sustains in the long run."""
    return Pools(intake.t4_ug, intake.t4_ug, intake.lt3_ug, intake.desiccated_t3_ug)


def after(kinetics: Kinetics, pools: Pools, intake: Intake, days: float) -> Pools:
    """The pools after so many days at a constant intake.

    T4' = (d4 - T4)/τ4 · made' = (T4 - made)/τ3 · T3' = (d3 - T3)/τ3, solved exactly:
    with E4 = e^(-t/τ4), E3 = e^(-t/τ3) and A = (T4(0) - d4)·τ4/(τ4 - τ3),
    made(t) = d4 + A·E4 + (made(0) - d4 - A)·E3.
    """
    e4 = exp(-days / kinetics.t4_tau)
    e3 = exp(-days / kinetics.t3_tau)
    d4, lt3, desiccated_t3 = intake
    a = (pools.t4 - d4) * kinetics.t4_tau / (kinetics.t4_tau - kinetics.t3_tau)
    return Pools(
        d4 + (pools.t4 - d4) * e4,
        d4 + a * e4 + (pools.t3_made - d4 - a) * e3,
        lt3 + (pools.lt3 - lt3) * e3,
        desiccated_t3 + (pools.desiccated_t3 - desiccated_t3) * e3,
    )


class Curve(NamedTuple):
    """A weighed sum of pools over a constant segment: level + slow·E4(t) + fast·E3(t)."""

    level: float
    slow: float
    fast: float

    def at(self, kinetics: Kinetics, days: float) -> float:
        """Its value after so many days of the segment."""
        return (
            self.level
            + self.slow * exp(-days / kinetics.t4_tau)
            + self.fast * exp(-days / kinetics.t3_tau)
        )

    def turning_day(self, kinetics: Kinetics) -> float | None:
        """The one day, if any, at which it turns.

        Where slow/τ4·E4 = -fast/τ3·E3, i.e. t = ln(-fast·τ4/(slow·τ3)) / (1/τ3 - 1/τ4).
        """
        if self.slow * self.fast >= 0:
            return None
        ratio = -self.fast * kinetics.t4_tau / (self.slow * kinetics.t3_tau)
        if ratio <= 1:
            return None
        return log(ratio) / (1 / kinetics.t3_tau - 1 / kinetics.t4_tau)


def weighed(pools: Pools, intake: Intake, weights: PoolWeights) -> Curve:
    """The curve of T4 + LT3 + desiccated T3, each pool under its weight."""
    return Curve(
        weights.of(intake),
        weights.t4 * (pools.t4 - intake.t4_ug),
        weights.lt3 * (pools.lt3 - intake.lt3_ug)
        + weights.desiccated_t3 * (pools.desiccated_t3 - intake.desiccated_t3_ug),
    )


def t3_curve(kinetics: Kinetics, pools: Pools, intake: Intake) -> Curve:
    """The curve of the whole T3 pool, as the daily oral LT3 that would sustain it."""
    made = kinetics.t3_made_weight
    a = (pools.t4 - intake.t4_ug) * kinetics.t4_tau / (kinetics.t4_tau - kinetics.t3_tau)
    return Curve(
        made * intake.t4_ug + intake.lt3_ug + intake.desiccated_t3_ug,
        made * a,
        made * (pools.t3_made - intake.t4_ug - a)
        + pools.lt3
        - intake.lt3_ug
        + pools.desiccated_t3
        - intake.desiccated_t3_ug,
    )
