"""A regimen on every basis side by side, and what a published range says of the outcome."""

from collections.abc import Iterable
from dataclasses import replace
from fractions import Fraction

from crossgrain.dosing.bases import Basis
from crossgrain.dosing.plan import BasisRow
from crossgrain.dosing.regimens import Regimen
from crossgrain.dosing.targets import Mixture, Target, TargetDose, target_dose
from crossgrain.names.errors import Category, DomainError
from crossgrain.names.values import frozen


def compare(
    regimen: Regimen, bases: Iterable[Basis], target: Target, mixture: Mixture
) -> tuple[BasisRow, ...]:
    """One row per basis; a table chart that does not reach the dose says so in its row."""
    return tuple(_row(regimen, basis, target, mixture) for basis in bases)


def _row(regimen: Regimen, basis: Basis, target: Target, mixture: Mixture) -> BasisRow:
    lt4_equivalent_ug: Fraction | None = None
    dose: TargetDose | None = None
    refused = ""
    try:
        lt4_equivalent_ug = basis.lt4_equivalent(regimen)
        basis.weights_at(lt4_equivalent_ug)  # refused where the sum lies beyond a table's rows
        dose = target_dose(target, lt4_equivalent_ug, basis, mixture)
    except DomainError as beyond:
        refused = beyond.message
    return BasisRow(
        basis,
        lt4_equivalent_ug,
        dose,
        refused,
    )


def aimed_at(dose: TargetDose, rows: tuple[BasisRow, ...]) -> tuple[BasisRow, ...]:
    """The comparison where every basis that reaches the dose aims at the same."""
    return tuple(replace(row, target=row.target and dose) for row in rows)


def aim_on(basis_id: str, rows: Iterable[BasisRow]) -> TargetDose:
    """The chosen basis' target.

    Raises
    ------
    DomainError
        field ``basis``: no such basis, one for comparison only, or a chart that does not
        reach the dose.
    """
    by_id = {row.basis_id: row for row in rows}
    row = by_id.get(basis_id)
    if row is None:
        raise DomainError(Category.INVALID, "basis", f"the basis is one of {', '.join(by_id)}")
    if not row.sets_checkpoint:
        raise DomainError(
            Category.INVALID, "basis", f"“{basis_id}” is for comparison only and steers no plan"
        )
    if row.target is None:
        raise DomainError(Category.OUT_OF_RANGE, "basis", row.refused)
    return row.target


def spread(rows: Iterable[BasisRow]) -> Fraction | None:
    """By what factor the bases that steer a plan disagree: largest target over smallest.

    Of a combination, the medicine on which they disagree most.
    """
    targets = [row.target for row in rows if row.target and row.sets_checkpoint]
    parts = (
        [getattr(target, part) for target in targets] for part in ("lt4_ug", "lt3_ug", "grains")
    )
    return max((max(doses) / min(doses) for doses in parts if doses and min(doses)), default=None)


@frozen
class HandoutRow:
    """A desiccated dose, mg, and the range of LT4, µg, that a handout gives for it."""

    mg: Fraction
    lt4_ug: Fraction
    low_ug: Fraction
    high_ug: Fraction


@frozen
class CrossChecks:
    """The tables, each with its source."""

    handout: tuple[HandoutRow, ...]
    handout_source: str
    lt4_ug_per_kg: Fraction
    weight_source: str

    def lt4_range(self, mg: Fraction) -> tuple[Fraction, Fraction] | None:
        """The handout's range of LT4 for a desiccated dose, µg.

        Between two rows, from the lower row's low to the upper row's high; ``None`` outside.
        """
        below = [row for row in self.handout if row.mg <= mg]
        above = [row for row in self.handout if row.mg >= mg]
        if not below or not above:
            return None
        return below[-1].low_ug, above[0].high_ug
