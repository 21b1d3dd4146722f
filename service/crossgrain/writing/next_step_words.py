"""What a visit after the first is told as: where the patient stands, what is done, what waits."""

from collections.abc import Iterator, Mapping
from datetime import date, timedelta

from crossgrain.core.filed_plan import FiledOrder, HeldBack
from crossgrain.core.next_step import NextStep
from crossgrain.core.proposal import Outcome
from crossgrain.core.standing import Standing
from crossgrain.dosing.onward import Act
from crossgrain.dosing.plan import LabReading
from crossgrain.dosing.steps import LineDose
from crossgrain.names.printing import percent
from crossgrain.reading.filed import ON_HOLD
from crossgrain.reading.record import MedicineEntry
from crossgrain.safety.rule import Severity
from crossgrain.safety.visit import LabsSay, Position
from crossgrain.words.doses import DateWords, date_words, product, taken
from crossgrain.writing.going_on import ChangedAct, Ended, Waiting

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
_SIGNED = (
    "What is marked as a hold was there before the last visit, or before the plan: for orders that"
    " are signed it counts as settled, and those that are not yet signed wait for it."
)
_NONE_TAKEN = "A plan runs, and by the record nothing of it is taken."


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
    yield from (waiting.says for waiting in waits(step, dated))
    yield from (changed.says for changed in acts_changed(step, dated))
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
    yield from due_since(step, dated)
    for new in standing.news:
        yield f"New: {new.title}. {new.action}"
    yield decision.do
    if _on_as_signed(step, standing):
        yield _SIGNED


def _on_as_signed(step: NextStep, standing: Standing) -> bool:
    """Whether what is filed goes on, beside a hold that was there when it was signed."""
    holds = any(found.severity is Severity.HOLD for found in step.proposal.findings)
    return holds and bool(step.rises) and standing.decision.changes_nothing and not step.changes


def due_since(step: NextStep, dated: DateWords) -> Iterator[str]:
    """The day on which labs that have not come were to be drawn."""
    standing = step.standing
    if standing is None or standing.labs_due is None or standing.labs_due > 0:
        return
    if standing.visit.labs in {LabsSay.DUE, LabsSay.OVERDUE}:
        since = step.proposal.request.as_of + timedelta(standing.labs_due)
        yield f"Labs have been due since {dated(since)}."


def waits(step: NextStep, dated: DateWords) -> Iterator[Waiting]:
    """The changes that are not to begin for now, each in words."""
    until = _until(step)
    for held in step.replaced.waiting:
        by = max(held.day - timedelta(1), step.proposal.request.start)
        yield Waiting(held.order.reference, held.goes_on, by, _wait_words(held, until, dated))


def _until(step: NextStep) -> str:
    if step.proposal.plan:
        return "the labs of this step are read"
    stopped = step.proposal.outcome is Outcome.STOP
    return "what stops it is settled" if stopped else "this is answered"


def _wait_words(held: HeldBack, until: str, dated: DateWords) -> str:
    order, medicine = ended(held.order), held.order.preparation.generic_name
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


def acts_changed(step: NextStep, dated: DateWords) -> Iterator[ChangedAct]:
    """The filed acts that end no medicine for now, or not any more, each in words."""
    for end in step.replaced.ends:
        medicine = end.entry.lines[0].preparation.generic_name
        on = f" on {dated(end.day)}" if end.day else ""
        if step.proposal.plan:
            says = (
                f"The filed task to end {medicine} as taken now{on} is withdrawn: this next step"
                " takes its place."
            )
            yield ChangedAct(end.act, "cancelled", says)
        else:
            says = (
                f"Do not end {medicine} as taken now{on} until {_until(step)}: the task that is"
                " filed for it is on hold. What is taken today goes on."
            )
            yield ChangedAct(end.act, ON_HOLD, says)


def position_words(standing: Standing) -> str:
    """Where in a plan the patient is."""
    if not standing.record.regimen.lines:
        return _NONE_TAKEN
    return _POSITIONS[standing.visit.position]


def _until_settled(step: NextStep, dated: DateWords) -> Iterator[str]:
    """When medicines are left without an order: hormone is never to end by that."""
    as_of = step.proposal.request.as_of
    said = (_ends(entry, as_of, dated) for entry in step.meanwhile.ends)
    yield from dict.fromkeys(said)


def _ends(entry: MedicineEntry, as_of: date, dated: DateWords) -> str:
    medicine, day = entry.lines[0].preparation.generic_name, entry.last_day or 0
    last = dated(as_of + timedelta(day))
    if day < 0:
        return (
            f"The order for {medicine} ended on {last}, and none goes on with it: if it is still"
            " taken, order the same dose anew."
        )
    followed = "is followed today" if (entry.first_day or 0) <= 0 else "comes after today's"
    return (
        f"The order for {medicine} that {followed} ends on {last}: if nothing is settled by then,"
        " order the same dose anew."
    )


def _falls_meanwhile(step: NextStep, dated: DateWords) -> Iterator[str]:
    """What is filed to fall or to end, and does so while nothing is settled."""
    as_of = step.proposal.request.as_of
    doses = [
        f"from {dated(as_of + timedelta(each.first_day))} it is {taken(each.regimen)}"
        for each in step.meanwhile.to_come
    ]
    if doses:
        yield f"What is filed to fall or end does so meanwhile: {'; '.join(doses)}."


def _covered_meanwhile(step: NextStep) -> Iterator[str]:
    """How low coverage gets while what is asked, or what stops it, is not settled."""
    if step.meanwhile.lowest:
        basis, lowest = min(step.meanwhile.lowest.items(), key=lambda each: (each[1], each[0]))
        on = "For as long as today's dose goes on"
        if step.meanwhile.to_come:
            on = "On these doses"
        elif step.standing is None:
            on = "On what the record has as taken today, for as long as that goes on"
        yield (
            f"{on}, modelled coverage is no lower than"
            f" {percent(lowest)} of what was taken before day one (on “{basis}”, the lowest)."
        )


def ended(order: FiledOrder) -> Ended:
    """An order that is no longer meant, with its product in words."""
    words = (
        product(order.preparation, order.strength)
        if order.strength is not None
        else order.preparation.generic_name
    )
    return Ended(order.reference, words, order.begun)


def kept_words(step: NextStep, dated: DateWords) -> Iterator[str]:
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
