"""The part of an answer that tells what is done next, and why."""

from collections.abc import Iterable, Iterator
from datetime import date, timedelta
from fractions import Fraction
from itertools import pairwise

from crossgrain.core.next_step import NextStep
from crossgrain.dosing.onward import Act, Dated
from crossgrain.dosing.preparations import Preparation
from crossgrain.dosing.regimens import DoseLine
from crossgrain.names.values import frozen
from crossgrain.reading.series_mark import SeriesFacts
from crossgrain.safety.visit import Decision
from crossgrain.words.doses import taken
from crossgrain.writing.parts import PartDefinition, many, maybe, one, within
from crossgrain.writing.rationale_parts import ratio


@frozen
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
            value=lambda step: list(step.meanwhile.lowest.items()),
        ),
        PartDefinition(
            "order-anew", "string", 0, "*",
            "An order that ends while it waits, or that has ended where it is asked what is taken:"
            " the same dose is to be ordered anew by then",
            value=lambda step: [entry.reference for entry in step.meanwhile.ends],
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
