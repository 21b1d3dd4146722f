"""Every basis side by side: what a regimen is worth on each, and the target it gives."""

from collections.abc import Iterable
from fractions import Fraction

from crossgrain.dosing.bases import Basis
from crossgrain.dosing.errors import DomainError
from crossgrain.dosing.plan import BasisRow
from crossgrain.dosing.regimens import Regimen
from crossgrain.dosing.targets import Mixture, Target, TargetDose, target_dose


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
        dose = target_dose(target, lt4_equivalent_ug, basis, mixture)
    except DomainError as beyond:
        refused = beyond.message
    return BasisRow(
        basis.id,
        basis.statement,
        basis.source,
        basis.grade,
        basis.sets_checkpoint,
        lt4_equivalent_ug,
        dose,
        refused,
    )

