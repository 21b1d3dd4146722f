"""The detail of a card, in Markdown: the order, why, the numbers, the series instead."""

from collections.abc import Iterable, Iterator, Sequence
from datetime import timedelta
from typing import Any

from crossgrain.cds import markdown as md
from crossgrain.cds.advice import Advice
from crossgrain.cds.hook import DraftOrder
from crossgrain.cds.record import Assembled
from crossgrain.dosing.plan import Plan
from crossgrain.dosing.steps import OrderedCourse, courses
from crossgrain.dosing.supply import home_uses
from crossgrain.dosing.wording import dose_words
from crossgrain.names.identity import stable_id
from crossgrain.names.printing import amount, decimal, micrograms, percent
from crossgrain.names.values import frozen
from crossgrain.reading.elements import Asks
from crossgrain.reading.question_form import Posed, QuestionForm
from crossgrain.reading.record import MedicineEntry, Question
from crossgrain.safety.judgement import VERDICTS, Ending, OrderJudgement, Verdict
from crossgrain.safety.rule import Finding, Severity
from crossgrain.words.doses import CAUTION, daily_dose, date_words, in_words, taken
from crossgrain.writing.at_home import home_line, home_supplies


@frozen
class CardDesk:
    """One call and what was made of it.

    Attributes
    ----------
    instance : the hook's, from which the card's own name is made
    drafts : the orders as they were sent
    selected : those that cards may be about
    not_whole : what of the record is missing, in words
    answer : the proposal as a Bundle, where it holds a plan
    form : what the record leaves open
    """

    instance: str
    assembled: Assembled
    drafts: Sequence[DraftOrder]
    selected: frozenset[str]
    not_whole: tuple[str, ...] = ()
    answer: dict[str, Any] | None = None
    form: QuestionForm | None = None

    def uuid(self, what: str) -> str:
        """The stable name of a card or a suggestion of this call."""
        return stable_id(f"{self.instance.lower()}|{what}")

    def in_hand(self, orders: Iterable[MedicineEntry]) -> list[MedicineEntry]:
        """The orders that a card may be about."""
        return [o for o in orders if self.assembled.reference(o.reference) in self.selected]


_VERDICT = "order-"
_BOTH_OVER_OLD = "New, with what is taken left running, over old"
MOST_CHARACTERS = 799
"""Of a detail: what is longer is not read between two orders."""


def detail(desk: CardDesk, advice: Advice) -> str:
    """The numbers that matter, why, what to do instead; then what was not looked at."""
    plan = _plan_to_show(desk, advice)
    verdicts = [
        f
        for f in advice.concerns
        if f.code.startswith(_VERDICT) and f.code != _VERDICT + Verdict.BESIDE_PLAN
    ]
    others = [f for f in advice.concerns if f not in verdicts]
    grave = [f for f in others if f.severity is not Severity.NOTE]
    return md.fitted(
        (
            _numbers(advice.judgement) if advice.judgement else "",
            orders_block(desk, advice),
            md.bullets(
                [
                    *(finding_words(f) for f in grave if f.severity is Severity.STOP),
                    *_verdict(verdicts, with_series=plan is not None),
                    *missing_words(desk.not_whole),
                    *_to_confirm(desk, advice),
                    *(finding_words(f) for f in grave if f.severity is not Severity.STOP),
                ]
            ),
            asked_first(desk.assembled, advice.questions, desk.form),
            _instead(advice, plan) if plan else "",
            _not_checked(advice),
            md.bullets(finding_words(f) for f in others if f not in grave),
        ),
        md.text(CAUTION),
        MOST_CHARACTERS,
    )


def questions(desk: CardDesk, advice: Advice) -> str:
    """What must be answered before the order can be judged."""
    return md.fitted(
        (
            orders_block(desk, advice),
            asked_first(desk.assembled, advice.questions, desk.form),
            md.bullets(missing_words(desk.not_whole)),
        ),
        md.text(CAUTION),
        MOST_CHARACTERS,
    )


def _numbers(judgement: OrderJudgement) -> str:
    """New over old on every basis, T3, and the lowest coverage, of the order as written."""
    numbers, runs = judgement.numbers, judgement.ending is Ending.RUNS
    steering = {b.basis_id: b for b in numbers.bases if b.steers}
    leads = steering.pop(judgement.basis_id)
    ratios = ", ".join(
        f"{decimal(basis.reading(runs=runs).ratio)} on {basis.basis_id}"
        for basis in (leads, *steering.values())
    )
    lowest = percent(leads.reading(runs=runs).coverage.lowest.value)
    t3_ug, pool = numbers.t3(runs=runs)
    now = amount(t3_ug - numbers.t3_rise(runs=runs))
    lines = [
        f"{md.strong(_BOTH_OVER_OLD if runs else 'New over old')}: {md.text(ratios)}",
        md.text(
            f"Lowest coverage {lowest}; T3 from {now} to {micrograms(t3_ug)} a day, pool to"
            f" {percent(pool)}"
        ),
    ]
    if judgement.ending is Ending.UNKNOWN:
        lines.append(md.text(f"With the old medicine left running: {decimal(leads.both.highest)}"))
    return md.bullets(lines)


def _verdict(found: Sequence[Finding], *, with_series: bool) -> Iterator[str]:
    """All that is wrong with the order itself; the numbers stand above."""
    if found:
        wrong = ", ".join(verdict_words(finding) for finding in found)
        instead = " Do not sign as written: see the proposed series." if with_series else ""
        yield f"{md.strong(found[0].severity.upper())}: {md.text(f'{wrong}.{instead}')}"


def verdict_words(finding: Finding) -> str:
    """What is wrong with an order, in a few words; empty for a finding of another kind."""
    return VERDICTS.get(finding.code.removeprefix(_VERDICT), "")


def finding_words(finding: Finding) -> str:
    """A finding with what is to be done."""
    severity = md.strong(finding.severity.upper())
    return f"{severity}: {md.text(f'{finding.statement} {finding.action}')}"


def missing_words(not_whole: Iterable[str]) -> Iterator[str]:
    """What of the record did not come whole."""
    return (md.text(f"Of the record, {words}.") for words in not_whole)


def asked_first(
    assembled: Assembled, questions: Sequence[Question], form: QuestionForm | None = None
) -> str:
    """The questions, each with its medicine and the words that it is about.

    Its place in the call is told of one that names neither, and of those that read alike.
    """
    if not questions:
        return ""
    posed = {each.question: each for each in form.posed} if form else {}
    about = [_words(posed[each]) if each in posed else "" for each in questions]
    said = [
        f"{words}{md.text(each.question)}" for words, each in zip(about, questions, strict=True)
    ]
    asked = (
        text if known and said.count(text) == 1 else text + _place(assembled, question)
        for text, question, known in zip(
            said, questions, map(_is_named, about, questions), strict=True
        )
    )
    return md.page(md.strong("To be answered first"), md.bullets(asked))


def _is_named(about: str, question: Question) -> bool:
    return bool(about) or question.asks in _OF_THE_ORDER


def _place(assembled: Assembled, question: Question) -> str:
    return f" ({md.text(assembled.place_of(question.expression))})"


_OF_THE_ORDER = {Asks.TARGET, Asks.ORDER}
"""What is asked of the order in hand, which the card names first."""


def _words(posed: Posed) -> str:
    """The medicine as the record calls it, with its own words; of the order in hand it is known."""
    if posed.question.asks in _OF_THE_ORDER:
        return ""
    quoted = ", ".join(f"“{words}”" for words in posed.words)
    said = " ".join(filter(None, (posed.medicine, quoted)))
    return f"{md.strong(md.text(said))}: " if said else ""


def _plan_to_show(desk: CardDesk, advice: Advice) -> Plan | None:
    return advice.proposal.plan if desk.answer and advice.proposal else None


def orders_block(desk: CardDesk, advice: Advice) -> str:
    lines = [
        f"{md.strong('Order')}: {md.text(in_words([order]) or 'dose not read')}"
        f" ({md.text(desk.assembled.reference(order.reference))})"
        for order in desk.in_hand(advice.orders)
    ]
    others = [order for order in advice.orders if order not in desk.in_hand(advice.orders)]
    lines += [
        f"Judged together with: {md.text(in_words([order]))}"
        f" ({md.text(desk.assembled.reference(order.reference))})"
        for order in others
    ]
    now = taken(advice.record.regimen)
    if now:
        lines.append(f"{md.strong('Taken now')}: {md.text(now)}")
    return md.bullets(lines)


def _instead(advice: Advice, plan: Plan) -> str:
    """The first dose of every medicine, the labs, and what becomes of the tablets at home."""

    def day(of_plan: int) -> str:
        return date_words(advice.record.as_of + timedelta(of_plan))

    first: dict[str, OrderedCourse] = {}
    for course in courses(plan.steps):
        first.setdefault(course.line.preparation.id, course)
    doses = "; ".join(f"{daily_dose(c.line)} until {day(c.last_day)}" for c in first.values())
    held, labs = dose_words(plan.checkpoint.held), day(plan.checkpoint.lab_day)
    said = f"{doses}. Then by steps to {held} a day, and labs on {labs}."
    at_home = home_uses(home_supplies(advice.record.current), plan.steps, plan.ended_products)
    return md.bullets(
        [
            f"{md.strong('Proposed instead')}: {md.text(said)}",
            *(md.text(home_line(use, day)) for use in at_home),
        ]
    )


def _not_checked(advice: Advice) -> str:
    if not advice.not_checked:
        return ""
    return md.page(
        md.strong("Not checked"), md.bullets(md.text(f.statement) for f in advice.not_checked)
    )


def _to_confirm(desk: CardDesk, advice: Advice) -> Iterator[str]:
    """Each point with the dose that it is about, or else with its place in the call."""
    for point in advice.record.confirm:
        dose = _dose_at((*advice.record.current, *advice.record.drafts), point.expression)
        about = "" if not dose or dose in point.question else f"{md.text(dose)}. "
        place = "" if dose else _place(desk.assembled, point)
        yield f"{md.strong('To be confirmed')}: {about}{md.text(point.question)}{place}"


def _dose_at(entries: Iterable[MedicineEntry], expression: str) -> str:
    """What is taken by the resource that a FHIRPath leads into; empty where it is no medicine's."""
    found = (each for each in entries if f"{expression}.".startswith(f"{each.path}."))
    return next((taken(each.lines) for each in found), "")
