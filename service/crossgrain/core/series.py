"""A series in a record: whether one is under way, and which drafts are steps of one.

Ours is known by the extension that it carries; where a system keeps none, by its shape: see
`shape` for drafts, and below for what was signed.
"""

from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise, permutations

from crossgrain.catalogue import Catalogue
from crossgrain.core.shape import climbs_by_shape, shortest_interval
from crossgrain.dosing.preparations import Kind, Preparation
from crossgrain.dosing.regimens import Regimen
from crossgrain.dosing.targets import TARGET_OF
from crossgrain.names.values import frozen
from crossgrain.reading.record import MarkedOrder, MedicineEntry, Record
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
        if not one.signed or facts.plan_id in closed or facts.titration:
            continue  # to adjust what is taken is no move
        last = ordered.last_day if ordered else facts.decision
        if (record.as_of - last).days <= supply:
            return RunningPlan(
                facts.target,
                one.reference,
                facts.day_one.isoformat(),
                facts.decision.isoformat(),
            )
    return None


@frozen
class _DatedDose:
    """What was ordered of one medicine from one day to another, both included."""

    preparation: Preparation
    daily: Fraction
    first_day: int
    last_day: int
    reference: str


def _by_shape(record: Record, catalogue: Catalogue) -> RunningPlan | None:
    """An old medicine that tapers beside a new one that climbs, both dated and unbroken.

    Where the move is to LT4 alone, that starts at once and stays as it is while the old medicine
    comes down in short steps.
    """
    supply = int(catalogue.rules.before[PLAN_RUNNING].number("supply"))
    chains = [chain for kind in Kind if (chain := _chain(record, kind, supply))]
    for new, old in permutations(chains, 2):
        begun = _climbs(new, catalogue) and old[-1].last_day >= new[0].first_day - 1
        if (begun and _tapers(old)) or _starts_at_once(new, old, record, catalogue):
            target = TARGET_OF[frozenset({new[0].preparation.kind})]
            return RunningPlan(target, new[-1].reference)
    return None


def _starts_at_once(
    new: Sequence[_DatedDose], old: Sequence[_DatedDose], record: Record, catalogue: Catalogue
) -> bool:
    """Whether LT4 that was not taken before stays the same from the day on which a taper begins.

    The taper's steps but the last are no longer than the longest interval of a pace, and within
    one order of LT4: refills are ordered anew together, and a dose that is adjusted stays longer.
    """
    kind, (first, *_) = new[0].preparation.kind, new
    longest = max(pace.interval_days for pace in catalogue.policy.paces.values())
    taken_before = any(
        kind in entry.kinds and (entry.first_day is None or entry.first_day < first.first_day)
        for entry in (*record.past, *record.current)
    )
    return (
        kind is Kind.LEVOTHYROXINE
        and not taken_before
        and old[0].preparation.carries_t3
        and old[0].first_day == first.first_day
        and len({dose.daily for dose in new}) == 1
        and _tapers(old)
        and all(dose.last_day - dose.first_day < longest for dose in old[:-1])
        and old[-1].first_day <= first.last_day
    )


def _chain(record: Record, kind: Kind, supply: int) -> list[_DatedDose]:
    """The doses of one kind that follow one another without a gap, up to now or beyond."""
    chain: list[_DatedDose] = []
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


def _dated_doses(record: Record, kind: Kind) -> list[_DatedDose]:
    """What signed orders of one kind say, by first and last day, the earliest first."""
    doses = [
        _DatedDose(
            span.lines[0].preparation,
            sum((line.daily for line in span.lines), Fraction(0)),
            span.first_day,
            span.last_day,
            entry.reference,
        )
        for entry in (*record.past, *record.current, *record.ahead)
        if is_taken_up(entry) and entry.kinds == {kind}
        for span in entry.by_date
        if span.first_day is not None and span.last_day is not None
    ]
    return sorted(doses, key=lambda dose: (dose.first_day, dose.last_day))


def _climbs(chain: Sequence[_DatedDose], catalogue: Catalogue) -> bool:
    increment = chain[0].preparation.increment
    rises = [later.daily - earlier.daily for earlier, later in pairwise(chain)]
    lasted = [dose.last_day - dose.first_day + 1 for dose in chain[:-1]]
    return (
        chain[0].preparation.carries_t3
        and chain[0].daily <= increment
        and all(0 <= rise <= increment for rise in rises)
        and any(rises)
        and min(lasted) >= shortest_interval(catalogue)
    )


def _tapers(chain: Sequence[_DatedDose]) -> bool:
    falls = [earlier.daily - later.daily for earlier, later in pairwise(chain)]
    return any(falls) and all(fall >= 0 for fall in falls)


def with_last_supply(
    record: Record,
    rules: RuleTable,
    orders: Sequence[MedicineEntry] = (),
    running: RunningPlan | None = None,
    held: Set[Kind] = frozenset(),
) -> Record:
    """The record on the day on which the supply of a medicine has just ended.

    Until the next order is signed its last dose is what is taken: a signed step of ours whose
    days are over, a dated order while a plan runs, or one for a medicine that `orders` carry on,
    where nothing else is taken of it. A medicine that the plan gives up counts only on the day
    on which the supply of everything has ended: else its taper is over. `held` are medicines that
    it does not give up beside those that it moves to.
    """
    carried_on = {line.preparation.kind for order in orders for line in order.lines}
    kept = carried_on | _aimed_at(record, running) | held
    signed = {one.reference for one in record.marked if one.signed}
    ended = [
        entry
        for entry in ended_lately(record, rules)
        if entry.reference in signed or _is_carried_on(entry, carried_on, running)
    ]
    last = last_days(ended)
    everything = None if record.current else max(last.values(), default=None)
    counted = {kind for kind, day in last.items() if kind in kept or day == everything}
    latest = [entry for entry in ended if entry.kinds <= counted and is_the_last(entry, last)]
    if not latest:
        return record
    current = (*record.current, *latest)
    regimen = Regimen(tuple(line for entry in current for line in entry.lines))
    return replace(record, current=current, facts=replace(record.facts, regimen=regimen))


def ended_lately(record: Record, rules: RuleTable) -> list[MedicineEntry]:
    """What ended no longer ago than a supply may be overdue, where none of it is taken now."""
    supply = int(rules.before[PLAN_RUNNING].number("supply"))
    return [
        entry
        for entry in record.past
        if entry.lines
        and entry.last_day is not None
        and entry.last_day >= -supply
        and not entry.kinds & record.regimen.kinds
    ]


def last_days(ended: Iterable[MedicineEntry]) -> dict[Kind, int]:
    """The day on which the last order of each medicine ended."""
    by_day = sorted(ended, key=_last)
    return {kind: _last(entry) for entry in by_day for kind in entry.kinds}


def is_the_last(entry: MedicineEntry, last: Mapping[Kind, int]) -> bool:
    """Whether none of its medicines had an order that ended later."""
    return all(last[kind] == entry.last_day for kind in entry.kinds)


def _aimed_at(record: Record, running: RunningPlan | None) -> set[Kind]:
    """The medicines to which the record's plans move."""
    targets = {one.mark.facts.target for one in record.marked if one.signed}
    targets |= {running.target} if running else set()
    return {kind for kinds, target in TARGET_OF.items() if target in targets for kind in kinds}


def _last(entry: MedicineEntry) -> int:
    return entry.last_day or 0


def _is_carried_on(entry: MedicineEntry, kinds: set[Kind], running: RunningPlan | None) -> bool:
    return is_taken_up(entry) and (running is not None or entry.kinds <= kinds)


def is_taken_up(entry: MedicineEntry) -> bool:
    """Whether it is an order that somebody follows, or followed until its last day."""
    return entry.resource_type == "MedicationRequest" and entry.status in _TAKEN_UP


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
