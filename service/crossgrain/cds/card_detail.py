"""The detail of a card, in Markdown: the order, why, the numbers, the series instead."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from crossgrain.cds import markdown as md
from crossgrain.cds.advice import Advice
from crossgrain.cds.hook import DraftOrder
from crossgrain.cds.record import Assembled
from crossgrain.dosing.plan import Plan, courses
from crossgrain.dosing.supply import home_uses
from crossgrain.dosing.wording import dose_words
from crossgrain.names.identity import stable_id
from crossgrain.names.printing import decimal, micrograms, percent
from crossgrain.reading.record import MedicineEntry
from crossgrain.safety.judgement import Ending, OrderJudgement
from crossgrain.safety.rule import Finding
from crossgrain.words.doses import CAUTION, daily_dose, date_words, in_words, pieces, taken
from crossgrain.writing.at_home import home_line, home_supplies
from crossgrain.writing.issues import finding_words


@dataclass(frozen=True, slots=True)
class CardDesk:
    """One call and what was made of it.

    Attributes
    ----------
    instance : the hook's, from which the card's own name is made
    drafts : the orders as they were sent
    selected : those that cards may be about
    not_whole : what of the record is missing, in words
    answer : the proposal as a Bundle, where it holds a plan
    page : the plan sheet of that proposal
    """

    instance: str
    assembled: Assembled
    drafts: Sequence[DraftOrder]
    selected: frozenset[str]
    not_whole: tuple[str, ...] = ()
    answer: dict[str, Any] | None = None
    page: str = ""

    def uuid(self, what: str) -> str:
        """The stable name of a card or a suggestion of this call."""
        return stable_id(f"{self.instance.lower()}|{what}")

    def in_hand(self, orders: Iterable[MedicineEntry]) -> list[MedicineEntry]:
        """The orders that a card may be about."""
        return [o for o in orders if self.assembled.reference(o.reference) in self.selected]


def detail(desk: CardDesk, advice: Advice) -> str:
    plan = _plan_to_show(desk, advice)
    return md.page(
        orders_block(desk, advice),
        md.bullets(_finding(finding, with_series=plan is not None) for finding in advice.concerns),
        asked_first(desk, advice),
        _bases_table(advice.judgement) if advice.judgement else "",
        *(_series(advice, plan) if plan else ()),
        _not_checked(advice),
        _to_confirm(desk, advice),
        foot(desk),
    )


def _finding(finding: Finding, *, with_series: bool) -> str:
    """A finding; what an order's own verdict says to do speaks of the series, so only with one."""
    severity, action, source = finding_words(finding)
    speaks_of_series = finding.code.startswith("order-")
    words = (
        [severity, source] if speaks_of_series and not with_series else [severity, action, source]
    )
    return " ".join(map(md.text, words))


def asked_first(desk: CardDesk, advice: Advice) -> str:
    if not advice.questions:
        return ""
    asked = (
        f"{md.text(question.question)} ({md.text(desk.assembled.place_of(question.expression))})"
        for question in advice.questions
    )
    return md.page(md.strong("To be answered first"), md.bullets(asked))


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


def _bases_table(judgement: OrderJudgement) -> str:
    runs = judgement.ending is Ending.RUNS
    rows = [
        (
            basis.basis_id if basis.steers else f"{basis.basis_id} (for comparison only)",
            micrograms(basis.now_lt4_ug),
            micrograms(basis.order_lt4_ug),
            decimal(basis.reading(runs=runs).ratio),
        )
        for basis in judgement.numbers.bases
    ]
    return md.table(("Basis", "LT4-equivalent now", "of the order", "New over old"), rows)


def _series(advice: Advice, plan: Plan) -> Iterator[str]:
    start = advice.record.as_of
    rows = [
        (
            date_words(start + timedelta(course.first_day)),
            date_words(start + timedelta(course.last_day)),
            daily_dose(course.line),
            pieces(course.line),
        )
        for course in courses(plan.steps)
    ]
    checkpoint = plan.checkpoint
    yield md.strong("Proposed instead")
    yield md.table(("From", "To", "Dose", "Tablets a day"), rows)
    yield md.text(
        f"It waits at {dose_words(checkpoint.held)} a day for labs on"
        f" {date_words(start + timedelta(checkpoint.lab_day))}. Lowest modelled coverage"
        f" {percent(plan.forecasts[0].lowest.lowest.value)} of today's."
    )
    at_home = home_uses(home_supplies(advice.record.current), plan.steps, plan.ended_products)
    yield md.bullets(
        md.text(home_line(use, lambda day: date_words(start + timedelta(day)))) for use in at_home
    )


def _not_checked(advice: Advice) -> str:
    if not advice.not_checked:
        return ""
    return md.page(
        md.strong("Not checked"), md.bullets(md.text(f.statement) for f in advice.not_checked)
    )


def _to_confirm(desk: CardDesk, advice: Advice) -> str:
    points = advice.record.confirm
    if not points:
        return ""
    asked = [f"{md.text(p.question)} ({md.text(desk.assembled.place_of(p.expression))})"
             for p in points]  # fmt: skip
    return md.page(md.strong("To be confirmed"), md.bullets(asked))


def foot(desk: CardDesk) -> str:
    missing = [f"Of the record, {words}." for words in desk.not_whole]
    return md.page(md.bullets(map(md.text, missing)), md.text(CAUTION))
