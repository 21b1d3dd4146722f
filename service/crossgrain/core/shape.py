"""Orders known as a series by their shape, where a system keeps none of our extensions.

Dated doses, the rising medicine by no more than one increment and no sooner than the shortest
interval of a pace, or LT4 at once; the old one never rising, all of it at or below the dose at
which a climb waits for labs. What lies outside is no series.
"""

from collections.abc import Iterable, Iterator, Sequence
from fractions import Fraction
from itertools import pairwise

from crossgrain.catalogue import Catalogue
from crossgrain.core.judge import by_date
from crossgrain.core.proposal import DEFAULT_FAMILY
from crossgrain.dosing.forecast import course, coverage_extremes, coverage_weights
from crossgrain.dosing.kinetics import ConstantIntake, intake_of, steady
from crossgrain.dosing.preparations import Kind, Preparation
from crossgrain.dosing.regimens import Regimen
from crossgrain.dosing.targets import TARGET_OF, TargetDose
from crossgrain.names.errors import DomainError
from crossgrain.reading.record import MedicineEntry, Record, Span


def climbs_by_shape(record: Record, orders: Sequence[MedicineEntry], catalogue: Catalogue) -> bool:
    """Whether the orders together have the shape of a series that begins or goes on.

    A move in which T3 does not rise may start LT4 at once, where the orders themselves bring
    the old medicine down.
    """
    spans = [span for order in orders for span in order.by_date]
    if any(span.first_day is None or span.last_day is None for span in spans):
        return False
    now, steps = record.regimen, by_date(orders)
    if exchanges_product(now, orders):
        return False
    ways = _ways(now, orders, steps)
    rising = {kind for kind, way in ways.items() if any(b > a for a, b in pairwise(way))}
    falling = {kind for kind, way in ways.items() if way[-1] < way[0]}
    if rising & falling or not rising or frozenset(rising) not in TARGET_OF:
        return False
    if Kind.LEVOTHYROXINE in rising and not (falling and rising == {Kind.LEVOTHYROXINE}):
        return False
    preparations = {line.preparation.kind: line.preparation for o in orders for line in o.lines}
    days = [0, *(first for first, _ in steps)]
    steady = all(
        _rises_slowly(preparations[kind], ways[kind], days, _since(record, kind), catalogue)
        for kind in rising
        if preparations[kind].carries_t3
    )
    return (
        steady
        and _within_checkpoint(now, rising, ways, preparations, catalogue)
        and not _too_much_together(record, orders, rising, catalogue)
    )


def exchanges_product(now: Regimen, orders: Sequence[MedicineEntry]) -> bool:
    """Whether desiccated thyroid is ordered of another grain family than is taken."""
    taken = {line.preparation.id for line in now if line.grains}
    ordered = {
        line.preparation.id
        for order in orders
        for line in order.lines
        if line.preparation.kind is Kind.DESICCATED_THYROID
    }
    return bool(taken) and bool(ordered - taken)


def _amount(regimen: Regimen, kind: Kind) -> Fraction:
    return sum((line.daily for line in regimen if line.preparation.kind is kind), Fraction(0))


def _ways(
    now: Regimen, orders: Sequence[MedicineEntry], steps: Sequence[tuple[int, Regimen]]
) -> dict[Kind, list[Fraction]]:
    """For each medicine ordered: what is taken now, then from each step's day on.

    Until the first order for it begins, a medicine goes on as it is taken now.
    """
    ways: dict[Kind, list[Fraction]] = {}
    for kind in {line.preparation.kind for order in orders for line in order.lines}:
        firsts = [
            span.first_day or 0
            for order in orders
            for span in order.by_date
            if any(line.preparation.kind is kind for line in span.lines)
        ]
        ways[kind] = [_amount(now, kind)] + [
            _amount(now if day < min(firsts) else dose, kind) for day, dose in steps
        ]
    return ways


def _since(record: Record, kind: Kind) -> int | None:
    """Days for which the present dose of a medicine has been taken, or ``None``."""
    firsts = [
        entry.since
        for entry in (*record.current, *record.past)
        if entry.since is not None and any(line.preparation.kind is kind for line in entry.lines)
    ]
    return -max(firsts) if firsts else None


def _rises_slowly(
    preparation: Preparation,
    way: Sequence[Fraction],
    days: Sequence[int],
    since: int | None,
    catalogue: Catalogue,
) -> bool:
    """One increment at a time, no sooner than the shortest interval of a pace."""
    shortest, last_rise = shortest_interval(catalogue), None
    if way[0]:
        if since is None:
            return False
        last_rise = -since
    for (before, after), day in zip(pairwise(way), days[1:], strict=True):
        if after <= before:
            continue
        if after - before > preparation.increment:
            return False
        if last_rise is not None and day - last_rise < shortest:
            return False
        last_rise = day
    return True


def _too_much_together(
    record: Record,
    orders: Sequence[MedicineEntry],
    rising: set[Kind],
    catalogue: Catalogue,
) -> bool:
    """Whether old and new together come to more than today's dose allows, on every chart.

    LT4 that starts at once builds up for weeks while the old medicine falls by date: there the
    modelled coverage counts, else the doses themselves.
    """
    spans = [span for order in orders for span in order.by_date]
    ends = {(span.last_day or 0) + 1 for span in spans}
    begun = {max(span.first_day or 0, 0) for span in (*spans, *_going_on(record))}
    days = sorted({0, *(day for day in begun if day < max(ends)), *ends})
    taken = [_taken_on(day, record, orders) for day in days[:-1]]
    lasting = [end - start for start, end in pairwise(days)]
    over = catalogue.rules.judgement["over"].value
    if rising == {Kind.LEVOTHYROXINE}:
        way = list(zip(lasting, taken, strict=True))
        return all(covered > over for covered in _modelled(record.regimen, way, catalogue))
    return any(
        all(ratio > over for ratio in _ratios(record.regimen, then, catalogue)) for then in taken
    )


def _going_on(record: Record) -> Iterator[Span]:
    """The doses that stand today, and those that their orders go on to."""
    return (span for entry in record.current for span in entry.by_date)


def _taken_on(day: int, record: Record, orders: Sequence[MedicineEntry]) -> Regimen:
    """What is taken on a day: as ordered, and what by then nothing has ended or replaced."""
    spans = [span for order in orders for span in order.by_date]
    begins: dict[Kind, int] = {}
    for span in spans:
        for line in span.lines:
            kind, first = line.preparation.kind, span.first_day or 0
            begins[kind] = min(begins.get(kind, first), first)
    replaced = {order.replaced for order in orders}
    going_on = [
        line
        for entry in record.current
        for span in entry.by_date
        if span.holds(day)
        for line in span.lines
        if (
            day < begins[line.preparation.kind]
            if line.preparation.kind in begins
            else entry.reference not in replaced
        )
    ]
    ordered = (line for span in spans if span.holds(day) for line in span.lines)
    return Regimen((*ordered, *going_on))


def _modelled(
    now: Regimen, way: Sequence[tuple[int, Regimen]], catalogue: Catalogue
) -> Iterator[float]:
    """The highest modelled coverage of today's dose on the way, on each chart that reaches."""
    old = intake_of(now)
    periods = [ConstantIntake(days, intake_of(then)) for days, then in way]
    followed = course(catalogue.kinetics.default, steady(old), periods)
    for basis in catalogue.bases:
        try:
            weights = basis.weights_at(basis.lt4_equivalent(now))
        except DomainError:  # a table chart that does not reach
            continue
        if basis.sets_checkpoint:
            per_pool = coverage_weights(weights, old)
            yield coverage_extremes(followed, basis, weights, per_pool).highest.value


def _ratios(now: Regimen, then: Regimen, catalogue: Catalogue) -> list[Fraction]:
    ratios = []
    for basis in catalogue.bases:
        try:
            if basis.sets_checkpoint:
                ratios.append(basis.lt4_equivalent(then) / basis.lt4_equivalent(now))
        except DomainError:  # a table chart that does not reach
            continue
    return ratios


def _within_checkpoint(
    now: Regimen,
    rising: Iterable[Kind],
    ways: dict[Kind, list[Fraction]],
    preparations: dict[Kind, Preparation],
    catalogue: Catalogue,
) -> bool:
    """Whether the rising medicines stay at or below the smallest target of the comparison."""
    kinds = frozenset(rising)
    family = preparations.get(Kind.DESICCATED_THYROID)
    plans = catalogue.plans[family.id if family else DEFAULT_FAMILY]
    rows = plans.compare(now, TARGET_OF[kinds], catalogue.policy.combining.mixture())
    targets = [row.target for row in rows if row.sets_checkpoint and row.target]
    return bool(targets) and all(
        max(ways[kind])
        <= max(min(_of_kind(t, preparations[kind]) for t in targets), preparations[kind].increment)
        for kind in kinds
    )


def _of_kind(dose: TargetDose, preparation: Preparation) -> Fraction:
    if preparation.kind is Kind.LEVOTHYROXINE:
        return dose.lt4_ug
    if preparation.kind is Kind.LIOTHYRONINE:
        return dose.lt3_ug
    return dose.grains * (preparation.mg_per_grain or 0)


def shortest_interval(catalogue: Catalogue) -> int:
    """Days between two rises at the fastest pace."""
    return min(pace.interval_days for pace in catalogue.policy.paces.values())
