"""The answer to a visit after the first: where the patient stands, what is done, what changes."""

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import timedelta
from typing import Any

from crossgrain.core.next_step import NextStep
from crossgrain.dosing.onward import Act
from crossgrain.names.identity import FhirVersion
from crossgrain.reading.code_tables import CodeTables
from crossgrain.reading.filed import Filed
from crossgrain.reading.question_form import QuestionForm
from crossgrain.reading.series_mark import ActTaken, SeriesFacts
from crossgrain.safety.visit import Position
from crossgrain.words.doses import DateWords, date_words
from crossgrain.writing.answer import answer_bundle
from crossgrain.writing.checkpoint import REQUEST_GROUP
from crossgrain.writing.going_on import GoingOn, Replaceable, Spell
from crossgrain.writing.next_step_parts import NEXT_STEP
from crossgrain.writing.next_step_words import (
    acts_changed,
    ended,
    kept_words,
    said,
    title_of,
    waits,
)
from crossgrain.writing.parts import written

Resource = dict[str, Any]


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
        kept_in_words=tuple(kept_words(step, dated)),
        kept_draws=replaced.drawn,
        ended=tuple(ended(order) for order in replaced.ended),
        waiting=tuple(waits(step, dated)),
        acts=tuple(acts_changed(step, dated)),
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
        rises=step.rises,
    )


def _carried(step: NextStep) -> SeriesFacts | None:
    """What the plan that runs says of itself, with the checkpoint that holds: it never rises."""
    facts = step.standing.facts if step.standing else None
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
