"""Advice as cards: one for the order in hand, which it names, or none."""

from typing import Literal

from msgspec import UNSET

from crossgrain.cds.actions import suggestions
from crossgrain.cds.advice import Advice
from crossgrain.cds.answers import LONGEST_SUMMARY, Card, CardCoding, CardSource
from crossgrain.cds.card_detail import CardDesk, detail, questions
from crossgrain.cds.feedback import OVERRIDE_REASON_SYSTEM, OVERRIDE_REASONS
from crossgrain.names.identity import SERVICE_NAME, canonical
from crossgrain.names.printing import amount, decimal, micrograms
from crossgrain.safety.judgement import Ending, OrderJudgement, Verdict
from crossgrain.safety.rule import Finding, Severity
from crossgrain.words.doses import in_words
from crossgrain.writing.narrative import plain

_INDICATORS: dict[Severity, Literal["critical", "warning", "info"]] = {
    Severity.STOP: "critical",
    Severity.HOLD: "warning",
    Severity.NOTE: "info",
}
TOPIC = CardCoding(
    code="thyroid-hormone-switch",
    system=canonical("CodeSystem", "topic"),
    display="Switch of thyroid hormone",
)


SOURCE = CardSource(label=SERVICE_NAME, topic=TOPIC)
REASONS = [
    CardCoding(code=code, system=OVERRIDE_REASON_SYSTEM, display=display)
    for code, display in OVERRIDE_REASONS.items()
]
"""Why the prescriber may set a card aside, to choose from."""


def question_card(desk: CardDesk, advice: Advice) -> Card:
    """The order cannot be judged before something is answered."""
    named = _named(desk, advice)
    return Card(
        uuid=desk.uuid("question"),
        summary=summary(f"{named}: not judged, since something must be answered first"),
        detail=questions(desk, advice),
        indicator="info",
        source=SOURCE,
    )


def order_card(desk: CardDesk, advice: Advice) -> Card:
    """The verdict on the order, why, and the series instead."""
    lead = advice.concerns[0]
    offered, behavior = suggestions(desk, advice)
    return Card(
        uuid=desk.uuid("order"),
        summary=summary(f"{_named(desk, advice)}: {_in_short(lead, advice.judgement)}"),
        detail=detail(desk, advice),
        indicator=_INDICATORS[lead.severity],
        source=SOURCE,
        suggestions=offered or UNSET,
        selection_behavior=behavior,
        override_reasons=REASONS,
    )


def summary(words: str) -> str:
    """One line under the length allowed; cut at a word where it must be."""
    line = " ".join(plain(words).split())
    if len(line) <= LONGEST_SUMMARY:
        return line
    return line[: LONGEST_SUMMARY - 1].rpartition(" ")[0] + "…"


def _named(desk: CardDesk, advice: Advice) -> str:
    """The order in hand by medicine and dose, or by its reference where its dose is unread."""
    named = in_words(desk.in_hand(advice.orders))
    if named:
        return _capital(named)
    return f"Order {', '.join(sorted(desk.selected))}"


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def _in_short(lead: Finding, judgement: OrderJudgement | None) -> str:
    if lead.severity is Severity.STOP or judgement is None:
        return f"{lead.severity.upper()}, {lead.code.replace('-', ' ')}"
    numbers, runs = judgement.numbers, judgement.ending is Ending.RUNS
    t3_ug, _ = numbers.t3(runs=runs)
    reading = next(b for b in numbers.bases if b.basis_id == judgement.basis_id).reading(runs=runs)
    size, most = (
        f"{decimal(ratio)} of today's dose on {judgement.basis_id}"
        for ratio in (reading.ratio, reading.highest)
    )
    words = {
        f"order-{Verdict.UNDER}": f"{size}, an under-dosed switch",
        f"order-{Verdict.OVER}": f"{most}, too much at once",
        f"order-{Verdict.T3_JUMP}": (
            f"T3 from {amount(t3_ug - numbers.t3_rise(runs=runs))} to {micrograms(t3_ug)} a day"
            " at once"
        ),
        f"order-{Verdict.DUPLICATE}": judgement.ending.value,
    }
    return words.get(lead.code, lead.code.replace("-", " "))
