"""The bases' targets in climbing order, and the dose at which the climb waits for labs."""

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

from crossgrain.dosing.bases import Grade
from crossgrain.dosing.case import SwitchCase
from crossgrain.dosing.combination import checkpoint_pair
from crossgrain.dosing.moves import on_grid, rungs
from crossgrain.dosing.plan import BasisRow, Rung
from crossgrain.dosing.targets import Target, TargetDose
from crossgrain.names.errors import Category, DomainError


def ladder_to(
    case: SwitchCase, rows: Sequence[BasisRow], aim: TargetDose, ratio: Fraction
) -> tuple[Rung, ...]:
    """The bases' targets as points along the climb to the aim, smallest first.

    On basis b the climb has reached the old regimen's worth at E(b)/worth(b, aim) of the aim. Where
    the patient needs less than that, every point comes so much lower; where more, none is higher.
    Each is rounded down; of LT4 and LT3 the smallest, at which the climb waits, so that the two
    keep their ratio, `ratio` as near as may be.

    Raises
    ------
    DomainError
        ``out-of-range``, field ``ratio``, where no tablets keep it; ``stock``, where none make a
        target.
    """
    targets = {row.basis_id: row.target for row in rows if row.target}
    points = []
    for enabled in case.enabled:
        if case.target is Target.DESICCATED_LT3:  # each basis mixes it in its own proportion
            worth = enabled.weights.lt4_equivalent(aim.lt4_ug, aim.lt3_ug, aim.grains)
            share = enabled.lt4_equivalent_ug / worth
        else:
            share = targets[enabled.basis.id].share_of(aim)
        points.append((share * case.lowers, enabled.basis))
    smallest, *larger = (
        Rung(basis, aim.times(share), on_grid(aim.times(share), case.products))
        for share, basis in sorted(points, key=lambda point: point[0])
    )
    if case.target is Target.LT4_LT3:
        smallest = replace(smallest, on_grid=checkpoint_pair(case, ratio))
    return (smallest, *larger)


def checkpoint_dose(
    case: SwitchCase, ladder: Sequence[Rung], *, at_least_most_generous: bool
) -> tuple[TargetDose, str]:
    """The dose at which the climb waits, and the basis that set it.

    The smallest target of all; in pregnancy a move to LT4 starts at no less than the largest
    sourced one instead.
    """
    if not (at_least_most_generous and case.target is Target.LEVOTHYROXINE):
        return ladder[0].on_grid, ladder[0].basis_id
    sourced = [rung for rung in ladder if rung.basis.grade in {Grade.LABEL, Grade.TRIAL}]
    largest = (sourced or list(ladder))[-1]
    lt4 = case.products.levothyroxine
    doses = rungs(lt4, lt4.increment)
    at = bisect_left(doses, largest.target.lt4_ug)
    if at == len(doses):
        raise DomainError(Category.OUT_OF_RANGE, "stock", "no tablets reach the target of LT4")
    return TargetDose(lt4_ug=doses[at]), largest.basis_id
