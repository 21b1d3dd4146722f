"""Cards: one for the order in hand, which it names, or none; and one where a chart is opened.

A chart that is opened is judged as by the nightly screening. That is many times a day, so only what
is graded is shown, and a mere observation only where it is pressing. A change of preparation
that cannot be judged is said in a few lines.
"""

import re
from collections.abc import Iterable
from datetime import date
from typing import Literal

from msgspec import UNSET

from crossgrain.catalogue import Catalogue
from crossgrain.cds import markdown as md
from crossgrain.cds.actions import suggestions
from crossgrain.cds.advice import Advice
from crossgrain.cds.answers import LONGEST_SUMMARY, Card, CardCoding, CardSource
from crossgrain.cds.card_detail import (
    MOST_CHARACTERS,
    CardDesk,
    detail,
    questions,
    verdict_words,
)
from crossgrain.cds.messages import OVERRIDE_REASON_SYSTEM, OVERRIDE_REASONS
from crossgrain.cds.record import Assembled
from crossgrain.cds.replies import replies
from crossgrain.names.identity import SERVICE_NAME, FhirVersion, canonical, stable_id
from crossgrain.names.printing import amount, decimal, micrograms
from crossgrain.operations.faults import Complaint, RequestRefused
from crossgrain.reading.calendar import Calendar
from crossgrain.reading.elements import Unreadable
from crossgrain.reading.reader import read_course
from crossgrain.safety.judgement import VERDICTS, Ending, OrderJudgement, Verdict
from crossgrain.safety.rule import Finding, Severity
from crossgrain.screening.course import (
    Flag,
    FlagGrade,
    Screened,
    ScreeningOutcome,
    Undecided,
    Urgency,
)
from crossgrain.screening.screen import Ruler, enabled, screen, to_review
from crossgrain.screening.writing import GRADES_IN_SHORT
from crossgrain.screening.writing import REASONS as FLAG_REASONS
from crossgrain.words.doses import CAUTION, date_words, in_words
from crossgrain.writing.elements import plain

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
    """The order cannot be judged before something is answered; what may be replied goes with it."""
    named = _named(desk, advice)
    offered = replies(desk, advice.record.as_of.isoformat())
    return Card(
        uuid=desk.uuid("question"),
        summary=summary(f"{named}: not judged, since something must be answered first"),
        detail=questions(desk, advice),
        indicator="info",
        source=SOURCE,
        suggestions=offered or UNSET,
        selection_behavior="any" if offered else UNSET,
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
        return f"{lead.severity.upper()}: {verdict_words(lead) or lead.statement}"
    numbers, runs = judgement.numbers, judgement.ending is Ending.RUNS
    t3_ug, _ = numbers.t3(runs=runs)
    reading = next(b for b in numbers.bases if b.basis_id == judgement.basis_id).reading(runs=runs)
    size, most = (
        f"{decimal(ratio)} of today's dose on {judgement.basis_id}"
        for ratio in (reading.ratio, reading.highest)
    )
    words = {
        f"order-{Verdict.UNDER}": f"{size}, {VERDICTS[Verdict.UNDER]}",
        f"order-{Verdict.OVER}": f"{most}, {VERDICTS[Verdict.OVER]}",
        f"order-{Verdict.T3_JUMP}": (
            f"T3 from {amount(t3_ug - numbers.t3_rise(runs=runs))} to {micrograms(t3_ug)} a day"
            " at once"
        ),
        f"order-{Verdict.DUPLICATE}": judgement.ending.value,
    }
    return words.get(lead.code) or verdict_words(lead) or lead.statement


_WARNED_OF = {FlagGrade.CONFIRMED, FlagGrade.LIKELY}


def review(assembled: Assembled, catalogue: Catalogue, calendar: Calendar) -> Screened:
    """The nightly judgement on the record.

    Raises
    ------
    RequestRefused
        where the record cannot be read as one patient's at all.
    """
    try:
        course = read_course(
            assembled.bundle,
            version=FhirVersion.R4,
            as_of=calendar.as_of,
            zone=calendar.zone,
            codes=catalogue.codes,
            preparations=catalogue.preparations,
        )
    except Undecided as undecided:
        return to_review(undecided)
    except Unreadable as error:
        place = assembled.place_of(error.expression)
        raise RequestRefused(Complaint(error.category, place, error.message)) from error
    return screen(course, Ruler(calendar.as_of, enabled(catalogue.bases, ()), catalogue.limits))


def review_cards(instance: str, screened: Screened, not_whole: tuple[str, ...]) -> list[Card]:
    """At most one card, for the switch, whatever was found of it."""
    missing = md.bullets(md.text(f"Of the record, {one}.") for one in not_whole)
    if screened.outcome is ScreeningOutcome.NEEDS_REVIEW:
        return [_card(instance, "info", "A change of thyroid medicine needs review",
                      (missing, *_doubt(screened)))]  # fmt: skip
    flags = [flag for flag in screened.flags if _is_shown(flag)]
    if not flags:
        return []
    lead = flags[0]
    indicator: Literal["warning", "info"] = "warning" if lead.grade in _WARNED_OF else "info"
    changed_on = date_words(lead.switched_on)
    said = f"{FLAG_REASONS[lead.code]} ({changed_on}): {GRADES_IN_SHORT[lead.grade]}"
    found = [_flag(flag) for flag in flags]
    blocks = (*(what for what, _ in found), missing, *(facts for _, facts in found))
    return [_card(instance, indicator, said, blocks)]


def _is_shown(flag: Flag) -> bool:
    return flag.grade is not FlagGrade.OBSERVED or flag.urgency is Urgency.URGENT


def _card(
    instance: str, indicator: Literal["warning", "info"], said: str, blocks: Iterable[str]
) -> Card:
    return Card(
        uuid=stable_id(f"{instance.lower()}|review"),
        summary=summary(said),
        detail=md.fitted(blocks, md.text(CAUTION), MOST_CHARACTERS),
        indicator=indicator,
        source=SOURCE,
        override_reasons=REASONS,
    )


def _doubt(screened: Screened) -> tuple[str, ...]:
    rests_on = f"Read from: {', '.join(screened.references)}" if screened.references else ""
    return (
        md.text("Ask which thyroid medicines are taken, since when and how much."),
        md.text(f"It cannot be told whether the dose was right. Open: {screened.why}"),
        md.text(rests_on),
    )


def _flag(flag: Flag) -> tuple[str, str]:
    """What was found and what to do about it; and the facts that it rests on."""
    facts = [*flag.arithmetic, *(evidence.statement for evidence in flag.evidence)]
    return (
        md.bullets(
            [
                f"{md.strong(flag.grade.capitalize())}: {_text(flag.statement)}",
                f"{md.strong('What to do')}: {_text(flag.act)}",
            ]
        ),
        md.bullets([*map(_text, facts), md.text(f"Source: {flag.source}")]),
    )


_DATE = re.compile(r"\b\d{4}-\d\d-\d\d\b", re.ASCII)


def _text(said: str) -> str:
    """Plain words of the night, whose dates are for machines too, with the dates as on a card."""
    return md.text(_DATE.sub(_in_words, said))


def _in_words(found: re.Match[str]) -> str:
    try:
        return date_words(date.fromisoformat(found.group()))
    except ValueError:  # it has the form of a date, in words of the record
        return found.group()
