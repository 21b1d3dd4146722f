"""Advice as cards: one for the order in hand, which it names, or none."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from crossgrain.api.cds import markdown as md
from crossgrain.api.cds.actions import (
    file_the_page,
    replace_by_series,
    replaced_orders,
    say_what_it_replaces,
    suggestion,
)
from crossgrain.api.cds.advice import Advice
from crossgrain.api.cds.hook import Draft
from crossgrain.api.cds.reasons import OVERRIDE_REASON_SYSTEM, OVERRIDE_REASONS
from crossgrain.api.cds.record import Assembled
from crossgrain.dosing.plan import Plan, courses
from crossgrain.fhir.identity import SERVICE_NAME, stable_id
from crossgrain.fhir.read.record import MedicineEntry
from crossgrain.fhir.write.issues import finding_words
from crossgrain.fhir.write.narrative import plain
from crossgrain.fhir.write.plan_words import target_words
from crossgrain.fhir.write.quantities import rounded
from crossgrain.fhir.write.words import CAUTION, daily_dose, date_words, pieces, taken
from crossgrain.safety.findings import Finding, Severity
from crossgrain.safety.judgement import Ending, OrderJudgement, Verdict

Card = dict[str, Any]
LONGEST_SUMMARY = 139
"""The specification asks for fewer than 140 characters."""
_INDICATORS = {Severity.STOP: "critical", Severity.HOLD: "warning", Severity.NOTE: "info"}
_TOPIC = {
    "system": "urn:crossgrain:CodeSystem:topic",
    "code": "thyroid-hormone-switch",
    "display": "Switch of thyroid hormone",
}
SOURCE = {"label": SERVICE_NAME, "topic": _TOPIC}


@dataclass(frozen=True, slots=True)
class Desk:
    """What one card is written from.

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
    drafts: Sequence[Draft]
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


def question_card(desk: Desk, advice: Advice) -> Card:
    """The order cannot be judged before something is answered."""
    named = _named(desk, advice)
    return {
        "uuid": desk.uuid("question"),
        "summary": summary(f"{named}: not judged, since something must be answered first"),
        "detail": md.page(_orders_block(desk, advice), _asked(desk, advice), _foot(desk)),
        "indicator": "info",
        "source": SOURCE,
    }


def order_card(desk: Desk, advice: Advice) -> Card:
    """The verdict on the order, why, and the series instead."""
    lead = advice.concerns[0]
    card: Card = {
        "uuid": desk.uuid("order"),
        "summary": summary(f"{_named(desk, advice)}: {_in_short(lead, advice.judgement)}"),
        "detail": _detail(desk, advice),
        "indicator": _INDICATORS[lead.severity],
        "source": SOURCE,
    }
    suggestions = list(_suggestions(desk, advice))
    if suggestions:
        card["suggestions"] = suggestions
        card["selectionBehavior"] = "any"
    card["overrideReasons"] = override_reasons()
    return card


def override_reasons() -> list[Card]:
    """Why the prescriber may set a card aside, to choose from."""
    return [
        {"code": code, "system": OVERRIDE_REASON_SYSTEM, "display": display}
        for code, display in OVERRIDE_REASONS.items()
    ]


def summary(words: str) -> str:
    """One line under the length allowed; cut at a word where it must be."""
    line = " ".join(plain(words).split())
    if len(line) <= LONGEST_SUMMARY:
        return line
    return line[: LONGEST_SUMMARY - 1].rpartition(" ")[0] + "…"


def _named(desk: Desk, advice: Advice) -> str:
    """The order in hand by medicine and dose, or by its reference where its dose is unread."""
    in_hand = desk.in_hand(advice.orders)
    lines = [line for order in in_hand for line in order.lines]
    if lines:
        return _capital(taken(lines))
    return f"Order {', '.join(sorted(desk.selected))}"


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def _in_short(lead: Finding, judgement: OrderJudgement | None) -> str:
    if lead.severity is Severity.STOP or judgement is None:
        return f"{lead.severity.upper()}, {lead.code.replace('-', ' ')}"
    numbers, runs = judgement.numbers, judgement.ending is Ending.RUNS
    reading = next(b for b in numbers.bases if b.basis_id == judgement.basis_id).reading(runs=runs)
    size = f"{float(reading.ratio):.2f} of today's dose on {judgement.basis_id}"
    words = {
        f"order-{Verdict.UNDER}": f"{size}, an under-dosed switch",
        f"order-{Verdict.OVER}": f"{size}, too much at once",
        f"order-{Verdict.T3_JUMP}": (
            f"T3 from {float(numbers.t3_now_ug):g} to {float(numbers.t3(runs=runs)[0]):g} µg a day"
            " at once"
        ),
        f"order-{Verdict.DUPLICATE}": judgement.ending.value,
    }
    return words.get(lead.code, lead.code.replace("-", " "))


def _detail(desk: Desk, advice: Advice) -> str:
    plan = _plan_to_show(desk, advice)
    return md.page(
        _orders_block(desk, advice),
        md.bullets(_finding(finding, with_series=plan is not None) for finding in advice.concerns),
        _asked(desk, advice),
        _bases_table(advice.judgement) if advice.judgement else "",
        *(_series(advice, plan) if plan else ()),
        _not_checked(advice),
        _to_confirm(desk, advice),
        _foot(desk),
    )


def _finding(finding: Finding, *, with_series: bool) -> str:
    """A finding; what an order's own verdict says to do speaks of the series, so only with one."""
    severity, action, source = finding_words(finding)
    speaks_of_series = finding.code.startswith("order-")
    words = (
        [severity, source] if speaks_of_series and not with_series else [severity, action, source]
    )
    return " ".join(map(md.text, words))


def _asked(desk: Desk, advice: Advice) -> str:
    if not advice.questions:
        return ""
    asked = (
        f"{md.text(question.question)} ({md.text(desk.assembled.place_of(question.expression))})"
        for question in advice.questions
    )
    return md.page(md.strong("To be answered first"), md.bullets(asked))


def _plan_to_show(desk: Desk, advice: Advice) -> Plan | None:
    return advice.proposal.plan if desk.answer and advice.proposal else None


def _orders_block(desk: Desk, advice: Advice) -> str:
    lines = [
        f"{md.strong('Order')}: {md.text(taken(order.lines) or 'dose not read')}"
        f" ({md.text(desk.assembled.reference(order.reference))})"
        for order in desk.in_hand(advice.orders)
    ]
    others = [order for order in advice.orders if order not in desk.in_hand(advice.orders)]
    lines += [
        f"Judged together with: {md.text(taken(order.lines))}"
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
            f"{rounded(basis.now_lt4_ug, 1).normalize():f} µg",
            f"{rounded(basis.order_lt4_ug, 1).normalize():f} µg",
            f"{float(basis.reading(runs=runs).ratio):.2f}",
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
        f"It waits at {target_words(checkpoint.held)} a day for labs on"
        f" {date_words(start + timedelta(checkpoint.lab_day))}. Lowest modelled coverage"
        f" {rounded(plan.forecasts[0].lowest.lowest.value * 100, 0)} % of today's."
    )


def _not_checked(advice: Advice) -> str:
    if not advice.not_checked:
        return ""
    return md.page(
        md.strong("Not checked"), md.bullets(md.text(f.statement) for f in advice.not_checked)
    )


def _to_confirm(desk: Desk, advice: Advice) -> str:
    points = advice.record.confirm
    if not points:
        return ""
    asked = [f"{md.text(p.question)} ({md.text(desk.assembled.place_of(p.expression))})"
             for p in points]  # fmt: skip
    return md.page(md.strong("To be confirmed"), md.bullets(asked))


def _foot(desk: Desk) -> str:
    missing = [f"Of the record, {words}." for words in desk.not_whole]
    return md.page(md.bullets(map(md.text, missing)), md.text(CAUTION))


def _suggestions(desk: Desk, advice: Advice) -> Iterator[Card]:
    if desk.answer is None or advice.proposal is None:
        return
    judged = [
        draft
        for draft in desk.drafts
        if draft.reference in {desk.assembled.reference(o.reference) for o in advice.orders}
    ]
    update = _update(advice, judged)
    if update:
        yield suggestion(
            desk.uuid("replaces"), "Say what the order replaces", [update], recommended=True
        )
    else:
        yield suggestion(
            desk.uuid("series"),
            "Put the proposed series in its place",
            replace_by_series(desk.answer, judged, desk.assembled.in_words),
            recommended=True,
        )
    yield suggestion(
        desk.uuid("page"), "File the plan as a page", [file_the_page(desk.answer, desk.page)]
    )


def _update(advice: Advice, judged: Sequence[Draft]) -> Card | None:
    """Where all that is wrong is that no one said what the order replaces, say that."""
    judgement = advice.judgement
    old = list(replaced_orders(advice.record.current))
    if judgement is None or judgement.verdicts != (Verdict.DUPLICATE,):
        return None
    if judgement.ending is not Ending.UNKNOWN or len(old) != 1 or len(judged) != 1:
        return None
    if len(advice.record.current) != 1 or "priorPrescription" in judged[0].resource:
        return None
    return say_what_it_replaces(judged[0], old[0])
