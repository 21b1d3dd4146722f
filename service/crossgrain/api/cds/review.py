"""``patient-view``: whether a past switch left the patient at too low or too high a dose.

The judgement is that of the nightly screening. A chart is opened many times a day, so only what
is graded is shown, and a mere observation only where it is pressing. What cannot be read with
certainty is the nightly list's business, not a card's.
"""

from datetime import date
from typing import Any

from crossgrain.api.cds import markdown as md
from crossgrain.api.cds.cards import SOURCE, Card, override_reasons, summary
from crossgrain.api.cds.record import Assembled
from crossgrain.api.faults import Complaint, RequestRefused
from crossgrain.catalogue import Catalogue
from crossgrain.fhir.identity import stable_id
from crossgrain.fhir.read.course import read_course
from crossgrain.fhir.read.errors import Unreadable
from crossgrain.fhir.version import FhirVersion
from crossgrain.fhir.write.words import CAUTION, date_words
from crossgrain.screening.course import Undecided
from crossgrain.screening.flags import Flag, Grade, Urgency
from crossgrain.screening.screen import Ruler, enabled, screen

_WARNED_OF = {Grade.CONFIRMED, Grade.LIKELY}


def review(assembled: Assembled, catalogue: Catalogue, as_of: date) -> tuple[Flag, ...]:
    """The flags worth a card, most certain first.

    Raises
    ------
    RequestRefused
        where the record cannot be read as one patient's at all.
    """
    bases = enabled(catalogue.bases, ())
    try:
        course = read_course(
            assembled.bundle,
            version=FhirVersion.R4,
            as_of=as_of,
            codes=catalogue.codes,
            preparations=catalogue.preparations,
        )
    except Undecided:
        return ()
    except Unreadable as error:
        place = assembled.place_of(error.expression)
        raise RequestRefused(Complaint(error.category, place, error.message)) from error
    flags = screen(course, Ruler(as_of, bases, catalogue.limits)).flags
    return tuple(
        flag for flag in flags if flag.grade is not Grade.OBSERVED or flag.urgency is Urgency.URGENT
    )


def review_card(instance: str, flags: tuple[Flag, ...], not_whole: tuple[str, ...]) -> Card:
    """One card for the switch, whatever was flagged about it."""
    lead = flags[0]
    words = lead.code.replace("-", " ")
    missing = [f"Of the record, {one}." for one in not_whole]
    return {
        "uuid": stable_id(f"{instance.lower()}|review"),
        "summary": summary(f"Switch of {date_words(lead.switched_on)}: {lead.grade}, {words}"),
        "detail": md.page(*map(_flag, flags), md.bullets(map(md.text, missing)), md.text(CAUTION)),
        "indicator": "warning" if lead.grade in _WARNED_OF else "info",
        "source": SOURCE,
        "overrideReasons": override_reasons(),
    }


def _flag(flag: Flag) -> str:
    facts: list[Any] = [*flag.arithmetic, *(evidence.statement for evidence in flag.evidence)]
    return md.page(
        f"{md.strong(flag.grade.capitalize())}: {md.text(flag.statement)}",
        md.bullets(map(md.text, facts)),
        f"{md.strong('What to do')}: {md.text(flag.act)} {md.text(f'Source: {flag.source}')}",
    )
