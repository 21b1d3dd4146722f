"""Bases of equivalence: what a chart says one grain and one µg of LT3 are worth in LT4.

Published and common-practice charts disagree by a factor of two, so every answer is
computed on every basis. The unit throughout is µg of LT4 per day.
"""

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import field
from enum import StrEnum
from fractions import Fraction

from crossgrain.dosing.regimens import Regimen
from crossgrain.names.errors import Category, DomainError
from crossgrain.names.printing import decimal
from crossgrain.names.values import frozen


class Grade(StrEnum):
    """How much stands behind a basis."""

    LABEL = "label"
    TRIAL = "trial"
    COMMON_PRACTICE = "common-practice"
    ARITHMETIC = "arithmetic"
    REFERENCE = "reference"
    CLINIC = "clinic"


@frozen
class GrainContent:
    """What a labelled grain of desiccated thyroid contains, µg, in either strength family."""

    t4_ug: Fraction
    t3_ug: Fraction


@frozen
class Weights:
    """What a basis makes of a grain and of a microgram of LT3, in µg LT4."""

    lt4_ug_per_grain: Fraction
    lt4_ug_per_lt3_ug: Fraction
    content: GrainContent = field(repr=False)
    """Of the grain that is weighed."""
    secant: bool = False
    """True where a table chart is replaced by its straight line at one dose."""

    @property
    def lt4_ug_per_desiccated_t3_ug(self) -> Fraction:
        """The weight of T3 swallowed in desiccated thyroid, once its T4 has weighed 1.

        (w - 38) / 9, so that 38 µg T4 and 9 µg T3 together weigh the basis' w.

        >>> grain = GrainContent(Fraction(38), Fraction(9))
        >>> Weights(Fraction(100), Fraction(4), grain).lt4_ug_per_desiccated_t3_ug
        Fraction(62, 9)
        """
        return (self.lt4_ug_per_grain - self.content.t4_ug) / self.content.t3_ug

    def lt4_equivalent(self, lt4_ug: Fraction, lt3_ug: Fraction, grains: Fraction) -> Fraction:
        """What a daily dose of LT4, LT3 and desiccated thyroid together is worth, µg LT4.

        >>> grain = GrainContent(Fraction(38), Fraction(9))
        >>> practice = Weights(Fraction(50), Fraction(2), grain)
        >>> practice.lt4_equivalent(Fraction(25), Fraction(5), Fraction(1))
        Fraction(85, 1)
        """
        total = lt4_ug  # most doses hold no more than two of the three
        if lt3_ug:
            total += self.lt4_ug_per_lt3_ug * lt3_ug
        if grains:
            total += self.lt4_ug_per_grain * grains
        return total


@frozen
class ChartRow:
    """One row of a table chart: three daily doses that the chart calls equivalent."""

    lt4_ug: Fraction
    grains: Fraction
    lt3_ug: Fraction


@frozen
class TrialStanding:
    """How a basis fared against the published comparisons; see `evidence.standing_of`.

    Attributes
    ----------
    held : how many comparisons at the same TSH it was held against
    typical, lowest, highest : median and ends of what it makes of the arm that holds T3, over
        what it makes of the LT4 that left TSH the same; 1 is right; None where none was held
    within : how many of `held` it puts no further off than the same TSH allows
    against : ids of the comparisons in which TSH moved the way that it calls impossible
    moved : how many comparisons there are in which TSH moved
    made_from : ids of those that it was made from, which are not counted
    """

    held: int
    typical: Fraction | None
    lowest: Fraction | None
    highest: Fraction | None
    within: int
    against: tuple[str, ...]
    moved: int
    made_from: tuple[str, ...]


@frozen
class Basis:
    """A chart: proportional (`weights`) or a table of `rows`.

    A table is interpolated between its rows and refused outside them; nothing is
    extrapolated.
    """

    id: str
    statement: str
    source: str
    grade: Grade
    content: GrainContent = field(repr=False)
    """Of a labelled grain, on every basis the same."""
    sets_checkpoint: bool = True
    weights: Weights | None = None
    rows: tuple[ChartRow, ...] = ()
    standing: TrialStanding | None = field(default=None, repr=False, compare=False)
    """How it fared against published comparisons; no dose depends on it."""

    def lt4_equivalent(self, regimen: Regimen) -> Fraction:
        """LT4-equivalent of a regimen on this basis, µg per day.

        Pure T4 counts 1; pure T3 and desiccated thyroid count as the chart says.

        Raises
        ------
        DomainError
            ``out-of-range`` where a table chart does not reach the dose.
        """
        return self.lt4_for(regimen.pure_t4_ug, regimen.pure_t3_ug, regimen.grains)

    def lt4_for(self, lt4_ug: Fraction, lt3_ug: Fraction, grains: Fraction) -> Fraction:
        """LT4-equivalent of LT4 + LT3 + desiccated thyroid, µg per day."""
        if self.weights is not None:
            return self.weights.lt4_equivalent(lt4_ug, lt3_ug, grains)
        total = lt4_ug
        if lt3_ug:
            total += self._between([row.lt3_ug for row in self.rows], self._lt4s(), lt3_ug)
        if grains:
            total += self._between([row.grains for row in self.rows], self._lt4s(), grains)
        return total

    def weights_at(self, lt4_ug: Fraction) -> Weights:
        """The weights of a proportional chart, or a table's secant at one LT4 dose.

        A table has no weight of its own. Coverage takes the straight line from zero to the
        old dose, and says so (`Weights.secant`).
        """
        if self.weights is not None:
            return self.weights
        grains, lt3_ug = self.grains_for(lt4_ug), self.lt3_for(lt4_ug)
        if not grains or not lt3_ug:
            raise DomainError(
                Category.OUT_OF_RANGE, self.id, "a dose of zero has no weight on a table chart"
            )
        return Weights(lt4_ug / grains, lt4_ug / lt3_ug, self.content, secant=True)

    def grains_for(self, lt4_ug: Fraction) -> Fraction:
        """Grains of desiccated thyroid that this basis calls equivalent to so much LT4."""
        if self.weights is not None:
            return lt4_ug / self.weights.lt4_ug_per_grain
        return self._between(self._lt4s(), [row.grains for row in self.rows], lt4_ug)

    def lt3_for(self, lt4_ug: Fraction) -> Fraction:
        """LT3, µg, that this basis calls equivalent to so much LT4."""
        if self.weights is not None:
            return lt4_ug / self.weights.lt4_ug_per_lt3_ug
        return self._between(self._lt4s(), [row.lt3_ug for row in self.rows], lt4_ug)

    def lt3_beside(self, ratio: Fraction, lt4_equivalent_ug: Fraction) -> Fraction:
        """LT3, µg, that makes up an LT4-equivalent together with `ratio` times as much LT4.

        LT3 = E/(r + k) on a proportional chart; on a table, the crossing of the two lines.
        """
        if self.weights is not None:
            return lt4_equivalent_ug / (ratio + self.weights.lt4_ug_per_lt3_ug)
        lt3s = [row.lt3_ug for row in self.rows]
        totals = [ratio * row.lt3_ug + row.lt4_ug for row in self.rows]
        return self._between(totals, lt3s, lt4_equivalent_ug)

    def _lt4s(self) -> list[Fraction]:
        return [row.lt4_ug for row in self.rows]

    def _between(self, xs: Sequence[Fraction], ys: Sequence[Fraction], x: Fraction) -> Fraction:
        """Straight line between the two rows around `x`; refused outside the rows."""
        if not xs[0] <= x <= xs[-1]:
            raise DomainError(
                Category.OUT_OF_RANGE,
                self.id,
                f"the chart runs from {decimal(xs[0])} to {decimal(xs[-1])} and does not"
                f" reach {decimal(x)}; nothing is extrapolated",
            )
        above = max(bisect_left(xs, x), 1)
        x0, x1 = xs[above - 1], xs[above]
        return ys[above - 1] + (x - x0) / (x1 - x0) * (ys[above] - ys[above - 1])
