"""What published comparisons say of the bases: no dose is computed from it.

Each comparison sets LT4 alone beside something that holds T3. Where TSH came out the same, the
two doses are taken to be worth the same, give or take `Evidence.same_tsh_within`. Where TSH rose
on the second, the second was worth less; where it fell, more.
"""

from collections.abc import Iterable, Iterator
from enum import StrEnum
from fractions import Fraction
from statistics import NormalDist, median

from crossgrain.dosing.bases import Basis, GrainContent, TrialStanding
from crossgrain.dosing.kinetics import Intake, Kinetics, KineticsTable, steady
from crossgrain.names.errors import DomainError
from crossgrain.names.values import frozen

_NORMAL_95 = NormalDist().inv_cdf(0.975)


class ComparisonKind(StrEnum):
    """How the two doses came to stand side by side."""

    TITRATED = "titrated"
    SUBSTITUTION = "substitution"
    STEADY = "steady"


class TshOutcome(StrEnum):
    """What TSH did on the second arm, against the first."""

    SAME = "same"
    HIGHER = "higher"
    LOWER = "lower"
    NOT_TOLD = "not-told"


class EvidenceGrade(StrEnum):
    """How much a comparison is worth; the data file says what each means."""

    GOOD = "good"
    FAIR = "fair"
    WEAK = "weak"


class ReadIn(StrEnum):
    """Where the figures were read."""

    ABSTRACT = "abstract"
    TABLE = "table"
    SECOND_HAND = "second-hand"


class ResidualGland(StrEnum):
    """Whether the people could still make hormone of their own."""

    THYROIDECTOMY = "thyroidectomy"
    PARTLY = "partly"
    NONE_REMOVED = "none-removed"
    NOT_TOLD = "not-told"


@frozen
class Measured:
    """A mean with its spread, as published.

    `spread_is` says what the spread is: ``sd``, ``sem``, ``pm`` where the source writes ± alone, or
    empty where there is none. `free` marks a free hormone.
    """

    mean: Fraction
    unit: str
    spread: Fraction | None = None
    spread_is: str = ""
    free: bool = False


@frozen
class Arm:
    """What one arm took a day, and what was measured. Doses per kg where `per_kg`."""

    lt4: Measured | None = None
    lt3: Measured | None = None
    desiccated: Measured | None = None
    tsh: Measured | None = None
    t4: Measured | None = None
    t3: Measured | None = None
    per_kg: bool = False
    reckoned: str = ""
    """How a dose was worked out that the source does not give itself."""
    mg_per_grain: Fraction = Fraction(1)
    """The grain family that its desiccated thyroid is counted in."""

    @property
    def lt4_ug(self) -> Fraction:
        """LT4 a day, µg, or µg per kg."""
        return self.lt4.mean if self.lt4 else Fraction(0)

    @property
    def lt3_ug(self) -> Fraction:
        """LT3 a day, µg, or µg per kg."""
        return self.lt3.mean if self.lt3 else Fraction(0)

    @property
    def grains(self) -> Fraction:
        """Labelled grains a day."""
        return self.desiccated.mean / self.mg_per_grain if self.desiccated else Fraction(0)

    def worth(self, basis: Basis) -> Fraction:
        """Its LT4-equivalent on a basis; raises as `Basis.lt4_for` does."""
        return basis.lt4_for(self.lt4_ug, self.lt3_ug, self.grains)


@frozen
class Comparison:
    """LT4 alone and something that holds T3, side by side in one publication."""

    id: str
    kind: ComparisonKind
    design: str
    n: int
    weeks: Fraction | None
    gland: ResidualGland
    tsh: TshOutcome
    source: str
    where: str
    read: ReadIn
    grade: EvidenceGrade
    made: tuple[str, ...]
    note: str
    first: Arm
    second: Arm


@frozen
class LeftOut:
    """What was looked at and could not be used."""

    what: str
    why: str


@frozen
class Evidence:
    """The table: comparisons, what was left out, and how far the same TSH may mislead."""

    comparisons: tuple[Comparison, ...]
    left_out: tuple[LeftOut, ...]
    same_tsh_within: Fraction
    same_tsh_source: str
    graded_by: str
    content: GrainContent
    """What a labelled grain contains, by which desiccated thyroid is counted here."""


class WorthUnit(StrEnum):
    """What the worth is given for: a microgram of LT3 or a grain."""

    LT3 = "lt3"
    GRAIN = "grain"


@frozen
class Worth:
    """What a comparison says one µg of LT3 (or one grain) was worth, in µg LT4.

    `value` is the worth at which both arms would be equal. With TSH the same, `low` and `high`
    are how far it may lie off; with TSH moved, the worth lies below (`at_most`) or above it.
    """

    comparison: Comparison
    currency: WorthUnit
    value: Fraction
    low: Fraction | None
    high: Fraction | None

    @property
    def at_most(self) -> bool:
        """Whether TSH rose on the second arm: it was worth less than the LT4 that it replaced."""
        return self.comparison.tsh is TshOutcome.HIGHER


def finding(comparison: Comparison, within: Fraction) -> Worth:
    """What was left out of the LT4, over what was put in its place.

    With a µg LT4 in the first arm, b µg LT4 and c µg LT3 (or grains) in the second: (a - b)/c, and
    with the same TSH from (a·(1 - within) - b)/c to (a·(1 + within) - b)/c.
    """
    first, second = comparison.first, comparison.second
    currency = WorthUnit.GRAIN if second.grains else WorthUnit.LT3
    amount = second.grains or second.lt3_ug
    value = (first.lt4_ug - second.lt4_ug) / amount
    if comparison.tsh is not TshOutcome.SAME:
        return Worth(comparison, currency, value, None, None)
    off = within * first.lt4_ug / amount
    return Worth(comparison, currency, value, value - off, value + off)


def findings(evidence: Evidence) -> tuple[Worth, ...]:
    """One for each comparison of which TSH is told."""
    return tuple(
        finding(one, evidence.same_tsh_within)
        for one in evidence.comparisons
        if one.tsh is not TshOutcome.NOT_TOLD
    )


def predicted(comparison: Comparison, basis: Basis) -> Fraction | None:
    """What a basis makes of the second arm, over the first; ``None`` outside a table's rows."""
    try:
        return comparison.second.worth(basis) / comparison.first.worth(basis)
    except DomainError:
        return None


def standing_of(basis: Basis, evidence: Evidence) -> TrialStanding:
    """Hold one basis against every comparison that it was not made from.

    With the same TSH the ratio observed is 1, so `predicted` is how far off the basis is.
    """
    ratios: list[Fraction] = []
    against: list[str] = []
    moved = 0
    made_from = tuple(one.id for one in evidence.comparisons if basis.id in one.made)
    for one in evidence.comparisons:
        ratio = predicted(one, basis)
        if ratio is None or one.id in made_from or one.tsh is TshOutcome.NOT_TOLD:
            continue
        if one.tsh is TshOutcome.SAME:
            ratios.append(ratio)
            continue
        moved += 1
        if (ratio >= 1) if one.tsh is TshOutcome.HIGHER else (ratio <= 1):
            against.append(one.id)
    return TrialStanding(
        held=len(ratios),
        typical=median(ratios) if ratios else None,
        lowest=min(ratios, default=None),
        highest=max(ratios, default=None),
        within=sum(abs(ratio - 1) <= evidence.same_tsh_within for ratio in ratios),
        against=tuple(against),
        moved=moved,
        made_from=made_from,
    )


@frozen
class Heterogeneity:
    """Cochran's Q over a number of findings, and Higgins' I²: the part of it beyond chance.

    `mean` is the fixed-effect mean, µg LT4 per µg LT3, around which Q is taken.
    """

    findings: int
    mean: float
    q: float
    i_squared: float


def heterogeneity(found: Iterable[Worth]) -> Heterogeneity:
    """Cochran's Q of the LT3 comparisons at the same TSH, each weighed by how narrow its interval
    is.

    Q = Σ w(x - mean)², w = 1/se², se = (high - low)/(2 · 1.96); I² = max(0, (Q - df)/Q).
    """
    pairs = [
        (float(one.value), float(one.high - one.low) / (2 * _NORMAL_95))
        for one in found
        if one.currency is WorthUnit.LT3 and one.low is not None and one.high is not None
    ]
    weights = [1 / se**2 for _, se in pairs]
    mean = sum(w * x for w, (x, _) in zip(weights, pairs, strict=True)) / sum(weights)
    q = sum(w * (x - mean) ** 2 for w, (x, _) in zip(weights, pairs, strict=True))
    spare = max(0.0, q - (len(pairs) - 1))
    return Heterogeneity(len(pairs), mean, q, spare / q if q else 0.0)


@frozen
class SerumRow:
    """A serum hormone on the second arm over the first: by the paper and by the model.

    `low` and `high` are the model's ends over the band of its parameters.
    """

    comparison: Comparison
    hormone: str
    published: float
    modelled: float
    low: float
    high: float


def serum_rows(evidence: Evidence, kinetics: KineticsTable) -> Iterator[SerumRow]:
    """Every T4 and T3 that both arms of a comparison give, against the model at steady state."""
    sets = (kinetics.default, *kinetics.corners)
    for one in evidence.comparisons:
        for hormone in ("t4", "t3"):
            first, second = getattr(one.first, hormone), getattr(one.second, hormone)
            if first and second:
                modelled = [_modelled(one, hormone, each, evidence.content) for each in sets]
                published = float(second.mean / first.mean)
                yield SerumRow(one, hormone, published, modelled[0], min(modelled), max(modelled))


def _modelled(
    comparison: Comparison, hormone: str, kinetics: Kinetics, content: GrainContent
) -> float:
    arms = (comparison.first, comparison.second)
    first, second = (steady(_intake(arm, content)) for arm in arms)
    if hormone == "t4":
        return second.t4 / first.t4
    return kinetics.t3_total(second) / kinetics.t3_total(first)


def _intake(arm: Arm, content: GrainContent) -> Intake:
    return Intake(
        float(arm.lt4_ug + content.t4_ug * arm.grains),
        float(arm.lt3_ug),
        float(content.t3_ug * arm.grains),
    )
