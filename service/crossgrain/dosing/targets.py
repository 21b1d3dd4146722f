"""The five targets, and the dose of each that a basis calls equivalent."""

from collections.abc import Mapping
from enum import StrEnum
from fractions import Fraction

from crossgrain.dosing.bases import Basis
from crossgrain.dosing.preparations import Kind
from crossgrain.dosing.regimens import Regimen
from crossgrain.names.errors import Category, DomainError
from crossgrain.names.numbers import Numbers, refuse
from crossgrain.names.printing import decimal
from crossgrain.names.values import frozen


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


@frozen
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


@frozen
class Mixture:
    """How a combination target is composed; `Combining.mixture` makes it.

    Attributes
    ----------
    ratio : T4:T3 by weight for LT4 + LT3
    t3_share : part of the LT4-equivalent that pure LT3 carries beside desiccated thyroid,
        above 0 and below 1
    lt3_replaces : where the guideline's rule composes LT4 + LT3, the µg LT4 that a µg LT3 takes
        the place of, whatever the basis says
    """

    ratio: Fraction
    t3_share: Fraction
    lt3_replaces: Fraction | None = None

    @property
    def guideline(self) -> bool:
        """Whether the guideline's rule composes the dose."""
        return self.lt3_replaces is not None


@frozen
class Combining:
    """Within what, and how where nobody says, T3 is combined with LT4 or desiccated thyroid.

    `data/numbers.toml` gives each number with its source, under ``combination``.

    Attributes
    ----------
    lowest_ratio, highest_ratio : T4:T3 by weight, the range of LT4 + LT3
    usual_ratio : the ratio of LT4 + LT3 that is taken where nobody says
    guideline_ratio, lt3_replaces : what the guideline's rule comes to, LT3 = x/20 and
        LT4 = x - 3·LT3: a ratio of 17 for every x, in which a µg LT3 takes the place of 3 µg LT4
    usual_t3_share : the share of LT3 beside desiccated thyroid that is taken where nobody says
    """

    lowest_ratio: Fraction
    highest_ratio: Fraction
    usual_ratio: Fraction
    guideline_ratio: Fraction
    lt3_replaces: Fraction
    usual_t3_share: Fraction

    def holds(self, lt4_ug: Fraction, lt3_ug: Fraction) -> bool:
        """Whether LT4 and LT3, µg a day, keep the range of ratios."""
        return self.lowest_ratio * lt3_ug <= lt4_ug <= self.highest_ratio * lt3_ug

    def mixture(
        self,
        *,
        ratio: Fraction | None = None,
        guideline: bool = False,
        t3_share: Fraction | None = None,
    ) -> Mixture:
        """A mixture as asked for, and as is usual where nothing is.

        `guideline` composes LT4 + LT3 by the guideline's rule, whose ratio then counts.

        Raises
        ------
        DomainError
            ``invalid``, field ``ratio`` or ``t3-share``, for one outside its range.
        """
        asked = self.usual_ratio if ratio is None else ratio
        share = self.usual_t3_share if t3_share is None else t3_share
        if not self.lowest_ratio <= asked <= self.highest_ratio:
            least, most = decimal(self.lowest_ratio), decimal(self.highest_ratio)
            raise DomainError(
                Category.INVALID,
                "ratio",
                f"the T4:T3 ratio lies between {least} and {most} (ETA 2012)",
            )
        if not 0 < share < 1:
            raise DomainError(
                Category.INVALID, "t3-share", "the share carried by LT3 lies between 0 and 1"
            )
        if guideline:
            return Mixture(self.guideline_ratio, share, self.lt3_replaces)
        return Mixture(asked, share)


COMBINING_KEYS: Mapping[str, str] = {
    "lowest_ratio": "combination.lowest_ratio",
    "highest_ratio": "combination.highest_ratio",
    "usual_ratio": "combination.usual_ratio",
    "guideline_ratio": "combination.guideline_ratio",
    "lt3_replaces": "combination.guideline_lt3_replaces",
    "usual_t3_share": "combination.usual_t3_share",
}
"""The key of each in the data file."""


def combining_from(numbers: Numbers) -> Combining:
    """Take them from the clinical numbers.

    Raises
    ------
    DomainError
        by its place, for a ratio outside the range, and a share that is none.
    """
    found = Combining(**{name: numbers[key].value for name, key in COMBINING_KEYS.items()})
    for name in ("usual_ratio", "guideline_ratio"):
        if not found.lowest_ratio <= getattr(found, name) <= found.highest_ratio:
            refuse(COMBINING_KEYS[name], "this lies outside the range of ratios")
    if not 0 < found.usual_t3_share < 1:
        refuse(COMBINING_KEYS["usual_t3_share"], "a part lies between 0 and 1")
    return found


def target_dose(
    target: Target, lt4_equivalent_ug: Fraction, basis: Basis, mixture: Mixture
) -> TargetDose:
    """The dose of `target` that a basis calls equivalent to so much LT4 a day.

    With E the LT4-equivalent, w µg LT4 per grain and k µg LT4 per µg LT3: LT4 = E;
    LT3 = E/k; desiccated = E/w grains; LT4 + LT3 at ratio r: LT3 = E/(r + k), LT4 = r·LT3, where
    the guideline's rule sets both r and k; desiccated + LT3 with share s: LT3 = s·E/k,
    desiccated = (1 - s)·E/w. A table chart is read by interpolation instead of w and k.

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
    >>> mixture = Mixture(ratio=Fraction(17), t3_share=Fraction(1, 4))
    >>> target_dose(Target.DESICCATED_THYROID, Fraction(100), label, mixture).grains
    Fraction(1, 1)
    """
    match target:
        case Target.LEVOTHYROXINE:
            return TargetDose(lt4_ug=lt4_equivalent_ug)
        case Target.LIOTHYRONINE:
            return TargetDose(lt3_ug=basis.lt3_for(lt4_equivalent_ug))
        case Target.DESICCATED_THYROID:
            return TargetDose(grains=basis.grains_for(lt4_equivalent_ug))
        case Target.LT4_LT3:
            if mixture.lt3_replaces is None:
                lt3_ug = basis.lt3_beside(mixture.ratio, lt4_equivalent_ug)
            else:
                lt3_ug = lt4_equivalent_ug / (mixture.ratio + mixture.lt3_replaces)
            return TargetDose(lt4_ug=mixture.ratio * lt3_ug, lt3_ug=lt3_ug)
        case Target.DESICCATED_LT3:
            share = mixture.t3_share * lt4_equivalent_ug
            return TargetDose(
                lt3_ug=basis.lt3_for(share), grains=basis.grains_for(lt4_equivalent_ug - share)
            )
