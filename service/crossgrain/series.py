"""A series in a record: whether one is under way, and which drafts are steps of one.

Ours is known by the extension that it carries. Where a system keeps none, a series is known by
its shape: dated doses that follow one another, the new medicine rising by no more than one
increment and no sooner than the shortest interval of a pace, the old one never rising, all of it
at or below the dose at which a climb waits for labs. What lies outside is no series.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise

from crossgrain.catalogue import Catalogue
from crossgrain.dosing.errors import DomainError
from crossgrain.dosing.preparations import Kind, Preparation
from crossgrain.dosing.regimens import Regimen
from crossgrain.dosing.targets import TARGET_OF, Mixture, TargetDose
from crossgrain.fhir.read.record import MarkedOrder, MedicineEntry, Record
from crossgrain.judge import by_date, spans_of
from crossgrain.safety.facts import RunningPlan
from crossgrain.safety.rule import RuleTable

_TAKEN_UP = {"active", "completed", "on-hold"}
PLAN_RUNNING = "plan-running"
"""The rule that stops a call for a plan while another runs; it owns the numbers below."""


def running_plan(record: Record, catalogue: Catalogue) -> RunningPlan | None:
    """The plan that the patient is in the midst of, by its extension or by its shape."""
    return _by_mark(record, catalogue.rules) or _by_shape(record, catalogue)


def _by_mark(record: Record, rules: RuleTable) -> RunningPlan | None:
    """A plan that was taken up: by a signed order not over for long, or by its care plan."""
    supply = int(rules.before[PLAN_RUNNING].number("supply"))
    closed = {
        one.mark.facts.plan_id
        for one in record.marked
        if one.mark.ordered is None and one.status in {"completed", "revoked"}
    }
    for one in record.marked:
        facts, ordered = one.mark.facts, one.mark.ordered
        if not one.signed or facts.plan_id in closed:
            continue
        last = ordered.last_day if ordered else facts.decision
        if (record.as_of - last).days <= supply:
            return RunningPlan(
                facts.target,
                one.reference,
                facts.day_one.isoformat(),
                facts.decision.isoformat(),
            )
    return None


@dataclass(frozen=True, slots=True)
class _Dose:
    """What was ordered of one medicine from one day to another, both included."""

    preparation: Preparation
    daily: Fraction
    first_day: int
    last_day: int
    reference: str


def _by_shape(record: Record, catalogue: Catalogue) -> RunningPlan | None:
    """An old medicine that tapers beside a new one that climbs, both dated and unbroken."""
    supply = int(catalogue.rules.before[PLAN_RUNNING].number("supply"))
    chains = [chain for kind in Kind if (chain := _chain(record, kind, supply))]
    for climbing in chains:
        if not _climbs(climbing, catalogue):
            continue
        for tapering in chains:
            meets = tapering and tapering[-1].last_day >= climbing[0].first_day - 1
            if tapering is not climbing and meets and _tapers(tapering):
                target = TARGET_OF[frozenset({climbing[0].preparation.kind})]
                return RunningPlan(target, climbing[-1].reference)
    return None


def _chain(record: Record, kind: Kind, supply: int) -> list[_Dose]:
    """The doses of one kind that follow one another without a gap, up to now or beyond."""
    chain: list[_Dose] = []
    for dose in _dated_doses(record, kind):
        before = chain[-1] if chain else None
        if before and (before.first_day, before.last_day) == (dose.first_day, dose.last_day):
            chain[-1] = replace(before, daily=before.daily + dose.daily)
        elif before and before.last_day + 1 == dose.first_day:
            chain.append(dose)
        else:
            chain = [dose]
    begun = any(dose.first_day <= 0 for dose in chain)
    return chain if begun and chain[-1].last_day >= -supply else []


def _dated_doses(record: Record, kind: Kind) -> list[_Dose]:
    """Signed orders of one kind with a first and a last day, the earliest first."""
    doses = [
        _Dose(
            entry.lines[0].preparation,
            sum((line.daily for line in entry.lines), Fraction(0)),
            entry.first_day,
            entry.last_day,
            entry.reference,
        )
        for entry in (*record.past, *record.current, *record.ahead)
        if entry.first_day is not None
        and entry.last_day is not None
        and entry.status in _TAKEN_UP
        and entry.resource_type == "MedicationRequest"
        and {line.preparation.kind for line in entry.lines} == {kind}
    ]
    return sorted(doses, key=lambda dose: (dose.first_day, dose.last_day))


def _climbs(chain: Sequence[_Dose], catalogue: Catalogue) -> bool:
    increment = chain[0].preparation.increment
    rises = [later.daily - earlier.daily for earlier, later in pairwise(chain)]
    lasted = [dose.last_day - dose.first_day + 1 for dose in chain[:-1]]
    return (
        chain[0].preparation.carries_t3
        and chain[0].daily <= increment
        and all(0 <= rise <= increment for rise in rises)
        and any(rises)
        and min(lasted) >= _shortest_interval(catalogue)
    )


def _tapers(chain: Sequence[_Dose]) -> bool:
    falls = [earlier.daily - later.daily for earlier, later in pairwise(chain)]
    return any(falls) and all(fall >= 0 for fall in falls)


def _shortest_interval(catalogue: Catalogue) -> int:
    return min(pace.interval_days for pace in catalogue.policy.paces.values())


def with_last_supply(
    record: Record,
    rules: RuleTable,
    orders: Sequence[MedicineEntry] = (),
    running: RunningPlan | None = None,
) -> Record:
    """The record on the day on which the supply of a medicine has just ended.

    Until the next order is signed its last dose is what is taken: a signed step of ours whose
    days are over, a dated order while a plan runs, or one for a medicine that `orders` carry on,
    where nothing else is taken of it. A medicine that the plan gives up counts only on the day
    on which the supply of everything has ended: else its taper is over.
    """
    carried_on = {line.preparation.kind for order in orders for line in order.lines}
    supply = int(rules.before[PLAN_RUNNING].number("supply"))
    signed = {one.reference for one in record.marked if one.signed}
    ended = [
        entry
        for entry in record.past
        if entry.lines
        and (entry.reference in signed or _is_carried_on(entry, carried_on, running))
        and entry.last_day is not None
        and entry.last_day >= -supply
        and not _kinds(entry) & record.regimen.kinds
    ]
    last: dict[Kind, int | None] = {}
    for entry in sorted(ended, key=_last):
        last |= dict.fromkeys(_kinds(entry), entry.last_day)
    kept = carried_on | _aimed_at(record, running)
    if record.current:
        last = {kind: day for kind, day in last.items() if kind in kept}
    else:
        newest = max((_last(entry) for entry in ended), default=0)
        last = {kind: day for kind, day in last.items() if kind in kept or day == newest}
    latest = [e for e in ended if all(last.get(kind, 1) == e.last_day for kind in _kinds(e))]
    if not latest:
        return record
    current = (*record.current, *latest)
    regimen = Regimen(tuple(line for entry in current for line in entry.lines))
    return replace(record, current=current, facts=replace(record.facts, regimen=regimen))


def _kinds(entry: MedicineEntry) -> set[Kind]:
    return {line.preparation.kind for line in entry.lines}


def _aimed_at(record: Record, running: RunningPlan | None) -> set[Kind]:
    """The medicines to which the record's plans move."""
    targets = {one.mark.facts.target for one in record.marked if one.signed}
    targets |= {running.target} if running else set()
    return {kind for kinds, target in TARGET_OF.items() if target in targets for kind in kinds}


def _last(entry: MedicineEntry) -> int:
    return entry.last_day or 0


def _is_carried_on(entry: MedicineEntry, kinds: set[Kind], running: RunningPlan | None) -> bool:
    return (
        entry.resource_type == "MedicationRequest"
        and entry.status in _TAKEN_UP
        and (running is not None or _kinds(entry) <= kinds)
    )


def climbs_by_shape(record: Record, orders: Sequence[MedicineEntry], catalogue: Catalogue) -> bool:
    """Whether the orders together have the shape of a series that begins or goes on.

    A move in which T3 does not rise may start LT4 at once, where the orders themselves bring
    the old medicine down.
    """
    spans = [span for order in orders for span in spans_of(order)]
    if any(span.first_day is None or span.last_day is None for span in spans):
        return False
    now, steps = record.regimen, by_date(orders)
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
        and not _too_much_together(record, orders, steps, ways, catalogue)
    )


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
            for span in spans_of(order)
            if any(line.preparation.kind is kind for line in span.lines)
        ]
        ways[kind] = [_amount(now, kind)] + [
            _amount(now if day < min(firsts) else dose, kind) for day, dose in steps
        ]
    return ways


def _since(record: Record, kind: Kind) -> int | None:
    """Days for which the present dose of a medicine has been taken, or ``None``."""
    firsts = [
        entry.first_day
        for entry in (*record.current, *record.past)
        if entry.first_day is not None
        and any(line.preparation.kind is kind for line in entry.lines)
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
    shortest, last_rise = _shortest_interval(catalogue), None
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
    steps: Sequence[tuple[int, Regimen]],
    ways: dict[Kind, list[Fraction]],
    catalogue: Catalogue,
) -> bool:
    """Whether old and new together come to more than today's dose allows, on every chart.

    What is taken now and nothing ends, runs on beside the orders.
    """
    replaced = {order.replaced for order in orders}
    over = catalogue.rules.judgement["over"].value
    for place, (day, dose) in enumerate(steps, start=1):
        beside = [
            line
            for entry in record.current
            if entry.reference not in replaced and (entry.last_day is None or entry.last_day >= day)
            for line in entry.lines
            if line.preparation.kind not in ways
        ]
        waiting = [
            line
            for line in record.regimen
            if (way := ways.get(line.preparation.kind))
            and way[place]
            and not _amount(dose, line.preparation.kind)
        ]
        together = Regimen((*dose, *beside, *waiting))
        if all(ratio > over for ratio in _ratios(record.regimen, together, catalogue)):
            return True
    return False


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
    plans = catalogue.plans[family.id if family else "desiccated-thyroid-60"]
    rows = plans.compare(now, TARGET_OF[kinds], Mixture())
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


def drafts_outside_a_series(
    record: Record, orders: Sequence[MedicineEntry], catalogue: Catalogue
) -> tuple[MedicineEntry, ...]:
    """The orders that are judged for climbing and duplication: those that are no steps."""
    strangers = tuple(order for order in orders if not order.ours)
    if strangers and climbs_by_shape(record, strangers, catalogue):
        return ()
    return strangers


def marks_of(record: Record, orders: Sequence[MedicineEntry]) -> list[MarkedOrder]:
    """What those of the orders that carry our extension say, changed or not."""
    named = {order.reference for order in orders}
    return [one for one in record.marked if one.reference in named]
