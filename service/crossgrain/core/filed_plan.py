"""What is filed of a plan of ours: what of it stands, and what a next step takes the place of.

Orders are known by what they carry, and judged by the days of their doses as they stand.
"""

from collections.abc import Iterator, Sequence, Set
from dataclasses import field, replace
from datetime import date, timedelta
from fractions import Fraction

from crossgrain.catalogue import Catalogue
from crossgrain.core.already_ordered import OrderInForce, as_filed, is_meant, orders_kept
from crossgrain.core.changes_ahead import changes_ahead, orders_keep_up
from crossgrain.core.filed_ends import FiledEnd, filed_ends
from crossgrain.core.proposal import SwitchRequest
from crossgrain.dosing.plan import LabDraw, Plan
from crossgrain.dosing.preparations import Preparation
from crossgrain.dosing.steps import Step
from crossgrain.dosing.supply import draws
from crossgrain.names.values import frozen
from crossgrain.reading.filed import DRAWN_AS, ON_HOLD, OVER, SUSPEND, Filed, is_date
from crossgrain.reading.record import MarkedOrder, Record
from crossgrain.reading.series_mark import OrderedStep
from crossgrain.screening.course import DoseRun, Undecided

_NOT_DONE = {"rejected", "cancelled", "failed", "entered-in-error"}
"""Statuses of an act that came to nothing."""


@frozen
class FiledOrder:
    """An order that is filed of a plan of ours.

    Attributes
    ----------
    reference : how the input refers to it
    preparation, strength : what it is for
    begun : whether its first day is here
    """

    reference: str
    preparation: Preparation
    strength: Fraction | None
    begun: bool
    resource_type: str = field(default="MedicationRequest", init=False)


@frozen
class HeldBack:
    """A filed order by which a medicine changes: it waits.

    Attributes
    ----------
    order : the order
    day : the first day on which the medicine would change
    rises : whether it would rise; else it would fall
    goes_on : the order gives today's dose until then: of it, the change alone waits
    """

    order: FiledOrder
    day: date
    rises: bool
    goes_on: bool


@frozen
class Replaced:
    """What of a filed plan stands, and what a next step takes the place of.

    Attributes
    ----------
    kept : orders that stand as they are
    ended : orders that are no longer meant
    waiting : changes that are not to begin before the question or the stop is settled
    ends : filed acts that are not to end a medicine any more: for as long as that waits, or since a
        plan from today on ends it by its own
    care_plans, groups : the plans and their checkpoints
    draws : draws that are still to come and are not meant any more
    kept_draws : those that stand
    checks : what else was to be measured; it stands, unless the same is asked for anew
    """

    kept: tuple[OrderInForce, ...] = ()
    ended: tuple[FiledOrder, ...] = ()
    waiting: tuple[HeldBack, ...] = ()
    ends: tuple[FiledEnd, ...] = ()
    care_plans: tuple[Filed, ...] = ()
    groups: tuple[Filed, ...] = ()
    draws: tuple[Filed, ...] = ()
    kept_draws: tuple[Filed, ...] = ()
    checks: tuple[Filed, ...] = ()

    @property
    def drawn(self) -> frozenset[tuple[str, str]]:
        """The LOINC code and the date of every draw that stands."""
        return frozenset((each.code, day) for each in self.kept_draws for day in each.dates)

    @property
    def stayed(self) -> frozenset[str]:
        """How the input refers to orders that are to bring no other dose than today's."""
        held = (each.order.reference for each in self.waiting)
        return frozenset((*held, *(order.reference for order in self.ended)))

    @property
    def displaced(self) -> Iterator[str]:
        """How the input refers to what is not meant any more."""
        yield from (order.reference for order in self.ended)
        for every in (self.care_plans, self.groups, self.draws):
            yield from (each.reference for each in every)

    @property
    def cited(self) -> Iterator[str]:
        """How the input refers to all that an answer names."""
        yield from (order.reference for order in self.kept)
        yield from (held.order.reference for held in self.waiting)
        yield from (end.act.reference for end in self.ends)
        yield from self.displaced


@frozen
class Submitted:
    """What came with a call.

    Attributes
    ----------
    record : the patient's, as it is today
    history : every dated dose that was taken, or why that cannot be told
    given : what a plan that came beside the record carries
    filed : what stands filed of our plans, in the record or beside it
    """

    record: Record
    history: Sequence[DoseRun] | Undecided
    given: Sequence[MarkedOrder] = ()
    filed: Sequence[Filed] = ()


@frozen
class FiledPlan:
    """All that stands filed of our plans, as of the day of a call.

    `begun` and `to_come` are the orders in the record, by the days of their doses as they stand.
    """

    sent: Submitted
    request: SwitchRequest
    catalogue: Catalogue
    begun: Set[str]
    to_come: Set[str]

    @classmethod
    def of(cls, sent: Submitted, request: SwitchRequest, catalogue: Catalogue) -> "FiledPlan":
        """What came with a call."""
        record = sent.record
        return cls(
            sent,
            request,
            catalogue,
            begun={entry.reference for entry in (*record.current, *record.past)},
            to_come={entry.reference for entry in (*record.ahead, *record.drafts)},
        )

    # --- what an answer says of it ---------------------------------------------------------------

    def waits(self, record: Record) -> Replaced:
        """It stands, but for what is to change: that waits for an answer."""
        waiting = tuple(self._changes_ahead(record))
        ends = (e for e in self.ends_of(record) if waiting and self._falls_by(e, record))
        return Replaced(waiting=waiting, ends=tuple(ends), care_plans=self._plans())

    def withdrawn(self, record: Record) -> Replaced:
        """What has not begun is withdrawn; of what has, the change waits.

        So does the end of what is taken today, unless what was to follow it is taken already.
        """
        return Replaced(
            ended=tuple(order for order in self._orders() if not order.begun),
            waiting=tuple(w for w in self._changes_ahead(record) if w.order.begun),
            ends=tuple(e for e in self.ends_of(record) if not self._followed_by_ours(e, record)),
            care_plans=self._plans(),
        )

    def ends_of(self, record: Record) -> tuple[FiledEnd, ...]:
        """The acts that end what is taken, and was taken before a plan."""
        return tuple(filed_ends(self.sent.filed, record, self._ours))

    def replaced_by(self, plan: Plan, record: Record, short: Set[str] = frozenset()) -> Replaced:
        """What of it stands beside a plan from today on, and what does not.

        Of the medicines `short`, by preparation id, no tablets can be ordered: the order that is
        followed goes on with today's dose, and its change waits.
        """
        marked = (one for one in self._marked() if not self._is_suspended(one))
        kept = orders_kept(plan, self.request.start, tuple(marked))
        standing = {order.reference for order in kept}
        kept_draws, others = self._draws(plan)
        return Replaced(
            kept=kept,
            ended=tuple(
                order
                for order in self._orders()
                if order.reference not in standing | self._relied_on(plan)
            ),
            waiting=tuple(
                held
                for held in self._changes_ahead(record)
                if held.goes_on and held.order.preparation.id in short
            ),
            ends=self.ends_of(record),
            care_plans=self._plans(),
            groups=tuple(f for f in self._of("RequestGroup", "RequestOrchestration") if f.stands),
            draws=others,
            kept_draws=kept_draws,
            checks=self._checks(),
        )

    def in_its_tablets(self, plan: Plan) -> Plan:
        """A plan from today on, in the tablets in which it is filed already."""
        return as_filed(plan, self._marked(), self.request.stock)

    def on_filed_days(self, plan: Plan) -> Plan:
        """The plan, a draw on the way on the day for which one is filed in the same step."""
        start = self.request.start
        asked = sorted(
            {
                (date.fromisoformat(day) - start).days
                for each in self._requests()
                if each.is_draw
                for day in each.dates
                if is_date(day)
            }
        )
        return replace(plan, labs=tuple(_on_a_filed_day(d, plan.steps, asked) for d in plan.labs))

    def draws_unasked(self, plan: Plan, replaced: Replaced) -> bool:
        """Whether a plan has a draw for which no request stands."""
        start, drawn = self.request.start, replaced.drawn
        return any(
            (code, (start + timedelta(day)).isoformat()) not in drawn
            for draw in plan.labs
            for day in draw.days
            for analyte, code in DRAWN_AS.items()
            if analyte not in draw.leaves_out
        )

    def cites_given(self, replaced: Replaced) -> bool:
        """Whether something is named that a server does not hold, as far as the record tells."""
        given = {each.reference for each in self.sent.filed if each.given}
        return not given.isdisjoint(replaced.cited)

    # --- what is filed, kind by kind ---

    def _relied_on(self, plan: Plan) -> set[str]:
        """The orders that were changed by hand and are followed: the plan orders none beside them.

        A medicine that the plan leaves as it is taken now is no more than what they say.
        """
        as_now = {line.preparation.id for line in plan.steps[0].lines if line.tablets is None}
        return {
            entry.reference
            for entry in self.sent.record.current
            if any(line.preparation.id in as_now for line in entry.lines)
        }

    def _marked(self) -> tuple[MarkedOrder, ...]:
        """The orders of our plans, but for those that wait for a choice at a checkpoint."""
        options = {each.reference for each in self.sent.filed if each.option}
        every = (*self.sent.record.marked, *self.sent.given)
        return tuple(one for one in every if one.reference not in options)

    @property
    def _ours(self) -> set[str]:
        """How the input refers to the orders of our plans."""
        return {one.reference for one in self._marked()}

    def _is_suspended(self, one: MarkedOrder) -> bool:
        """Whether an order was made to wait: it does not go on by itself once that is settled."""
        return one.status == ON_HOLD or any(
            each.focus == one.reference and each.code == SUSPEND and each.status not in _NOT_DONE
            for each in self._of("Task")
        )

    def _orders(self) -> Iterator[FiledOrder]:
        """The orders of our plans that somebody may still follow, today or later.

        An order that was dated anew by hand is followed by its own dates, not by those proposed.
        """
        for one in self._marked():
            ordered, start = one.mark.ordered, self.request.start
            if ordered is None or one.status in OVER or not is_meant(one):
                continue
            if ordered.last_day >= start or one.reference in self.to_come or self._is_taken(one):
                yield self._order(one, ordered)

    def _order(self, one: MarkedOrder, ordered: OrderedStep) -> FiledOrder:
        first_day_is_here = ordered.first_day <= self.request.start
        return FiledOrder(
            one.reference,
            self.catalogue.preparations[ordered.preparation_id],
            ordered.strength,
            begun=one.reference in self.begun
            or (one.reference not in self.to_come and first_day_is_here),
        )

    def _changes_ahead(self, record: Record) -> Iterator[HeldBack]:
        """The filed orders by which doses are to change from what is taken today."""
        meant = [one for one in self._marked() if is_meant(one)]
        today, start = record.regimen, self.request.start
        for change in changes_ahead(meant, today, start, self.catalogue.preparations):
            order = self._order(change.order, change.step)
            goes_on = order.begun or change.day > max(change.step.first_day, start)
            yield HeldBack(order, change.day, change.rises, goes_on)

    def _falls_by(self, end: FiledEnd, record: Record) -> bool:
        """Whether less, or more, of a medicine is taken by the day on which an act ends it."""
        day = max(end.day or self.request.start, self.request.start)
        meant = (one for one in self._marked() if is_meant(one))
        preparations = self.catalogue.preparations
        return not (
            self._followed_by_ours(end, record)
            or orders_keep_up(end.entry.kinds, meant, record.regimen, day, preparations)
        )

    def _followed_by_ours(self, end: FiledEnd, record: Record) -> bool:
        """Whether an order of ours for the same medicine is followed already."""
        ours = self._ours
        return any(
            entry.reference in ours and not entry.kinds.isdisjoint(end.entry.kinds)
            for entry in record.current
        )

    def _is_taken(self, one: MarkedOrder) -> bool:
        return any(
            entry.reference == one.reference and (entry.last_day is None or entry.last_day >= 0)
            for entry in self.sent.record.current
        )

    def _of(self, *resource_types: str) -> Iterator[Filed]:
        return (each for each in self.sent.filed if each.resource_type in resource_types)

    def _plans(self) -> tuple[Filed, ...]:
        """The care plans that stand, the newest of them first."""
        return tuple(each for each in self._of("CarePlan") if each.stands)

    def _draws(self, plan: Plan) -> tuple[tuple[Filed, ...], tuple[Filed, ...]]:
        """The filed draws that the plan has too, and those that it has not."""
        start = self.request.start
        wanted = {(start + timedelta(day)).isoformat() for day in draws(plan.labs)}
        kept, others = [], []
        for each in self._requests():
            if not each.is_draw:
                continue
            ahead = [day for day in each.dates if day >= start.isoformat()]
            if ahead and set(ahead) <= wanted:
                kept.append(each)
            elif ahead:
                others.append(each)
        return tuple(kept), tuple(others)

    def _requests(self) -> Iterator[Filed]:
        """The requests of the series for something to be measured that nobody has closed."""
        requests = self._of("ServiceRequest")
        return (each for each in requests if each.stands and not each.option)

    def _checks(self) -> tuple[Filed, ...]:
        """Those for something else than the labs that decide."""
        return tuple(each for each in self._requests() if not each.is_draw)


def _on_a_filed_day(draw: LabDraw, steps: Sequence[Step], asked: Sequence[int]) -> LabDraw:
    """A draw on the way, moved within its step to the first day for which one is filed."""
    if draw.purpose != "interim":
        return draw
    (step,) = (step for step in steps if step.first_day <= draw.day <= step.last_day)
    known = [day for day in asked if max(step.first_day, 1) <= day <= step.last_day]
    return replace(draw, day=known[0]) if known else draw
