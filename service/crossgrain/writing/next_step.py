"""The answer to a visit after the first: where the patient stands, what is done, what changes."""

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from fractions import Fraction
from itertools import pairwise
from typing import Any

from crossgrain.core.next_step import FiledOrder, HeldBack, NextStep
from crossgrain.core.proposal import Outcome
from crossgrain.core.standing import Standing
from crossgrain.dosing.onward import Act, Dated
from crossgrain.dosing.plan import LabReading
from crossgrain.dosing.preparations import Preparation
from crossgrain.dosing.regimens import DoseLine
from crossgrain.dosing.steps import LineDose
from crossgrain.names.identity import FhirVersion
from crossgrain.names.printing import percent
from crossgrain.reading.code_tables import CodeTables
from crossgrain.reading.filed import Filed
from crossgrain.reading.posing import QuestionForm
from crossgrain.reading.series_mark import ActTaken, SeriesFacts
from crossgrain.safety.visit import Decision, Position
from crossgrain.words.doses import DateWords, date_words, generic_name, product, taken
from crossgrain.writing.answer import answer_bundle
from crossgrain.writing.checkpoint import REQUEST_GROUP
from crossgrain.writing.going_on import Ended, GoingOn, Replaceable, Spell, Waiting
from crossgrain.writing.parts import PartDefinition, many, maybe, one, within, written
from crossgrain.writing.rationale_parts import ratio

Resource = dict[str, Any]
ACT_WORDS: Mapping[Act, str] = {
    Act.CONTINUE: "go on as planned",
    Act.HOLD: "hold today's dose",
    Act.SLOW_DOWN: "climb on more slowly",
    Act.STEP_BACK: "go back one step",
    Act.TURN_BACK: "turn back to the earlier medicine",
    Act.BRANCH: "what the labs lead to",
    Act.ASK: "answer these questions first",
    Act.STOP: "stop the climb; today's dose goes on",
}
"""What a visit ends with, in words."""
_READINGS: Mapping[LabReading, str] = {
    LabReading.VERY_HIGH: "TSH very high",
    LabReading.HIGH: "TSH high",
    LabReading.HIGH_FREE_T3: "TSH and free T3 high",
    LabReading.IN_RANGE: "TSH in range",
    LabReading.SYMPTOMS: "symptoms with labs in range",
    LabReading.LOW: "TSH low",
    LabReading.VERY_LOW: "TSH very low",
}
_POSITIONS: Mapping[Position, str] = {
    Position.NONE: "No plan runs: this is the dose that is taken, and what the labs say of it.",
    Position.CLIMB: "The dose is still being raised, step by step.",
    Position.WAITING: "The dose is held until the labs that decide.",
    Position.AFTER: "The checkpoint is past; the dose is settled by labs.",
    Position.MAINTENANCE: "The dose has proved right; labs keep watch over it.",
}


def next_step_bundle(
    step: NextStep,
    *,
    version: FhirVersion,
    service_version: str,
    codes: CodeTables,
    write: Callable[..., Resource] = answer_bundle,
    form: QuestionForm | None = None,
) -> Resource:
    """Write a next step as a `collection` Bundle, the GuidanceResponse first.

    `write` is `answer_bundle`, or `brief.brief_bundle` for the answer in short;
    `form` is what the record leaves open.
    """
    return write(
        step.proposal,
        version=version,
        service_version=service_version,
        codes=codes,
        going_on=going_on(step),
        form=form,
    )


def going_on(step: NextStep, dated: DateWords = date_words) -> GoingOn:
    """What the answer says and names beside its plan; its sentences write dates as `dated` does."""
    replaced = step.replaced
    running = [filed.reference for filed in replaced.care_plans]
    return GoingOn(
        title=title_of(step),
        said=tuple(said(step, dated)),
        parts=tuple(written((NEXT_STEP,), step)),
        facts=_carried(step),
        act=_act(step),
        kept=replaced.kept,
        kept_in_words=tuple(_kept_words(step, dated)),
        kept_draws=replaced.drawn,
        ended=tuple(_ended(order) for order in replaced.ended),
        waiting=tuple(_waiting(step, dated)),
        replaces={
            "CarePlan": tuple(running),
            REQUEST_GROUP: tuple(filed.reference for filed in replaced.groups),
        },
        draws=_draws_replaced(step),
        checks=_by_code(replaced.checks),
        before_today=tuple(_before_today(step)),
        before=_before(step),
        to_checkpoint=_to_checkpoint(step),
        awaits_draw=_awaits_draw(step),
        running=running[0] if running else "",
        result=running[0] if running and not step.changes else "",
    )


def _carried(step: NextStep) -> SeriesFacts | None:
    """What the plan that runs says of itself, with the checkpoint that holds: it never rises."""
    facts = _facts(step)
    checkpoint = step.standing.underway.checkpoint if step.standing else None
    return replace(facts, checkpoint=checkpoint) if facts and checkpoint else facts


_ON_THE_WAY = {Act.CONTINUE, Act.HOLD, Act.SLOW_DOWN}
_BEFORE_LABS = {Position.CLIMB, Position.WAITING}


def _to_checkpoint(step: NextStep) -> bool:
    standing = step.standing
    return (
        standing is not None
        and standing.visit.position in _BEFORE_LABS
        and standing.decision.act in _ON_THE_WAY
    )


def _awaits_draw(step: NextStep) -> bool:
    standing = step.standing
    return (
        standing is not None
        and standing.visit.position is not Position.CLIMB
        and standing.decision.act is Act.CONTINUE
    )


def _act(step: NextStep) -> ActTaken | None:
    """What the orders carry on of this visit."""
    if step.standing is None:
        return None
    decision = step.standing.decision
    day = step.proposal.request.as_of
    return ActTaken(day, decision.act, decision.reason, decision.reading)


def title_of(step: NextStep) -> str:
    """The act, in words."""
    if step.standing is None:
        return f"Next step: {ACT_WORDS[Act.ASK]}"
    decision = step.standing.decision
    act = ACT_WORDS[decision.act]
    by = f" ({_READINGS[decision.reading]})" if decision.reading else ""
    return f"Next step: {act}{by}"


def said(step: NextStep, dated: DateWords = date_words) -> Iterator[str]:
    """Where the patient stands, why the answer is what it is, what to do, and what waits."""
    yield from _where_and_why(step, dated)
    yield from (waiting.says for waiting in _waiting(step, dated))
    yield from _until_settled(step, dated)
    yield from _falls_meanwhile(step, dated)
    yield from _covered_meanwhile(step)


def _where_and_why(step: NextStep, dated: DateWords) -> Iterator[str]:
    standing = step.standing
    if standing is None:
        yield "Where the patient stands cannot be told yet."
        return
    decision = standing.decision
    yield position_words(standing)
    if standing.labs.why:
        yield f"{standing.labs.why}."
    if standing.step and standing.facts:
        yield (
            f"Today is in step {standing.step} of {standing.steps} of the plan that began on"
            f" {dated(standing.facts.day_one)}."
        )
    yield decision.says
    yield decision.do


def _waiting(step: NextStep, dated: DateWords) -> Iterator[Waiting]:
    """The changes that are not to begin for now, each in words."""
    stopped = step.proposal.outcome is Outcome.STOP
    until = "what stops it is settled" if stopped else "this is answered"
    for held in step.replaced.waiting:
        by = max(held.day - timedelta(1), step.proposal.request.start)
        yield Waiting(held.order.reference, held.goes_on, by, _waits(held, until, dated))


def _waits(held: HeldBack, until: str, dated: DateWords) -> str:
    order, medicine = _ended(held.order), generic_name(held.order.preparation)
    would = f"on {dated(held.day)} {medicine} would {'rise' if held.rises else 'fall'}"
    if held.goes_on:
        verb = "raise" if held.rises else "lower"
        return (
            f"Do not {verb} {medicine} by the order for {order.product} until {until}: {would}."
            " What is taken today goes on."
        )
    return (
        f"Do not begin the order for {order.product} until {until}: {would}. Do not fill it for"
        " now; what is taken today goes on."
    )


def position_words(standing: Standing) -> str:
    """Where in a plan the patient is."""
    return _POSITIONS[standing.visit.position]


def _until_settled(step: NextStep, dated: DateWords) -> Iterator[str]:
    """When today's medicines are left without an order: hormone is never to end by that."""
    as_of = step.proposal.request.as_of
    medicines = (
        (generic_name(entry.lines[0].preparation), as_of + timedelta(entry.last_day or 0))
        for entry in step.ends_meanwhile
    )
    for medicine, last in dict.fromkeys(medicines):
        yield (
            f"The order for {medicine} that is followed today ends on {dated(last)}: if nothing is"
            " settled by then, order the same dose anew."
        )


def _falls_meanwhile(step: NextStep, dated: DateWords) -> Iterator[str]:
    """What is filed to fall or to end, and does so while nothing is settled."""
    as_of = step.proposal.request.as_of
    doses = [
        f"from {dated(as_of + timedelta(each.first_day))} it is {taken(each.regimen)}"
        for each in step.to_come
    ]
    if doses:
        yield f"What is filed to fall or end does so meanwhile: {'; '.join(doses)}."


def _covered_meanwhile(step: NextStep) -> Iterator[str]:
    """How low coverage gets while what is asked, or what stops it, is not settled."""
    if step.while_waiting:
        basis, lowest = min(step.while_waiting.items(), key=lambda each: (each[1], each[0]))
        on = "On these doses" if step.to_come else "For as long as today's dose goes on"
        yield (
            f"{on}, modelled coverage is no lower than"
            f" {percent(lowest)} of what was taken before day one (on “{basis}”, the lowest)."
        )


def _ended(order: FiledOrder) -> Ended:
    words = (
        product(order.preparation, order.strength)
        if order.strength is not None
        else generic_name(order.preparation)
    )
    return Ended(order.reference, words, order.begun)


def _kept_words(step: NextStep, dated: DateWords) -> Iterator[str]:
    """The filed orders that go on, each with its product and its last day."""
    for words, last, reference in kept_orders(step):
        yield f"{words}: as ordered, until {dated(last)} ({reference})"


def kept_orders(step: NextStep) -> Iterator[tuple[str, date, str]]:
    """The same: the product in words, the last day, and how the input refers to the order."""
    preparations = {line.preparation.id: line.preparation for line in _lines(step)}
    for order in step.replaced.kept:
        words = product(preparations[order.ordered.preparation_id], order.ordered.strength)
        yield words, order.ordered.last_day, order.reference


def _lines(step: NextStep) -> Iterator[LineDose]:
    plan = step.proposal.plan
    return (line for each in (plan.steps if plan else ()) for line in each.lines)


def _draws_replaced(step: NextStep) -> dict[tuple[str, str], tuple[str, ...]]:
    """Every filed draw that is not meant any more, under the first new one of its kind."""
    return {
        (code, day): references
        for code, references in _by_code(step.replaced.draws).items()
        if (day := _first_new(step, code))
    }


def _by_code(filed: Iterable[Filed]) -> dict[str, tuple[str, ...]]:
    """How the input refers to requests, by the code of what they ask for."""
    references: dict[str, list[str]] = defaultdict(list)
    for each in filed:
        if each.code:
            references[each.code].append(each.reference)
    return {code: tuple(named) for code, named in references.items()}


def _first_new(step: NextStep, code: str) -> str:
    """The day of the first draw of a kind that is written; empty where none is."""
    plan, start = step.proposal.plan, step.proposal.request.start
    known = step.replaced.drawn
    for draw in sorted(plan.labs if plan else (), key=lambda draw: draw.day):
        days = [(start + timedelta(day)).isoformat() for day in draw.days]
        if any((code, day) not in known for day in days):
            return (start + timedelta(draw.day)).isoformat()
    return ""


def _before_today(step: NextStep) -> Iterator[Spell]:
    """The steps of the course that have begun, as they were planned."""
    if step.standing is None:
        return
    as_of = step.proposal.request.as_of
    for spell in step.standing.underway.planned:
        if spell.first_day < 0:
            yield as_of + timedelta(spell.first_day), spell.by_id


def _before(step: NextStep) -> Mapping[str, Sequence[Replaceable]]:
    """Medicine → what an order for it takes the place of: what is taken now, then what was to be.

    An order that stands is replaced by none.
    """
    kept = {order.reference for order in step.replaced.kept}
    before: dict[str, dict[str, Replaceable]] = defaultdict(dict)
    for entry in step.proposal.record.current:
        if entry.reference not in kept:
            for line in entry.lines:
                before[line.preparation.id][entry.reference] = entry
    for order in sorted(step.replaced.ended, key=lambda order: not order.begun):
        before[order.preparation.id].setdefault(order.reference, order)
    return {medicine: tuple(named.values()) for medicine, named in before.items()}


@dataclass(frozen=True, slots=True)
class TakenSpell:
    """What was taken on some days beside what was planned for them, both in words."""

    first_day: date
    last_day: date
    planned: str
    taken: str


def taken_beside_planned(step: NextStep) -> Iterator[TakenSpell]:
    """The days from day one to yesterday, wherever one of the two changes."""
    if step.standing is None or step.standing.facts is None:
        return
    underway, as_of = step.standing.underway, step.proposal.request.as_of
    every = (*underway.taken, *underway.planned)
    cuts = {each.first_day for each in every} | {each.last_day + 1 for each in every}
    days = sorted({day for day in cuts if underway.day_one < day < 0} | {underway.day_one, 0})
    for first, after in pairwise(days):
        yield TakenSpell(
            as_of + timedelta(first),
            as_of + timedelta(after - 1),
            _doses_on(underway.planned, first),
            _doses_on(underway.taken, first),
        )


def _doses_on(spells: Iterable[Dated], day: int) -> str:
    """What holds on a day, in words."""
    daily: dict[str, tuple[Preparation, Fraction]] = {}
    for spell in spells:
        if spell.first_day <= day <= spell.last_day:
            for preparation, amount_a_day in spell.amounts:
                _, before = daily.get(preparation.id, (preparation, Fraction(0)))
                daily[preparation.id] = preparation, before + amount_a_day
    ordered = sorted(daily.items())  # so that the same doses read the same, planned or taken
    lines = (DoseLine(preparation, (a_day,), "") for _, (preparation, a_day) in ordered)
    return taken(lines) or "no thyroid hormone"


def _decision(step: NextStep) -> Decision | None:
    return step.standing.decision if step.standing else None


def _facts(step: NextStep) -> SeriesFacts | None:
    return step.standing.facts if step.standing else None


NEXT_STEP = PartDefinition(
    "next-step", "", 1, "1", "What is done next, and why",
    (
        one(
            "act", "code", "The one answer",
            lambda step: step.standing.decision.act if step.standing else Act.ASK,
        ),
        *within(
            _decision,
            maybe(
                "branch", "code", "The checkpoint's branch, where the labs decide",
                lambda decision: decision.reading,
            ),
            maybe(
                "row", "code", "The row of the decision table that gives it",
                lambda decision: decision.row,
            ),
            maybe("says", "string", "What was found", lambda decision: decision.says),
            maybe(
                "do", "string", "What to do, or what to settle first",
                lambda decision: decision.do,
            ),
            maybe("source", "string", "On whose word", lambda decision: decision.source),
        ),
        *within(
            lambda step: step.standing,
            maybe(
                "position", "code", "Where in the plan the patient is, or that none runs",
                lambda standing: standing.visit.position,
            ),
            maybe(
                "labs", "string", "What the labs since the last visit were read from",
                lambda standing: standing.labs.why or None,
            ),
        ),
        *within(
            _facts,
            maybe("plan", "id", "The plan that goes on", lambda facts: facts.plan_id),
            maybe(
                "day-one", "date", "Its first day", lambda facts: facts.day_one.isoformat()
            ),
        ),
        *within(
            lambda step: step.standing,
            maybe(
                "step", "positiveInt", "Which of its steps today is in",
                lambda standing: standing.step,
            ),
            maybe("steps", "positiveInt", "Of how many", lambda standing: standing.steps),
        ),
        many(
            "taken", "What was taken since day one, beside what was planned for those days",
            one("from", "date", "First day", lambda spell: spell.first_day.isoformat()),
            one("to", "date", "Last day", lambda spell: spell.last_day.isoformat()),
            one("planned", "string", "What was planned, in words", lambda spell: spell.planned),
            one("said", "string", "What was taken, by the record", lambda spell: spell.taken),
            value=lambda step: list(taken_beside_planned(step)),
        ),
        many(
            "while-waiting",
            "Coverage while it asks or stops, on today's doses and on those that are filed to fall"
            " or end meanwhile; 1 is what was taken before day one",
            one("basis", "code", "The basis", lambda row: row[0]),
            one(
                "lowest", "decimal", "Lowest value, however long it lasts",
                lambda row: ratio(row[1]),
            ),
            value=lambda step: list(step.while_waiting.items()),
        ),
        PartDefinition(
            "order-anew", "string", 0, "*",
            "An order that ends while it waits: the same dose is to be ordered anew by then",
            value=lambda step: [entry.reference for entry in step.ends_meanwhile],
        ),
        PartDefinition(
            "stands", "string", 0, "*", "A filed order that goes on as it is",
            value=lambda step: [order.reference for order in step.replaced.kept],
        ),
        PartDefinition(
            "replaced", "string", 0, "*", "A filed resource whose place is taken",
            value=lambda step: list(dict.fromkeys(step.replaced.displaced)),
        ),
    ),
    lambda step: step,
)  # fmt: skip
"""What an answer to ``$next-step`` says beside the rationale, of a `NextStep`."""
