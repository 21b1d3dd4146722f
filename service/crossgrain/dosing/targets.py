"""The five targets, and the dose of each that a basis calls equivalent."""

from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

from crossgrain.dosing.bases import Basis
from crossgrain.dosing.preparations import Kind
from crossgrain.dosing.regimens import Regimen
from crossgrain.names.errors import Category, DomainError

LOWEST_RATIO, HIGHEST_RATIO = Fraction(13), Fraction(20)
"""T4:T3 by weight in a combination: ETA guideline 2012, Eur Thyroid J 1:55."""
GUIDELINE_RATIO = Fraction(17)
"""LT3 = x/20 and LT4 = x - 3·LT3 make 17:1 for every x (ETA 2012, rule from memory)."""
GUIDELINE_DIVISOR = Fraction(20)
USUAL_T3_SHARE = Fraction(1, 4)
"""What LT3 carries beside desiccated thyroid where nobody says: our judgement, and every call's to
set."""


class Target(StrEnum):
    """What the patient is to move to; the values are the public target codes."""

    LEVOTHYROXINE = "levothyroxine"
    LIOTHYRONINE = "liothyronine"
    DESICCATED_THYROID = "desiccated-thyroid"
    LT4_LT3 = "levothyroxine-liothyronine"
    DESICCATED_LT3 = "desiccated-thyroid-liothyronine"

    @property
    def kinds(self) -> tuple[Kind, ...]:
        """The medicines of it; the first carries most of its hormone."""
        return _KINDS[self]


_KINDS = {
    Target.LEVOTHYROXINE: (Kind.LEVOTHYROXINE,),
    Target.LIOTHYRONINE: (Kind.LIOTHYRONINE,),
    Target.DESICCATED_THYROID: (Kind.DESICCATED_THYROID,),
    Target.LT4_LT3: (Kind.LEVOTHYROXINE, Kind.LIOTHYRONINE),
    Target.DESICCATED_LT3: (Kind.DESICCATED_THYROID, Kind.LIOTHYRONINE),
}

DESICCATED_TARGETS = frozenset(t for t in Target if Kind.DESICCATED_THYROID in t.kinds)

TARGET_OF = {frozenset(target.kinds): target for target in Target}
"""What orders for these kinds, taken together, move to."""

_ADJUSTED = frozenset(kind for target in Target for kind in target.kinds)


def adjusted_as(kinds: frozenset[Kind]) -> Target | None:
    """The target whose main medicine is adjusted where no plan runs; ``None`` where there is none.

    What no move leads to, as levothyroxine with desiccated thyroid, is adjusted by its
    levothyroxine: of the medicines that orders are made from it alone swallows no T3.

    >>> adjusted_as(frozenset({Kind.LEVOTHYROXINE, Kind.DESICCATED_THYROID}))
    <Target.LEVOTHYROXINE: 'levothyroxine'>
    >>> adjusted_as(frozenset({Kind.LEVOTHYROXINE, Kind.COMPOUNDED}))
    """
    mixed = Kind.LEVOTHYROXINE in kinds and kinds <= _ADJUSTED
    return TARGET_OF.get(kinds, Target.LEVOTHYROXINE if mixed else None)


@dataclass(frozen=True, slots=True)
class TargetDose:
    """A daily dose in the trade's three currencies: µg LT4, µg LT3, grains."""

    lt4_ug: Fraction = Fraction(0)
    lt3_ug: Fraction = Fraction(0)
    grains: Fraction = Fraction(0)

    @property
    def amounts(self) -> tuple[Fraction, Fraction, Fraction]:
        """The three side by side."""
        return self.lt4_ug, self.lt3_ug, self.grains

    def times(self, factor: Fraction) -> "TargetDose":
        """The same mixture, `factor` times as much of it."""
        return TargetDose(self.lt4_ug * factor, self.lt3_ug * factor, self.grains * factor)

    def share_of(self, whole: "TargetDose") -> Fraction:
        """What part it is of another dose of the same mixture, by any medicine of it.

        >>> TargetDose(lt4_ug=Fraction(50)).share_of(TargetDose(lt4_ug=Fraction(200)))
        Fraction(1, 4)
        """
        if whole.lt4_ug:
            return self.lt4_ug / whole.lt4_ug
        return self.grains / whole.grains if whole.grains else self.lt3_ug / whole.lt3_ug


def dose_of(regimen: Regimen) -> TargetDose:
    """What is taken, in the same three currencies, exactly."""
    return TargetDose(regimen.pure_t4_ug, regimen.pure_t3_ug, regimen.grains)


@dataclass(frozen=True, slots=True)
class Mixture:
    """How a combination target is composed.

    Attributes
    ----------
    ratio : T4:T3 by weight for LT4 + LT3, 13 to 20
    guideline : take LT3 = x/20 and LT4 = x - 3·LT3 instead, whatever the basis' factor
    t3_share : part of the LT4-equivalent that pure LT3 carries beside desiccated thyroid,
        above 0 and below 1
    """

    ratio: Fraction = GUIDELINE_RATIO
    guideline: bool = False
    t3_share: Fraction = USUAL_T3_SHARE

    @property
    def asked_ratio(self) -> Fraction:
        """T4:T3 by weight, that of the guideline's rule where it is to compose the dose."""
        return GUIDELINE_RATIO if self.guideline else self.ratio

    def __post_init__(self) -> None:
        if not LOWEST_RATIO <= self.ratio <= HIGHEST_RATIO:
            raise DomainError(
                Category.INVALID, "ratio", "the T4:T3 ratio lies between 13 and 20 (ETA 2012)"
            )
        if not 0 < self.t3_share < 1:
            raise DomainError(
                Category.INVALID, "t3-share", "the share carried by LT3 lies between 0 and 1"
            )


def target_dose(
    target: Target, lt4_equivalent_ug: Fraction, basis: Basis, mixture: Mixture
) -> TargetDose:
    """The dose of `target` that a basis calls equivalent to so much LT4 a day.

    With E the LT4-equivalent, w µg LT4 per grain and k µg LT4 per µg LT3: LT4 = E;
    LT3 = E/k; desiccated = E/w grains; LT4 + LT3 at ratio r: LT3 = E/(r + k), LT4 = r·LT3;
    desiccated + LT3 with share s: LT3 = s·E/k, desiccated = (1 - s)·E/w. A table chart is
    read by interpolation instead of w and k.

    Raises
    ------
    DomainError
        ``out-of-range`` where a table chart does not reach a dose.

    Examples
    --------
    >>> from crossgrain.dosing.bases import Grade, GrainContent, Weights
    >>> grain = GrainContent(Fraction(38), Fraction(9))
    >>> weights = Weights(Fraction(100), Fraction(4), grain)
    >>> label = Basis("label", "", "", Grade.LABEL, grain, weights=weights)
    >>> target_dose(Target.DESICCATED_THYROID, Fraction(100), label, Mixture()).grains
    Fraction(1, 1)
    """
    match target:
        case Target.LEVOTHYROXINE:
            return TargetDose(lt4_ug=lt4_equivalent_ug)
        case Target.LIOTHYRONINE:
            return TargetDose(lt3_ug=basis.lt3_for(lt4_equivalent_ug))
        case Target.DESICCATED_THYROID:
            return TargetDose(grains=basis.grains_for(lt4_equivalent_ug))
        case Target.LT4_LT3 if mixture.guideline:
            lt3_ug = lt4_equivalent_ug / GUIDELINE_DIVISOR
            return TargetDose(lt4_ug=lt4_equivalent_ug - 3 * lt3_ug, lt3_ug=lt3_ug)
        case Target.LT4_LT3:
            lt3_ug = basis.lt3_beside(mixture.ratio, lt4_equivalent_ug)
            return TargetDose(lt4_ug=mixture.ratio * lt3_ug, lt3_ug=lt3_ug)
        case Target.DESICCATED_LT3:
            share = mixture.t3_share * lt4_equivalent_ug
            return TargetDose(
                lt3_ug=basis.lt3_for(share), grains=basis.grains_for(lt4_equivalent_ug - share)
            )
