"""The move that is judged: where to, from what, and whether hormone rises on the way."""

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

from crossgrain.dosing.bases import T3_UG_PER_GRAIN, Basis
from crossgrain.dosing.regimens import Regimen
from crossgrain.dosing.targets import Target, TargetDose
from crossgrain.names.errors import DomainError

T3_TARGETS = frozenset(Target) - {Target.LEVOTHYROXINE}
"""Every target but pure levothyroxine is swallowed T3."""


@dataclass(frozen=True, slots=True)
class Intent:
    """What is about to be proposed.

    Attributes
    ----------
    target : the public target
    t3_rises : more T3 will be swallowed than now
    hormone_rises : on some basis that steers the plan, the target is worth more LT4 than
        today's regimen
    """

    target: Target
    t3_rises: bool
    hormone_rises: bool

    @property
    def any_rise(self) -> bool:
        """Whether the patient may end with more hormone, by T3 or by the whole."""
        return self.t3_rises or self.hormone_rises


def intent_for(
    regimen: Regimen,
    target: Target,
    aim: TargetDose,
    bases: Iterable[Basis],
    rounding: Fraction,
) -> Intent:
    """Weigh the furthest dose of a plan against today's regimen.

    Parameters
    ----------
    regimen : what is taken today
    target : where the plan goes
    aim : the chosen basis' target dose, the furthest that the plan goes
    bases : every basis; those that never steer a plan are passed over. A chart that does
        not reach either dose cannot speak against a rise, so it counts as one.
    rounding : what rounding to tablets may add, as a part of today's dose: that is no rise
    """
    t3_ug = aim.lt3_ug + T3_UG_PER_GRAIN * aim.grains
    return Intent(
        target=target,
        t3_rises=t3_ug > regimen.t3_ug,
        hormone_rises=any(_rises(regimen, aim, b, rounding) for b in bases if b.sets_checkpoint),
    )


def _rises(regimen: Regimen, aim: TargetDose, basis: Basis, rounding: Fraction) -> bool:
    try:
        now = basis.lt4_equivalent(regimen)
        then = basis.lt4_for(aim.lt4_ug, aim.lt3_ug, aim.grains)
    except DomainError:
        return True
    return then > now * (1 + rounding)
