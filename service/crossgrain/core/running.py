"""Which plan is running, what it says of itself, and whether computing it again still agrees.

A plan is known by the extension that its care plan and its orders carry, in the record or in a
plan that is given beside it. Where the orders of a move carry none, the plan itself is asked for.

===========================================  ==============================================
several plans, one the others' successor      the successor: it was made at a later visit
several, all but one closed                   the one that is open
several that are open                         asked
what carries one plan disagrees               asked
the checkpoint carried, and as computed now   the smaller holds, and is to be confirmed
===========================================  ==============================================
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date
from fractions import Fraction
from itertools import pairwise

from crossgrain.catalogue import Catalogue
from crossgrain.dosing.onward import Dated
from crossgrain.dosing.plan import Plan
from crossgrain.dosing.preparations import Preparation
from crossgrain.dosing.regimens import DoseLine, Regimen
from crossgrain.dosing.steps import LineDose, Step
from crossgrain.dosing.targets import TargetDose, dose_of
from crossgrain.dosing.wish import Wish
from crossgrain.names.errors import DomainError
from crossgrain.names.values import frozen
from crossgrain.reading.record import MarkedOrder, Question, Record
from crossgrain.reading.series_mark import PlannedLine, SeriesFacts

_CLOSED = {"revoked", "completed", "entered-in-error"}
_GIVEN_UP = {"cancelled", "stopped", "revoked", "entered-in-error"}


@frozen
class RunningSeries:
    """The plan that the patient is in the midst of.

    Attributes
    ----------
    facts : what it says of itself
    marked : what carries that, in the record or given beside it
    given : it came beside the record
    """

    facts: SeriesFacts
    marked: tuple[MarkedOrder, ...]
    given: bool

    @property
    def reference(self) -> str:
        """Of its care plan, or of one of its orders."""
        return self._carrier.reference

    @property
    def path(self) -> str:
        """FHIRPath of the same."""
        return self._carrier.path

    @property
    def _carrier(self) -> MarkedOrder:
        return next((one for one in self.marked if one.mark.ordered is None), self.marked[0])


def place_of(record: Record, reference: str) -> str:
    """Where a resource of the record stands, as a FHIRPath; the record as a whole where unknown."""
    places = dict(zip(record.references, record.paths, strict=False))
    entries = (*record.past, *record.ahead, *record.drafts, *record.current)
    places |= {entry.reference: entry.path for entry in entries}
    return places.get(reference, record.root)


def series_in(
    record: Record, given: Sequence[MarkedOrder]
) -> RunningSeries | tuple[Question, ...] | None:
    """The series that runs, none, or what is to be asked before it can be told.

    Parameters
    ----------
    given : what a plan that came beside the record carries; it counts as taken up, unless it is
        closed, there or in the record
    """
    plans = _plans((*record.marked, *given))
    asked = tuple(
        Question(
            marked[0].path,
            "The care plan and the orders of one plan say different things of it. Which holds?"
            " Give the plan as it was proposed (`plan`).",
        )
        for marked in plans.values()
        if len({one.mark.facts for one in marked}) > 1
    )
    if asked:
        return asked
    from_given = {one.mark.facts.plan_id for one in given}
    running = [
        RunningSeries(marked[0].mark.facts, marked, plan_id in from_given)
        for plan_id, marked in plans.items()
        if _runs(marked)
    ]
    open_ones = [one for one in running if not _is_succeeded(one, running)]
    if len(open_ones) > 1:
        return tuple(
            Question(
                one.path,
                f"Several plans are open; this one began on {one.facts.day_one.isoformat()}. Does"
                " it still run? Record the care plan of any other as revoked or completed.",
            )
            for one in open_ones
        )
    return open_ones[0] if open_ones else None


def _plans(marked: Iterable[MarkedOrder]) -> Mapping[str, tuple[MarkedOrder, ...]]:
    found: dict[str, tuple[MarkedOrder, ...]] = {}
    for one in marked:
        plan_id = one.mark.facts.plan_id
        found[plan_id] = (*found.get(plan_id, ()), one)
    return found


def _runs(marked: Sequence[MarkedOrder]) -> bool:
    """Taken up, and neither its care plan closed nor all of its orders given up."""
    closed = any(one.mark.ordered is None and one.status in _CLOSED for one in marked)
    return not closed and any(one.signed and one.status not in _GIVEN_UP for one in marked)


def _is_succeeded(one: RunningSeries, all_of_them: Sequence[RunningSeries]) -> bool:
    """Whether another was made of the same course at a later visit."""
    mine = one.facts
    return any(
        other.facts.day_one == mine.day_one
        and other.facts.original == mine.original
        and _visits(other.facts) > _visits(mine)
        for other in all_of_them
    )


def _visits(facts: SeriesFacts) -> tuple[date, int]:
    """How far a course had come when the plan was made."""
    return max((act.day for act in facts.acts), default=facts.day_one), len(facts.acts)


def regimen_of(facts: SeriesFacts, preparations: Mapping[str, Preparation]) -> Regimen:
    """What was taken before day one.

    Raises
    ------
    KeyError
        for a product line that this catalogue does not have.
    """
    return Regimen(tuple(DoseLine(preparations[each], cycle) for each, cycle in facts.original))


def wish_of(facts: SeriesFacts) -> Wish:
    """What the plan was made with, as far as it carries that."""
    return Wish(
        target=facts.target,
        basis_id=facts.basis_id,
        pace_id=facts.pace,
        prior_therapy=facts.prior_therapy,
        mixture=facts.mixture,
        lt4_at_least_most_generous=facts.most_generous,
        too_much_weighs=facts.too_much_weighs,
        too_little_weighs=facts.too_little_weighs,
        weekly_pattern=facts.weekly,
        need=facts.need,
        lt3_doses=facts.lt3_doses,
        another_product=facts.another_product,
    )


def computed_again(facts: SeriesFacts, original: Regimen, catalogue: Catalogue) -> Plan | None:
    """The plan of day one by today's tables; ``None`` where they make none of it."""
    if facts.titration or facts.family not in catalogue.plans:
        return None
    try:
        return catalogue.plans[facts.family].plan_switch(original, wish_of(facts))
    except DomainError:
        return None


def smaller_checkpoint(facts: SeriesFacts, again: Plan | None, catalogue: Catalogue) -> TargetDose:
    """The checkpoint that holds: carried or computed now, whichever is worth less."""
    if again is None:
        return facts.checkpoint
    return min(
        facts.checkpoint, again.checkpoint.dose, key=lambda dose: _worth(dose, facts, catalogue)
    )


def _worth(dose: TargetDose, facts: SeriesFacts, catalogue: Catalogue) -> Fraction:
    basis = catalogue.basis(facts.basis_id)
    try:
        return basis.lt4_for(*dose.amounts)
    except DomainError:  # a table that does not reach it: any other weighing orders the two alike
        return sum(dose.amounts, Fraction(0))


def up_to(
    checkpoint: TargetDose, planned: Sequence[Dated], step: int, original: Regimen
) -> tuple[Dated, ...]:
    """The steps without those to come that climb past a checkpoint: the last before them is held.

    Nothing is cut where the plan's own checkpoint holds. What falls to its dose there, or ends, is
    above it on the way. `step` is today's, from 1, or 0 before the first.
    """
    before, goal = dose_of(original).amounts, checkpoint.amounts

    def past(each: Dated) -> bool:
        doses = zip(dose_of(each.regimen).amounts, goal, before, strict=True)
        return any(taken > wanted >= was for taken, wanted, was in doses if wanted)

    kept = [*planned[:step], *(each for each in planned[step:] if not past(each))]
    if 0 < len(kept) < len(planned):
        kept[-1] = replace(kept[-1], last_day=planned[-1].last_day)
    return tuple(kept)


def planned_steps(
    series: RunningSeries, again: Plan | None, as_of: date, preparations: Mapping[str, Preparation]
) -> tuple[Dated, ...] | None:
    """The plan's steps by day, past and to come; ``None`` where they cannot be told.

    As its care plan says; where that is not there, as computed again, if that agrees with the
    orders that are, and no visit has changed the plan of day one since.
    """
    told = next((one.mark.planned for one in series.marked if one.mark.planned), ())
    if told and all(line.preparation_id in preparations for line in told):
        return tuple(_told(told, as_of, preparations))
    if again is None or series.facts.acts:
        return None
    day_one = (series.facts.day_one - as_of).days
    computed = tuple(_dated(step, day_one) for step in again.steps)
    filed = _ordered_days(series, as_of)
    return computed if all(_agrees(each, computed) for each in filed) else None


def _told(
    lines: Sequence[PlannedLine], as_of: date, preparations: Mapping[str, Preparation]
) -> Iterator[Dated]:
    """The steps that the lines of a care plan come to."""
    begins = (lines[0].first_day - as_of).days
    cuts = sorted({day for line in lines for day, _ in line.doses} | {lines[0].end})
    for first, after in pairwise(cuts):
        doses = ((line.preparation_id, _daily(line, first)) for line in lines)
        held = tuple((preparations[key], daily) for key, daily in sorted(doses) if daily)
        yield Dated(begins + first, begins + after - 1, held)


def _daily(line: PlannedLine, day: int) -> Fraction:
    return [daily for first, daily in line.doses if first <= day][-1]


_Span = tuple[str, int, int, Fraction]
"""A product line, the first and the last day, and the amount a day."""


def _ordered_days(series: RunningSeries, as_of: date) -> tuple[_Span, ...]:
    """What the orders of the unconditional steps come to, by line and days without a change."""
    ordered = {one.mark.ordered for one in series.marked if one.mark.ordered}
    spans = [
        (each.preparation_id, (d.first_day - as_of).days, (d.last_day - as_of).days, d.daily)
        for each in ordered
        if not each.branch
        for d in each.doses
    ]
    cuts = sorted({first for _, first, _, _ in spans} | {last + 1 for _, _, last, _ in spans})
    found = []
    for first, after in pairwise(cuts):
        for key in sorted({span[0] for span in spans}):
            daily = [span[3] for span in spans if span[0] == key and span[1] <= first <= span[2]]
            if daily:
                found.append((key, first, after - 1, sum(daily, Fraction(0))))
    return tuple(found)


def _agrees(span: _Span, computed: Sequence[Dated]) -> bool:
    """Whether the plan has on each of those days the dose that was ordered."""
    key, first, last, daily = span
    return all(
        one.by_id.get(key) == daily
        for one in computed
        if one.first_day <= last and first <= one.last_day
    )


def _dated(step: Step, day_one: int) -> Dated:
    return Dated(day_one + step.first_day, day_one + step.last_day, _amounts(step.lines))


def _amounts(lines: Iterable[LineDose]) -> tuple[tuple[Preparation, Fraction], ...]:
    return tuple(
        sorted(((line.preparation, line.amount) for line in lines), key=lambda each: each[0].id)
    )


def confirm_checkpoint(
    series: RunningSeries, again: Plan | None, catalogue: Catalogue
) -> Iterator[Question]:
    """What is to be confirmed where the plan of day one comes out otherwise today."""
    facts = series.facts
    if facts.titration:
        return
    if facts.tables != catalogue.tables_version:
        yield Question(
            series.path,
            "The plan was made from other charts, tablets or numbers than are in use today. It goes"
            " on as it was made; nothing that was computed anew raises a dose.",
        )
    if again is not None and again.checkpoint.dose != facts.checkpoint:
        yield Question(
            series.path,
            "The dose at which the climb waits for labs comes out otherwise when it is computed"
            " again. The smaller of the two holds. Was the plan changed by hand?",
        )


def changed_by_hand(series: RunningSeries) -> Iterator[Question]:
    """The signed orders of the plan that no longer say what it proposed."""
    for one in series.marked:
        if one.signed and not one.unchanged:
            yield Question(
                one.path,
                "This order of the plan was changed after it was proposed. What it says now counts"
                " as taken; the plan goes on from there as proposed. Is that meant?",
            )
