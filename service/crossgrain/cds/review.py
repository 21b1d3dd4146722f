"""``patient-view``: whether a past switch left the patient at too low or too high a dose.

The judgement is that of the nightly screening. A chart is opened many times a day, so only what
is graded is shown, and a mere observation only where it is pressing. A change of preparation
that cannot be judged is said in a few lines.
"""

from collections.abc import Iterable
from datetime import date
from typing import Any, Literal

from crossgrain.catalogue import Catalogue
from crossgrain.cds import markdown as md
from crossgrain.cds.answers import Card
from crossgrain.cds.card_detail import MOST_CHARACTERS
from crossgrain.cds.cards import REASONS, SOURCE, summary
from crossgrain.cds.record import Assembled
from crossgrain.names.identity import FhirVersion, stable_id
from crossgrain.operations.faults import Complaint, RequestRefused
from crossgrain.reading.elements import Unreadable
from crossgrain.reading.reader import read_course
from crossgrain.screening.course import (
    Flag,
    FlagGrade,
    Screened,
    ScreeningOutcome,
    Undecided,
    Urgency,
)
from crossgrain.screening.screen import Ruler, enabled, screen, to_review
from crossgrain.words.doses import CAUTION, date_words

_WARNED_OF = {FlagGrade.CONFIRMED, FlagGrade.LIKELY}


def review(assembled: Assembled, catalogue: Catalogue, as_of: date) -> Screened:
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
            as_of=as_of,
            codes=catalogue.codes,
            preparations=catalogue.preparations,
        )
    except Undecided as undecided:
        return to_review(undecided)
    except Unreadable as error:
        place = assembled.place_of(error.expression)
        raise RequestRefused(Complaint(error.category, place, error.message)) from error
    return screen(course, Ruler(as_of, enabled(catalogue.bases, ()), catalogue.limits))


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
    said = f"Switch of {date_words(lead.switched_on)}: {lead.grade}, {lead.code.replace('-', ' ')}"
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
    facts: list[Any] = [*flag.arithmetic, *(evidence.statement for evidence in flag.evidence)]
    return (
        md.bullets(
            [
                f"{md.strong(flag.grade.capitalize())}: {md.text(flag.statement)}",
                f"{md.strong('What to do')}: {md.text(flag.act)}",
            ]
        ),
        md.bullets([*map(md.text, facts), md.text(f"Source: {flag.source}")]),
    )
