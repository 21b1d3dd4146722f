"""The visit after the first: where the patient stands, the one answer, and what it changes.

Pure; used by the API and the command line alike. A next step is an ordinary plan from today on, so
all that is written of a plan is written of it; only what is filed already, and stays as it is, is
not written again.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence, Set
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from fractions import Fraction
from itertools import pairwise

from crossgrain.catalogue import Catalogue
from crossgrain.core.already_ordered import (
    OrderInForce,
    as_filed,
    is_meant,
    only_changed,
    orders_kept,
)
from crossgrain.core.changes_ahead import changes_ahead
from crossgrain.core.course_so_far import about_today
from crossgrain.core.proposal import DEFAULT_FAMILY, Proposal, SwitchRequest
from crossgrain.core.standing import Standing, standing_of
from crossgrain.dosing.onward import Act, Dated, plan_onward, while_waiting
from crossgrain.dosing.plan import LabDraw, Plan
from crossgrain.dosing.preparations import Kind, Preparation
from crossgrain.dosing.regimens import DoseLine, Regimen
from crossgrain.dosing.steps import Step
from crossgrain.dosing.supply import draws
from crossgrain.dosing.targets import dose_of
from crossgrain.names.errors import DomainError
from crossgrain.reading.filed import DRAWN_AS, OVER, SUSPEND, Filed, is_date
from crossgrain.reading.record import MarkedOrder, MedicineEntry, Question, Record
from crossgrain.reading.series_mark import OrderedStep
from crossgrain.safety.assess import after_plan, before_plan
from crossgrain.safety.checks import checks_of
from crossgrain.safety.facts import Intent, hormone_rises
from crossgrain.safety.results import tsh_limits
from crossgrain.safety.rule import Finding, Severity, any_stop, most_severe_first
from crossgrain.safety.visit import Decision, Lateness, Position
from crossgrain.screening.course import DoseRun, Undecided

COVERAGE_HIGH = "coverage-high"
_ON_COVERAGE = {"coverage-low", "overt-hypothyroidism", COVERAGE_HIGH}
"""The rules on how low or how high a plan leads."""
TSH_SUPPRESSED = "tsh-suppressed"
"""The rule that stops any rise; a plan that rises all the same is stopped by it here too."""


_NOT_DONE = {"rejected", "cancelled", "failed", "entered-in-error"}
"""Statuses of an act that came to nothing."""


@dataclass(frozen=True, slots=True)
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


@dataclass(frozen=True, slots=True)
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


@dataclass(frozen=True, slots=True)
class Replaced:
    """What of a filed plan stands, and what a next step takes the place of.

    Attributes
    ----------
    kept : orders that stand as they are
    ended : orders that are no longer meant
    waiting : changes that are not to begin before the question or the stop is settled
    care_plans, groups : the plans and their checkpoints
    draws : draws that are still to come and are not meant any more
    kept_draws : those that stand
    checks : what else was to be measured; it stands, unless the same is asked for anew
    """

    kept: tuple[OrderInForce, ...] = ()
    ended: tuple[FiledOrder, ...] = ()
    waiting: tuple[HeldBack, ...] = ()
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
        yield from self.displaced


@dataclass(frozen=True, slots=True)
class NextStep:
    """What a visit ends with.

    Attributes
    ----------
    standing : where the patient is, with the one answer; ``None`` where that cannot be told
    proposal : the record, the findings, the questions, and the plan from today on; it has none
        where the answer is to ask or to stop
    replaced : what is filed already: what of it stands, and what does not
    changes : whether anything is to be filed at all
    cites_given : whether it names what stands in no record, only in the plan of the call
    ends_meanwhile : where it asks or stops, orders that are followed today and end while it waits,
        none going on after them
    to_come : what is filed to fall or to end meanwhile: the doses of a day that then hold instead
        of today's, the last of them until it is settled
    while_waiting : the lowest coverage by basis on today's doses and on those
    """

    standing: Standing | None
    proposal: Proposal
    replaced: Replaced
    changes: bool
    cites_given: bool = False
    ends_meanwhile: tuple[MedicineEntry, ...] = ()
    to_come: tuple[Dated, ...] = ()
    while_waiting: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
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


def next_step(sent: Submitted, request: SwitchRequest, catalogue: Catalogue) -> NextStep:
    """Settle what is done next.

    Parameters
    ----------
    request : the day, and what is asked for where no plan runs

    Raises
    ------
    DomainError
        where the request itself cannot be served: an unknown basis or pace, a stock that makes no
        such dose.
    """
    catalogue.basis(request.basis_id)
    catalogue.policy.pace(request.pace)
    standing = standing_of(sent.record, sent.history, sent.given, request, catalogue)
    record = sent.record
    visit = _Visit(
        sent,
        request,
        catalogue,
        begun={entry.reference for entry in (*record.current, *record.past)},
        to_come={entry.reference for entry in (*record.ahead, *record.drafts)},
    )
    if not isinstance(standing, Standing):
        return visit.asking(None, standing)
    match standing.decision.act:
        case Act.ASK:
            decision = standing.decision
            question = Question(about_today(standing.record), f"{decision.says} {decision.do}")
            return visit.asking(standing, (question,))
        case Act.STOP:
            return visit.stopping(standing, standing.findings)
        case _:
            return visit.planning(standing)


@dataclass(frozen=True, slots=True)
class _Visit:
    """What a next step is made from.

    `begun` and `to_come` are the orders in the record, by the days of their doses as they stand.
    """

    sent: Submitted
    request: SwitchRequest
    catalogue: Catalogue
    begun: Set[str]
    to_come: Set[str]

    def asking(self, standing: Standing | None, questions: tuple[Question, ...]) -> NextStep:
        """Nothing is decided before the questions are answered, and nothing rises until then.

        What is filed stands; of it, what rises is not to begin, nor what falls beside it.
        """
        record = standing.record if standing else self.sent.record
        found = standing.findings if standing else ()
        record = replace(record, questions=questions)
        replaced = Replaced(waiting=tuple(self._changes_ahead(record)), care_plans=self._plans())
        return self._without_plan(standing, record, found, replaced)

    def stopping(self, standing: Standing, found: tuple[Finding, ...]) -> NextStep:
        """The climb ends: today's dose goes on, and what has not begun is withdrawn."""
        if not any_stop(found):
            found = (*found, _stop(standing.decision))
        replaced = Replaced(
            ended=tuple(self._yet_to_begin()),
            waiting=tuple(w for w in self._changes_ahead(standing.record) if w.order.begun),
            care_plans=self._plans(),
        )
        return self._without_plan(standing, standing.record, found, replaced)

    def planning(self, standing: Standing) -> NextStep:
        """The plan from today on, and what it changes."""
        plan = self._plan(standing)
        found = self._findings(standing, plan)
        if any_stop(found):
            return self.stopping(standing, found)
        replaced = self._replaced(plan)
        day_one, supply = self.request.start, self.catalogue.policy.supply
        plan = replace(plan, prescriptions=only_changed(plan, day_one, replaced.kept, supply))
        t3_now = standing.record.regimen.t3_ug
        proposal = replace(
            self._proposal(standing, standing.record, found),
            target=plan.target,
            plan=plan,
            checks=checks_of(found, self.catalogue.rules, plan, t3_now),
            limits=standing.limits,
        )
        return NextStep(
            standing,
            proposal,
            replaced,
            changes=self._changes(standing, plan, replaced),
            cites_given=self._cites_given(replaced),
        )

    def _plan(self, standing: Standing) -> Plan:
        """The plan from today on, in the tablets in which it is filed already."""
        decision = standing.decision
        plan = plan_onward(
            standing.underway,
            decision.act,
            self.catalogue.plans[standing.family].tables,
            reading=decision.reading,
            hold_days=decision.hold_days,
            freeze_old=decision.freeze_old,
        )
        plan = as_filed(plan, self._marked(), self.request.stock)
        goes_on = decision.act is Act.CONTINUE and standing.visit.schedule is Lateness.ON_TIME
        return self._with_filed_draws(plan) if goes_on else plan

    def _with_filed_draws(self, plan: Plan) -> Plan:
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

    def _without_plan(
        self,
        standing: Standing | None,
        record: Record,
        found: tuple[Finding, ...],
        replaced: Replaced,
    ) -> NextStep:
        anew = tuple(self._ends_meanwhile(standing, record, replaced, found))
        to_come = _to_come(record, replaced.stayed, anew) if standing else ()
        return NextStep(
            standing,
            self._proposal(standing, record, found),
            replaced,
            changes=bool(replaced.ended or replaced.waiting),
            cites_given=self._cites_given(replaced),
            ends_meanwhile=anew,
            to_come=to_come,
            while_waiting=self._while_waiting(standing, to_come),
        )

    def _while_waiting(
        self, standing: Standing | None, to_come: Sequence[Dated]
    ) -> Mapping[str, float]:
        if standing is None:
            return {}
        tables = self.catalogue.plans[standing.family].tables
        with suppress(DomainError):  # no chart reaches today's doses: what is asked is asked anyway
            return while_waiting(standing.underway, tables, to_come)
        return {}

    def _ends_meanwhile(
        self,
        standing: Standing | None,
        record: Record,
        replaced: Replaced,
        found: Sequence[Finding],
    ) -> Iterator[MedicineEntry]:
        """What leaves today's dose without an order before the question or the stop is settled.

        A dose that falls waits with the rise beside it, and so does one that ends. Where nothing
        is to rise any more, the last of the old medicine ends as it was meant to.
        """
        ends_as_meant: Set[Kind] = frozenset()
        if standing and not (replaced.waiting or any_stop(found)):
            goes_on = standing.underway.beside.union(standing.target.kinds)
            ends_as_meant = record.regimen.kinds - goes_on
        later = _to_begin(record, replaced.stayed)
        for entry in record.current:
            kinds = {line.preparation.kind for line in entry.lines}
            ends = entry.last_day is not None and kinds - ends_as_meant
            if ends and not any(_takes_over(each, entry) for each in later):
                yield entry

    def _proposal(
        self, standing: Standing | None, record: Record, found: tuple[Finding, ...]
    ) -> Proposal:
        return Proposal(
            request=self._asked(standing),
            target=standing.target if standing else None,
            record=record,
            findings=most_severe_first(found),
            plan=None,
            tsh=tsh_limits(record.facts, self.catalogue.rules),
            family=standing.family if standing else DEFAULT_FAMILY,
            tables=self.catalogue.tables_version,
        )

    def _asked(self, standing: Standing | None) -> SwitchRequest:
        """The request; a plan that runs goes on by what it was made with."""
        facts = standing.facts if standing else None
        if facts is None:
            return self.request
        return replace(
            self.request,
            basis_id=facts.basis_id,
            pace=facts.pace,
            prior_therapy=facts.prior_therapy,
            mixture=facts.mixture,
            weekly_pattern=facts.weekly,
            lt3_doses=facts.lt3_doses,
            another_product=facts.another_product,
        )

    # --- findings --------------------------------------------------------------------------------

    def _findings(self, standing: Standing, plan: Plan) -> tuple[Finding, ...]:
        """What the rules say of the patient and of the plan from today on."""
        facts = replace(standing.record.facts, in_series=standing.facts is not None)
        rules = self.catalogue.rules
        found = before_plan(facts, self._intent(standing, plan), rules)
        of_plan = (_of_the_way(each, plan, standing) for each in after_plan(plan, facts, rules))
        return (*map(self._answered, found), *filter(None, of_plan))

    def _answered(self, finding: Finding) -> Finding:
        """A stop that only day one can heed is shown, and holds nothing back here."""
        if finding.code in self.catalogue.alarms.elsewhere - {TSH_SUPPRESSED}:
            return replace(finding, severity=Severity.NOTE)
        return finding

    def _intent(self, standing: Standing, plan: Plan) -> Intent:
        today, bases = standing.record.regimen, self.catalogue.bases
        rounding = self.catalogue.policy.tolerance
        doses = [dose_of(step.regimen) for step in plan.steps]
        return Intent(
            plan.target,
            t3_rises=any(step.t3_ug > today.t3_ug for step in plan.steps),
            hormone_rises=any(hormone_rises(today, dose, bases, rounding) for dose in doses),
            beside=standing.underway.beside,
        )

    # --- what is filed ---------------------------------------------------------------------------

    def _replaced(self, plan: Plan) -> Replaced:
        marked = (one for one in self._marked() if not self._is_suspended(one))
        kept = orders_kept(plan, self.request.start, tuple(marked))
        standing = {order.reference for order in kept}
        kept_draws, others = self._draws(plan)
        return Replaced(
            kept=kept,
            ended=tuple(
                order
                for order in self._filed_orders()
                if order.reference not in standing | self._relied_on(plan)
            ),
            care_plans=self._plans(),
            groups=tuple(f for f in self._of("RequestGroup", "RequestOrchestration") if f.stands),
            draws=others,
            kept_draws=kept_draws,
            checks=self._checks(),
        )

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

    def _is_suspended(self, one: MarkedOrder) -> bool:
        """Whether an order was made to wait: it does not go on by itself once that is settled."""
        return one.status == "on-hold" or any(
            each.focus == one.reference and each.code == SUSPEND and each.status not in _NOT_DONE
            for each in self._of("Task")
        )

    def _filed_orders(self) -> Iterator[FiledOrder]:
        """The orders of our plans that somebody may still follow, today or later.

        An order that was dated anew by hand is followed by its own dates, not by those proposed.
        """
        for one in self._marked():
            ordered, start = one.mark.ordered, self.request.start
            if ordered is None or one.status in OVER or not is_meant(one):
                continue
            if ordered.last_day >= start or one.reference in self.to_come or self._is_taken(one):
                yield self._filed_order(one, ordered)

    def _filed_order(self, one: MarkedOrder, ordered: OrderedStep) -> FiledOrder:
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
            order = self._filed_order(change.order, change.step)
            goes_on = order.begun or change.day > max(change.step.first_day, start)
            yield HeldBack(order, change.day, change.rises, goes_on)

    def _is_taken(self, one: MarkedOrder) -> bool:
        return any(
            entry.reference == one.reference and (entry.last_day is None or entry.last_day >= 0)
            for entry in self.sent.record.current
        )

    def _yet_to_begin(self) -> Iterator[FiledOrder]:
        """Those that have not begun: where the climb ends, none of them is to be."""
        return (order for order in self._filed_orders() if not order.begun)

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

    def _changes(self, standing: Standing, plan: Plan, replaced: Replaced) -> bool:
        """Whether anything of what is filed is to change."""
        start, drawn = self.request.start, replaced.drawn
        unasked = any(
            (code, (start + timedelta(day)).isoformat()) not in drawn
            for draw in plan.labs
            for day in draw.days
            for analyte, code in DRAWN_AS.items()
            if analyte not in draw.leaves_out
        )
        return bool(
            plan.prescriptions
            or replaced.ended
            or replaced.draws
            or unasked
            or not replaced.care_plans
            or standing.decision.act is not Act.CONTINUE
        )

    def _cites_given(self, replaced: Replaced) -> bool:
        """Whether something is named that a server does not hold, as far as the record tells."""
        given = {each.reference for each in self.sent.filed if each.given}
        return not given.isdisjoint(replaced.cited)


def _to_begin(record: Record, stayed: Set[str]) -> list[MedicineEntry]:
    """The orders ahead that neither wait nor end."""
    return [
        each
        for each in (*record.ahead, *record.drafts)
        if not each.option and each.reference not in stayed
    ]


def _to_come(record: Record, stayed: Set[str], anew: Sequence[MedicineEntry]) -> tuple[Dated, ...]:
    """What is filed to fall or to end: the doses that then hold instead of today's, one by one.

    An order that is to be had anew goes on with today's dose, and so does one that waits.
    """
    go_on = stayed | {entry.reference for entry in anew}
    steady = [line for e in record.current if e.reference in go_on for line in e.lines]
    spans = [
        span
        for entry in (*record.current, *_to_begin(record, stayed))
        if entry.reference not in go_on
        for span in entry.by_date
    ]
    ends = {span.last_day + 1 for span in spans if span.last_day is not None}
    days = sorted(day for day in ends | {span.first_day or 0 for span in spans} if day > 0)
    taken = _daily(line for entry in record.current for line in entry.lines)
    found: list[Dated] = []
    for first, after in pairwise((*days, days[-1] + 1) if days else ()):
        lines = [*steady, *(line for span in spans if span.holds(first) for line in span.lines)]
        then = _daily(lines)
        if not lines or any(amount > taken.get(key, 0) for key, amount in then.items()):
            break  # nothing would be taken, of which the last order's end tells; or a dose rises
        if found or then != taken:
            found.append(Dated.of(first, after - 1, Regimen(tuple(lines))))
    return tuple(found)


def _daily(lines: Iterable[DoseLine]) -> dict[str, Fraction]:
    daily: dict[str, Fraction] = defaultdict(Fraction)
    for line in lines:
        daily[line.preparation.id] += line.daily
    return daily


def _takes_over(later: MedicineEntry, ends: MedicineEntry) -> bool:
    """Whether an order goes on with a medicine by the day after another ends."""
    kinds = {line.preparation.kind for line in ends.lines}
    same = any(line.preparation.kind in kinds for line in later.lines)
    begins = later.first_day
    return same and begins is not None and 0 <= begins <= (ends.last_day or 0) + 1


def _of_the_way(finding: Finding, plan: Plan, standing: Standing) -> Finding | None:
    """A finding on how low or how high the plan leads, as far as it is the plan that leads there.

    Where coverage is furthest today, the way there is over; and past the checkpoint it is labs
    that say what is enough.
    """
    if finding.code not in _ON_COVERAGE:
        return finding
    forecast = plan.forecasts[0]
    low = finding.code != COVERAGE_HIGH
    furthest = [c.lowest if low else c.highest for c in forecast.coverage]
    if all(extreme.day <= 0 for extreme in furthest):
        return None
    before_labs = standing.visit.position in {Position.CLIMB, Position.WAITING}
    return finding if before_labs else replace(finding, severity=Severity.NOTE)


def _on_a_filed_day(draw: LabDraw, steps: Sequence[Step], asked: Sequence[int]) -> LabDraw:
    """A draw on the way, moved within its step to the first day for which one is filed."""
    if draw.purpose != "interim":
        return draw
    (step,) = (step for step in steps if step.first_day <= draw.day <= step.last_day)
    known = [day for day in asked if max(step.first_day, 1) <= day <= step.last_day]
    return replace(draw, day=known[0]) if known else draw


def _stop(decision: Decision) -> Finding:
    """The stop of the table itself, where no rule of the patient's says it."""
    return Finding(
        code=f"next-step-{decision.row}",
        severity=Severity.STOP,
        statement=decision.says,
        action=decision.do,
        origins=(),
        source=decision.source,
    )
