"""A course that is under way: what was done, what is now, what comes next; and its past, drawn."""

from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import timedelta

from crossgrain.catalogue import Catalogue
from crossgrain.core.next_step import NextStep
from crossgrain.dosing.onward import Dated
from crossgrain.dosing.plan import Plan
from crossgrain.dosing.preparations import Kind
from crossgrain.dosing.underway import Spell, spells
from crossgrain.names.printing import decimal
from crossgrain.names.values import frozen
from crossgrain.safety.checks import DRAWN
from crossgrain.safety.facts import Analyte, Measurement
from crossgrain.sheet.charted import Dose, Drawn, Past, doses_in_words
from crossgrain.words.doses import DateWords, taken
from crossgrain.writing.going_on import GoingOn
from crossgrain.writing.next_step_parts import taken_beside_planned
from crossgrain.writing.next_step_words import kept_orders

_LABS = {
    **{each: (words, each.unit) for each, words in DRAWN.items()},
    Analyte.TOTAL_T3: ("total T3", Analyte.TOTAL_T3.unit),
    Analyte.HEART_RATE: ("pulse", "a minute"),
}
"""What is shown of the results since day one, and in which unit."""


@frozen
class DoneRow:
    """Some days from day one on: what was planned for them, and what was taken, both in words."""

    first: str
    last: str
    planned: str
    taken: str

    @property
    def as_planned(self) -> bool:
        """Whether the two are the same."""
        return self.planned == self.taken


@frozen
class Result:
    """One result since day one, in words, and its date."""

    day: str
    words: str


@frozen
class NamedOrder:
    """A filed order, and how the record refers to it."""

    words: str
    reference: str


@frozen
class Course:
    """What the sheet shows of where a patient stands.

    Attributes
    ----------
    said : where that is, what is done, and why, a sentence each
    source : on whose word
    done : day by day since day one; empty where no plan runs
    results : what was measured since then
    now : what is taken today
    stands : filed orders that go on as they are
    ended : filed orders that are no longer meant
    to_checkpoint : whether the plan leads to day one's checkpoint, or waits there
    """

    title: str
    said: tuple[str, ...]
    source: str
    done: tuple[DoneRow, ...]
    results: tuple[Result, ...]
    now: str
    stands: tuple[NamedOrder, ...]
    ended: tuple[NamedOrder, ...]
    to_checkpoint: bool


def course_of(step: NextStep, going_on: GoingOn, dated: DateWords) -> Course:
    """Where the patient of a visit stands."""
    standing = step.standing
    return Course(
        title=going_on.title,
        said=going_on.said,
        source=standing.decision.source if standing else "",
        done=tuple(
            DoneRow(dated(s.first_day), dated(s.last_day), s.planned, s.taken)
            for s in taken_beside_planned(step)
        ),
        results=tuple(_results(step, dated)),
        now=taken(step.proposal.record.regimen) or "no thyroid hormone that could be read",
        stands=tuple(
            NamedOrder(f"{words}, until {dated(last)}", reference)
            for words, last, reference in kept_orders(step)
        ),
        ended=tuple(NamedOrder(order.product, order.reference) for order in going_on.ended),
        to_checkpoint=going_on.to_checkpoint,
    )


def _results(step: NextStep, dated: DateWords) -> Iterator[Result]:
    """The latest first."""
    as_of = step.proposal.request.as_of
    for day, measured in sorted(_measured_since(step), key=lambda pair: -pair[0]):
        yield Result(dated(as_of + timedelta(days=day)), _in_words(measured))


def _measured_since(step: NextStep) -> Iterator[tuple[int, Measurement]]:
    """What was measured after day one and up to today, with its day."""
    standing = step.standing
    day_one = standing.underway.day_one if standing else 0
    for measured in step.proposal.record.facts.measurements or ():
        day = measured.day
        if measured.analyte in _LABS and day is not None and day_one < day <= 0:
            yield day, measured


def _in_words(measured: Measurement) -> str:
    name, unit = _LABS[measured.analyte]
    state = ", preliminary" if measured.preliminary else ""
    return f"{name} {measured.comparator}{decimal(measured.value)} {unit}{state}"


def past_of(step: NextStep, plan: Plan, catalogue: Catalogue) -> Past | None:
    """What the chart shows before today; ``None`` where no plan runs, or the next waits a while."""
    standing, request = step.standing, step.proposal.request
    if standing is None or standing.facts is None or plan.begins is None:
        return None
    underway = standing.underway
    if request.start != request.as_of or plan.begins.days != -underway.day_one:
        return None
    old = set(underway.original.kinds) - set(plan.target.kinds) - underway.beside
    products = catalogue.plans[standing.family].tables.products

    def of(kinds: set[Kind]) -> tuple[Spell, ...]:
        dated = (_only(each, kinds) for each in underway.taken)
        return spells(dated, products, underway.day_one, 0)

    before, after = of(old), of(set(Kind) - old)
    return Past(
        whole=plan.begins.taken,
        old=tuple(spell.intake for spell in before),
        old_doses=tuple(_blocks(before, underway.day_one, catalogue)),
        new_doses=tuple(_blocks(after, underway.day_one, catalogue)),
        drawn=tuple(_drawn(step)),
    )


def _only(dated: Dated, kinds: set[Kind]) -> Dated:
    """The medicines of some kinds alone."""
    return replace(dated, amounts=tuple(pair for pair in dated.amounts if pair[0].kind in kinds))


def _blocks(line: Iterable[Spell], day_one: int, catalogue: Catalogue) -> Iterator[Dose]:
    """What was taken, as blocks from day one on, which is day 0; gaps are left out."""
    for spell in line:
        if spell.amounts:
            amounts = ((catalogue.preparations[key], a) for key, a in spell.amounts.items())
            first = spell.first_day - day_one
            yield Dose(first, first + spell.days - 1, doses_in_words(amounts))


def _drawn(step: NextStep) -> Iterator[Drawn]:
    """The TSH results since day one, as days of the chart."""
    standing = step.standing
    day_one = standing.underway.day_one if standing else 0
    for day, measured in sorted(_measured_since(step), key=lambda pair: pair[0]):
        if measured.analyte is Analyte.TSH:
            yield Drawn(day - day_one, f"TSH {measured.comparator}{decimal(measured.value)}")
