"""The bases' targets in climbing order, and the dose at which the climb waits for labs.

Tablets of LT3 are coarse beside those of LT4, so that each rounded by itself leaves the ratio: of
25 µg LT4 they would make 2.5:1. So both are chosen together, or the move is refused.
"""

from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from functools import lru_cache
from math import log

from crossgrain.dosing.bases import Grade
from crossgrain.dosing.case import Enabled, SwitchCase
from crossgrain.dosing.moves import amounts_of, evenly_divided, on_grid, rungs
from crossgrain.dosing.plan import BasisRow, Rung
from crossgrain.dosing.preparations import Preparation
from crossgrain.dosing.targets import Combining, Target, TargetDose
from crossgrain.dosing.wording import dose_words, ratio_limits
from crossgrain.names.errors import Category, DomainError
from crossgrain.names.printing import percent


@lru_cache(maxsize=64)  # a tablet table, as those that it is made of
def pairs(lt4: Preparation, lt3: Preparation, within: Combining) -> tuple[TargetDose, ...]:
    """The orderable doses of LT4 and LT3 that keep the range of ratios, the least LT3 first."""
    doses = rungs(lt4, lt4.increment)
    return tuple(
        TargetDose(lt4_ug, lt3_ug)
        for lt3_ug in evenly_divided(lt3)
        for lt4_ug in doses
        if within.holds(lt4_ug, lt3_ug)
    )


def _every_pair(case: SwitchCase) -> tuple[TargetDose, ...]:
    products = case.products
    return pairs(products.levothyroxine, products.liothyronine, case.policy.combining)


def _pairs(case: SwitchCase) -> Iterator[TargetDose]:
    """Those with no more LT4 than may be at all: on no basis does LT3 weigh nothing."""
    needed = case.lowers * min(e.lt4_equivalent_ug for e in case.enabled)
    most = case.policy.pair_highest * needed
    return (pair for pair in _every_pair(case) if pair.lt4_ug <= most)


def checkpoint_pair(case: SwitchCase, ratio: Fraction) -> TargetDose:
    """The pair at which the climb waits: on the strictest basis today's dose, rounded down.

    Where no pair lies close enough below it, the one above. Among those that are as near as
    tablets need come, the nearest to the ratio asked for.

    Raises
    ------
    DomainError
        ``out-of-range``, field ``ratio``, where no pair comes near today's dose.
    """
    near = [
        (worth, pair)
        for pair in _pairs(case)
        if case.policy.pair_lowest
        <= (worth := strictest(case, pair)[0])
        <= case.policy.pair_highest
    ]
    if not near:
        raise _none_near(case)
    tolerance = case.policy.tolerance

    def rank(found: tuple[Fraction, TargetDose]) -> tuple[object, ...]:
        worth, pair = found
        off = abs(log(worth))
        far = off if abs(worth - 1) > tolerance else 0.0
        return worth > 1, far, abs(log(pair.lt4_ug / pair.lt3_ug / ratio)), off

    return min(near, key=rank)[1]


def settled_pair(
    case: SwitchCase,
    on: Sequence[Enabled],
    kept: Mapping[str, Fraction],
    remainder: Mapping[str, Fraction],
) -> TargetDose | None:
    """The pair nearest to all that is taken, once labs in range end what is left over.

    It has no less LT4 and no more T3 than now, so that nothing climbs.

    Parameters
    ----------
    on : the bases that the labs support
    kept, remainder : daily amounts of the target's medicines, and of what is left of the old one
    """
    now = {**kept, **remainder}
    lt4_ug, t3_ug = kept[case.products.levothyroxine.id], case.t3_ug(now)
    covered = [enabled.coverage(case.intake(now)) for enabled in on]

    def off(pair: TargetDose) -> float:
        amounts = {p.id: amount for p, amount in amounts_of(pair, case.products)}
        intake = case.intake(amounts)
        return max(abs(log(e.coverage(intake) / c)) for e, c in zip(on, covered, strict=True))

    fitting = (pair for pair in _every_pair(case) if pair.lt4_ug >= lt4_ug and pair.lt3_ug <= t3_ug)
    return min(fitting, key=off, default=None)


def strictest(case: SwitchCase, dose: TargetDose) -> tuple[Fraction, Enabled]:
    """What a dose is worth on the basis that thinks most of it, as a part of today's dose, or of
    what the patient needs where that is less."""
    return max(
        (
            (enabled.weights.lt4_equivalent(dose.lt4_ug, dose.lt3_ug, dose.grains)
             / enabled.lt4_equivalent_ug / case.lowers, enabled)
            for enabled in case.enabled
        ),
        key=lambda found: found[0],
    )  # fmt: skip


def _none_near(case: SwitchCase) -> DomainError:
    nearest = min(
        _every_pair(case), key=lambda pair: abs(log(strictest(case, pair)[0])), default=None
    )
    around = ""
    if nearest:
        worth, enabled = strictest(case, nearest)
        around = (
            f"; the nearest is {dose_words(nearest)}, {percent(worth)} of it on the basis"
            f" “{enabled.basis.id}”"
        )
    return DomainError(
        Category.OUT_OF_RANGE,
        "ratio",
        f"no tablets keep LT4 to LT3 at {ratio_limits(case.policy.combining)} (ETA 2012) and come"
        f" near today's dose{around}",
    )


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
