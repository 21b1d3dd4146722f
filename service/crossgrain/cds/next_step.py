"""The card of a plan that runs: where the patient stands, the one act and why, its first orders.

Shown when a chart is opened and a decision is due; see `core/due.py` for when that is.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta
from typing import Any, Literal

from msgspec import UNSET

from crossgrain.cds import markdown as md
from crossgrain.cds.actions import MOST_ACTIONS, MOST_BYTES, create, delete
from crossgrain.cds.answers import Card, CardAction, CardSuggestion
from crossgrain.cds.card_detail import MOST_CHARACTERS, asked_first, finding_words, missing_words
from crossgrain.cds.cards import REASONS, SOURCE, summary
from crossgrain.cds.filing import Resource, Series, first_day, said_once
from crossgrain.cds.record import Assembled
from crossgrain.core.due import Due, decision_due, to_be_signed
from crossgrain.core.filed_plan import FiledOrder
from crossgrain.core.next_step import NextStep
from crossgrain.core.proposal import Outcome
from crossgrain.core.running import series_in
from crossgrain.dosing.steps import courses
from crossgrain.names.identity import FhirVersion, stable_id
from crossgrain.names.values import frozen
from crossgrain.operations.desk import Desk
from crossgrain.operations.faults import RequestRefused
from crossgrain.operations.next_step import SettledStep, answer_to, settle
from crossgrain.operations.parameters import Given, from_query
from crossgrain.reading.calendar import Calendar
from crossgrain.reading.resolve import BundleIndex
from crossgrain.reading.series_mark import any_marked
from crossgrain.safety.rule import Severity
from crossgrain.safety.visit import Alarm, DosesTaken, TooFast
from crossgrain.words.doses import CAUTION, daily_dose, date_words, product, taken
from crossgrain.writing.elements import plain
from crossgrain.writing.filed_acts import changed_act
from crossgrain.writing.forms import to_json
from crossgrain.writing.next_step_words import (
    ACT_WORDS,
    acts_changed,
    due_since,
    position_words,
    title_of,
)

_WHY: Mapping[Due, str] = {
    Due.FOUND: "the plan is stopped",
    Due.UNTOLD: "where the patient stands cannot be told",
    Due.NEWS: "something new speaks against a rise",
    Due.LABS_BACK: "labs are back",
    Due.LABS_OVERDUE: "labs are overdue",
    Due.SUPPLY: "the next order is due",
    Due.NOT_MEANT: "orders stand that are no longer meant",
}
_REPORTED: Mapping[TooFast | DosesTaken, str] = {
    TooFast.PALPITATIONS: "palpitations or a fast pulse",
    TooFast.JITTERS: "jitters or sleeplessness",
    DosesTaken.STOPPED: "nothing is taken",
    DosesTaken.GAP: "medicine was missed for a week or more",
    DosesTaken.MISSED: "days were missed",
}
_INDICATORS: Mapping[Due, Literal["critical", "warning", "info"]] = {
    Due.FOUND: "critical",
    Due.UNTOLD: "warning",
    Due.REPORTED: "warning",
    Due.NEWS: "warning",
    Due.LABS_BACK: "warning",
    Due.LABS_OVERDUE: "warning",
    Due.SUPPLY: "info",
    Due.NOT_MEANT: "warning",
}


def step_in(
    assembled: Assembled, desk: Desk, calendar: Calendar, prescriber: str = ""
) -> NextStep | None:
    """The next step of the plan that runs in a record; ``None`` where nothing tells of one.

    `prescriber` is who asks for its orders, where that is known.

    Raises
    ------
    RequestRefused
        where the record cannot be read as one patient's at all.
    """
    resources = (entry["resource"] for entry in assembled.bundle["entry"])
    if not any_marked(resources, desk.catalogue.policy.combining):
        return None
    asked = from_query([("as-of", calendar.as_of.isoformat())])
    if calendar.zone:
        asked = (*asked, *from_query([("time-zone", calendar.zone.key)]))
    if prescriber:
        named = {"name": "requester", "valueReference": {"reference": prescriber}}
        asked = (*asked, Given("requester", named, "context.userId"))
    try:
        step = settle(desk, assembled.bundle, asked, FhirVersion.R4).step
    except RequestRefused as refused:
        raise RequestRefused(
            *(
                replace(each, expression=each.expression and assembled.place_of(each.expression))
                for each in refused.complaints
            )
        ) from refused
    return step if series_in(step.proposal.record, ()) else None


def visit_cards(
    instance: str, assembled: Assembled, step: NextStep, desk: Desk, not_whole: tuple[str, ...]
) -> list[Card]:
    """One card where a decision is due, else none."""
    due = decision_due(step, desk.catalogue.visits.supply_days)
    return (
        []
        if due is None
        else [_DecisionCard(instance, assembled, step, desk, due, not_whole).card()]
    )


@frozen
class _DecisionCard:
    """What a card of one decision is made from."""

    instance: str
    assembled: Assembled
    step: NextStep
    desk: Desk
    due: Due
    not_whole: tuple[str, ...]

    @property
    def as_of(self) -> date:
        return self.step.proposal.request.as_of

    @property
    def last_to_sign(self) -> str:
        """The last day of which an order is asked for today."""
        return (self.as_of + timedelta(self.desk.catalogue.visits.supply_days)).isoformat()

    def uuid(self, what: str) -> str:
        return stable_id(f"{self.instance.lower()}|{what}")

    def card(self) -> Card:
        actions, left = self._actions()
        offered = [self._suggestion(actions)] if actions else UNSET
        return Card(
            uuid=self.uuid("visit"),
            summary=summary(f"{self._where()}: {self._why()}. {title_of(self.step)}"),
            detail=self._detail(left),
            indicator=_INDICATORS[self.due],
            source=SOURCE,
            suggestions=offered,
            selection_behavior=UNSET if offered is UNSET else "at-most-one",
            override_reasons=REASONS,
        )

    def _where(self) -> str:
        standing = self.step.standing
        if standing is None or not standing.step:
            return "Thyroid plan"
        return f"Thyroid plan, step {standing.step} of {standing.steps}"

    def _why(self) -> str:
        standing = self.step.standing
        if standing is None:
            return _WHY[self.due]
        visit = standing.visit
        if visit.alarm is Alarm.PREGNANCY:
            return "a pregnancy"
        if self.due is Due.REPORTED:
            said = [_REPORTED[each] for each in (visit.taking, visit.too_fast) if each in _REPORTED]
            return " and ".join(said)
        return _WHY[self.due]

    def _suggestion(self, actions: list[CardAction]) -> CardSuggestion:
        standing = self.step.standing
        act = ACT_WORDS[standing.decision.act] if standing else ""
        return CardSuggestion(
            label=f"{act[:1].upper()}{act[1:]}: what is to be signed now",
            uuid=self.uuid("act"),
            is_recommended=True,
            actions=actions,
        )

    # --- what is said ----------------------------------------------------------------------------

    def _detail(self, left: Sequence[FiledOrder]) -> str:
        """What was found and what to do; the doses from today; where the patient stands."""
        record = self.step.proposal.record
        grave = [f for f in self.step.proposal.findings if f.severity is not Severity.NOTE]
        asked = record.questions if self.step.standing is None else ()  # else it was said already
        return md.fitted(
            (
                md.bullets(self._decided()),
                asked_first(self.assembled, asked),
                md.bullets(map(md.text, self._from_today())),
                md.bullets(map(finding_words, grave)),
                md.bullets(map(md.text, self._waits())),
                md.bullets(map(md.text, self._to_end(left))),
                md.bullets(map(md.text, self._stands())),
                md.bullets(missing_words(self.not_whole)),
            ),
            md.text(CAUTION),
            MOST_CHARACTERS,
        )

    def _decided(self) -> Iterator[str]:
        standing = self.step.standing
        if standing is None:
            return
        labs = standing.labs.why if self.due is Due.LABS_BACK else ""
        due = due_since(self.step, date_words)
        found = " ".join(filter(None, (standing.decision.says, *due, labs)))
        yield f"{md.strong('Found')}: {md.text(found)}"
        yield f"{md.strong('What to do')}: {md.text(standing.decision.do)}"

    def _waits(self) -> Iterator[str]:
        """That what would change a dose is held back, and when the first of it would."""
        replaced = self.step.replaced
        days = [held.day for held in replaced.waiting]
        if self.step.proposal.plan is None:
            days += [end.day for end in replaced.ends if end.day]
        if days:
            first = date_words(min(days))
            yield f"Until then no dose is to change: by the first order it would on {first}"

    def _from_today(self) -> Iterator[str]:
        """The doses that the suggestion is about, and the next blood test."""
        plan = self.step.proposal.plan
        if plan is None:
            return
        begins = [c for c in courses(plan.steps) if self._day(c.first_day) <= self.last_to_sign]
        for course in begins:
            first, last = (
                date_words(self.as_of + timedelta(day))
                for day in (course.first_day, course.last_day)
            )
            dose = daily_dose(course.line)
            yield f"{dose[:1].upper()}{dose[1:]} from {first} to {last}"
        drawn = [draw.day for draw in plan.labs if draw.day >= 0]
        if drawn:
            yield f"Blood is drawn next on {date_words(self.as_of + timedelta(min(drawn)))}"

    def _to_end(self, left: Sequence[FiledOrder]) -> Iterator[str]:
        for order in left:
            words = product(order.preparation, order.strength) if order.strength else ""
            yield f"To be ended besides: {words} ({self.assembled.reference(order.reference)})"

    def _stands(self) -> Iterator[str]:
        standing = self.step.standing
        if standing is None:
            return
        if standing.facts and standing.step:
            yield (
                f"Step {standing.step} of {standing.steps} of the plan that began on"
                f" {date_words(standing.facts.day_one)}. {position_words(standing)}"
            )
        now = taken(standing.record.regimen)
        if now:
            yield f"Taken now: {now}"

    # --- what is to be done ----------------------------------------------------------------------

    def _actions(self) -> tuple[list[CardAction], list[FiledOrder]]:
        """What the act asks for now, and the filed orders for whose end there is no room.

        Two doses of one day are never left to stand: what has begun and is replaced is ended with
        what takes its place, or nothing is offered. What there is no room for and begins later
        is due when the chart is opened again.
        """
        if self.due is Due.UNTOLD:
            return [], []
        filed, ended = self._filed(), self.step.replaced.ended
        plan, orders, others = self._created()
        now = [order for order in orders if first_day(order) <= self.as_of.isoformat()]
        later = [order for order in orders if order not in now]
        signed = [
            _as_order(filed[one.reference])
            for one in to_be_signed(self.step, self.desk.catalogue.visits.supply_days)
        ]
        begun = [order for order in ended if order.begun]
        acts = list(self._acts_changed())
        # What takes the place of an act that is withdrawn goes with it, or the old dose never ends.
        ends = [each for each in others if acts and each["resourceType"] == "Task"]
        others = [each for each in others if each not in ends]
        room = MOST_ACTIONS - len(begun) - len(plan) - len(now) - len(acts) - len(ends)
        if room < 0:
            return [], list(ended)
        beside = [*ends, *[*signed, *later, *others][:room]]
        yet_to_begin = sorted(
            (order for order in ended if not order.begun),
            key=lambda order: _begins(filed[order.reference]),
        )
        withdrawn = yet_to_begin[: room + len(ends) - len(beside)]
        ending = [self._end(each, filed[each.reference]) for each in (*begun, *withdrawn)]
        ending.sort(key=lambda action: action.type)
        every = [*ending, *acts, *map(create, self._together(plan, [*now, *beside]))]
        if sum(len(to_json(each)) for each in every) > MOST_BYTES:
            return [], list(ended)
        return every, [order for order in ended if order not in (*begun, *withdrawn)]

    def _filed(self) -> dict[str, Resource]:
        """The resources of the record by the reference by which it is named there."""
        entries = BundleIndex(self.assembled.bundle, "Bundle").entries
        return {entry.reference: entry.resource for entry in entries}

    def _created(self) -> tuple[list[Series], list[Resource], list[Resource]]:
        """The series from today, where it is to be filed; its orders that begin soon; the rest."""
        plan = self.step.proposal.plan
        if plan is None:
            return [], [], []
        answer = answer_to(self.desk, SettledStep(self.step), FhirVersion.R4)
        if not any(each["resource"]["resourceType"] == "CarePlan" for each in answer["entry"]):
            return [], [], []  # nothing of what is filed changes
        series = Series(answer, self.assembled.in_words)
        ended = {order.reference for order in self.step.replaced.ended}
        orders = [order for order in series.orders() if first_day(order) <= self.last_to_sign]
        ends = [task for task in series.ends() if task["focus"]["reference"] not in ended]
        deciding = series.draw_on(self._day(plan.checkpoint.lab_day))
        others = [*deciding[:1], *series.first_draw()]
        different = {each["id"]: each for each in (*ends, *others, *deciding)}
        return [series], orders, list(different.values())

    def _together(self, series: Sequence[Series], others: Sequence[Resource]) -> Sequence[Resource]:
        """The care plan first, which points at those of its orders that are filed with it."""
        others = [{**each, "intent": "order"} for each in others]
        if not series:
            return others
        plan = {**series[0].course(others), "intent": "plan"}
        return [plan, *said_once(plan, others)]

    def _acts_changed(self) -> Iterator[CardAction]:
        """The filed tasks that end a medicine no more by their day, or not for now.

        The dose of today is not to end by a task while the order that was to follow is withdrawn.
        Where it is asked no order is withdrawn, so that both would be taken: it is said in words.
        """
        if self.step.proposal.outcome is Outcome.DATA_REQUIRED:
            return
        for changed in acts_changed(self.step, date_words):
            resource = changed_act(changed, FhirVersion.R4)
            yield CardAction(type="update", description=plain(changed.says), resource=resource)

    def _end(self, order: FiledOrder, resource: Resource) -> CardAction:
        """The order as it stands, ended: removed where nobody signed it."""
        reference = self.assembled.reference(order.reference)
        if resource.get("status") == "draft":
            return delete(reference)
        name = product(order.preparation, order.strength) if order.strength else reference
        return CardAction(
            type="update",
            description=f"End the order for {name}, {reference}",
            resource=_cut_off(resource, self.as_of),
        )

    def _day(self, of_plan: int) -> str:
        return (self.as_of + timedelta(of_plan)).isoformat()


def _begins(order: Resource) -> str:
    """The first day of its first dose, as written; empty where that is not said."""
    (first, *_) = order.get("dosageInstruction") or [{}]
    return str(first.get("timing", {}).get("repeat", {}).get("boundsPeriod", {}).get("start", ""))


def _as_order(proposed: Resource) -> Resource:
    """An order made of one that was filed as a proposal."""
    reference = f"{proposed['resourceType']}/{proposed['id']}"
    kept = {key: value for key, value in proposed.items() if key not in {"text", "meta"}}
    return {
        **kept,
        "id": stable_id(f"order|{proposed['id']}"),
        "status": "draft",
        "intent": "order",
        "basedOn": [{"reference": reference}],
    }


def _cut_off(order: Resource, on: date) -> Resource:
    """An order that is ended on a day: what it says of that day and later is left out."""
    last = (on - timedelta(1)).isoformat()
    doses = list(_until(order.get("dosageInstruction", ()), last))
    begun = {"dosageInstruction": doses} if doses else {}
    kept = {key: value for key, value in order.items() if key != "text"}
    status = "stopped" if doses else "cancelled"
    return {**kept, **begun, "status": status}


def _until(dosages: Sequence[Resource], last: str) -> Iterator[Resource]:
    """The doses that begin by a day, and none of them beyond it."""
    for dosage in dosages:
        timing: Any = dosage.get("timing", {})
        bounds = timing.get("repeat", {}).get("boundsPeriod", {})
        if bounds.get("start", "") > last:
            continue
        if bounds.get("end", last) < last:
            yield dosage
            continue
        repeat = {**timing.get("repeat", {}), "boundsPeriod": {**bounds, "end": last}}
        cut = {key: value for key, value in dosage.items() if key != "text"}
        yield {**cut, "timing": {**timing, "repeat": repeat}}
