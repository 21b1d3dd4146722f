"""Which medicines are taken on the day the record is read, and which are only on paper.

=====================  ======================================  ==========================
MedicationStatement    R4 active; R5 recorded, adherence       taken, if its dates fit
MedicationRequest      active with an order's intent, or a     taken, if its dates fit
                       plan that the patient reported
MedicationRequest      draft                                   an order to judge
either                 on-hold, stopped, completed, ended      taken before: said
either                 not-taken, cancelled, intended, …       never taken: said
either                 unknown; instance-order                 asked
=====================  ======================================  ==========================
"""

from collections.abc import Sequence
from datetime import date
from enum import StrEnum
from operator import attrgetter

import msgspec
from msgspec.structs import replace

from crossgrain.reading.calendar import Calendar
from crossgrain.reading.elements import (
    Asked,
    Asks,
    CodeableConcept,
    Dosage,
    PartialDate,
    Period,
    ReadCategory,
    Unreadable,
)
from crossgrain.reading.reading import Reading
from crossgrain.reading.sayings import quoted
from crossgrain.reading.views import MedicationRequest, MedicationStatement, Medicine

ORDERS = {"order", "original-order", "reflex-order", "filler-order"}
INTENTS = ORDERS | {"proposal", "plan", "instance-order", "option"}
"""Every intent of a MedicationRequest, R4 and R5."""
_TAKEN_BEFORE = {"completed", "stopped", "ended", "on-hold"}
"""Statuses of what was taken; a cancelled order and a statement not-taken never were."""
_TAKING = {"taking", "taking-as-directed"}
_OTHERWISE = "taking-not-as-directed"
_NOT_TAKING = "not-taking"
_GIVEN_UP = ("on-hold", "stopped")
"""R5's codes of adherence. The last two have longer ones below them, such as
``stopped-not-as-directed``."""


class Meaning(StrEnum):
    """What a medication resource means on the day of reading."""

    TAKEN = "taken"
    DRAFT = "draft"
    PAST = "past"
    NOT_TAKEN = "not-taken"


class Currency(msgspec.Struct, frozen=True):
    """How a resource stands, why, and from when."""

    standing: Meaning
    why: str = ""
    first_day: int | None = None
    last_day: int | None = None
    confirm: str = ""


def statement_standing(statement: MedicationStatement, reading: Reading, path: str) -> Currency:
    """How a MedicationStatement stands.

    Raises
    ------
    Asked
        where its status is ``unknown``, its reason says that it is not taken, or it is taken
        otherwise than as directed.
    Unreadable
        where it has none, or one that this version does not know.
    """
    shape, as_of = reading.shape, reading.as_of
    status = _status(statement, shape.statement_statuses, path)
    period = statement.held or _since(statement.effective_date_time)
    if status == "unknown":
        raise Asked(f"{path}.status", _NOT_KNOWN, Asks.TAKEN)
    start, end = _ends(period, f"{path}.effective", reading.calendar)
    if period and period.start:  # what is taken has begun
        start = reading.calendar.past_date_in(period.start, f"{path}.effective.start")
    dated = _within(start, end, as_of)
    if status not in shape.taking:
        return _given_up(status, dated)
    said = adherence_of(statement)
    if said == _OTHERWISE:
        raise Asked(f"{path}.adherence", "It is taken, and not as directed. What is taken?")
    if is_given_up(said):
        never = said == _NOT_TAKING or dated.standing is Meaning.NOT_TAKEN
        standing = Meaning.NOT_TAKEN if never else Meaning.PAST
        why, last_day = "its adherence says: not taken now", _passed(dated.last_day)
        return replace(dated, standing=standing, why=why, last_day=last_day)
    if dated.standing is Meaning.TAKEN:
        _refuse_reason_against(statement.status_reason, reading, path)
    unsure = _UNSURE if statement.status == "recorded" and said not in _TAKING else ""
    return replace(dated, confirm=unsure or _stale(statement, reading, path))


_NOT_KNOWN = "Whether it is taken is not known. Is it taken now?"
_UNSURE = "The statement does not say whether it is taken. Is it taken now?"


def request_standing(request: MedicationRequest, reading: Reading, path: str) -> Currency:
    """How a MedicationRequest stands; its dates come from its period and those of its dosages.

    Raises
    ------
    Asked
        where its status is ``unknown`` or its reason says that it is not taken, its intent leaves
        open whether it is taken, or its period says that it is taken today and its dosages that it
        is not, or the reverse.
    Unreadable
        where status or intent is missing or not one that this version knows.
    """
    status = _status(request, reading.shape.request_statuses, path)
    if request.intent is None and request.intent_absent:
        raise Asked(f"{path}.intent", _NOT_KNOWN, Asks.TAKEN)
    if request.intent not in INTENTS:
        raise Unreadable(ReadCategory.VALUE, f"{path}.intent", "an intent of FHIR is expected here")
    if request.do_not_perform:
        return Currency(Meaning.NOT_TAKEN, "it says not to take it")
    if status == "draft":
        return Currency(Meaning.DRAFT)
    if status == "unknown":
        raise Asked(f"{path}.status", _NOT_KNOWN, Asks.TAKEN)
    reported = request.reported_boolean or request.reported
    if request.intent not in ORDERS and not (request.intent == "plan" and reported):
        return _no_order(request.intent, status, path)
    dated = _ordered(request, reading, path)
    if status != "active":
        return _given_up(status, dated)
    if dated.standing is Meaning.TAKEN and request.status_reason:
        _refuse_reason_against([request.status_reason], reading, path)
    unsure = _of_other_days(request, reading.calendar, path) or dated.confirm
    return replace(dated, confirm=unsure or _past_validity(request, reading.calendar, path))


def _refuse_reason_against(reasons: Sequence[CodeableConcept], reading: Reading, path: str) -> None:
    """A status that says that it is taken, with a reason why it is not."""
    said = (w for r in reasons for w in (r.text, *(coding.display for coding in r.coding)) if w)
    for words in said:
        reading.budget.spend_on_words(len(words), path)
        if reading.codes.phrases.denies(words):
            raise Asked(
                f"{path}.statusReason",
                f"It stands as taken, and the reason of that status is {quoted(words)}. Is it taken"
                " now?",
                Asks.TAKEN,
            )


def _no_order(intent: str, status: str, path: str) -> Currency:
    if intent == "instance-order" and status == "active":
        raise Asked(
            f"{path}.intent",
            "This orders a single administration. Is it taken regularly?",
            Asks.TAKEN,
        )
    return Currency(Meaning.NOT_TAKEN, f"its intent is {intent}: it is no standing order")


def _given_up(status: str, dated: Currency) -> Currency:
    """A medicine that was taken until its end, or never."""
    past = status in _TAKEN_BEFORE and dated.standing is not Meaning.NOT_TAKEN
    return Currency(
        Meaning.PAST if past else Meaning.NOT_TAKEN,
        f"its status is {status}",
        dated.first_day,
        _passed(dated.last_day),
    )


def _passed(last_day: int | None) -> int | None:
    """The last day of what was given up, unless it was to go on: then nobody knows which it was."""
    return last_day if last_day is not None and last_day <= 0 else None


def _ordered(request: MedicationRequest, reading: Reading, path: str) -> Currency:
    """When an order holds: its period and that of its dosages, or from the day it was written."""
    as_of = reading.as_of
    whole, parts = _of_whole_and_parts(request, reading.calendar, path)
    starts = [start for start, _ in (whole, parts) if start]
    ends = [end for _, end in (whole, parts) if end]
    start = max(starts, key=_first, default=None)
    dated = _within(start, min(ends, key=_last, default=None), as_of)
    if start:
        return dated
    if request.authored_on is None:
        return replace(dated, confirm="The order has no date. Is it taken now?")
    written = reading.calendar.past_date_in(request.authored_on, f"{path}.authoredOn")
    if written.first > as_of:
        return Currency(Meaning.NOT_TAKEN, "it was written after the day of reading")
    return replace(dated, first_day=written.day(as_of), confirm=_old(written, reading))


def _of_whole_and_parts(
    request: MedicationRequest, calendar: Calendar, path: str
) -> tuple["Ends", "Ends"]:
    """The period of an order, and the bounds of its dosages together."""
    whole = _ends(request.effective_dose_period, f"{path}.effectiveDosePeriod", calendar)
    return whole, _bounds(request.dosages, f"{path}.dosageInstruction", calendar)


_OTHER_TODAY = (
    "The order and its dosages name different days: by one of them it is taken today, by the other"
    " it is not. Is it taken now?"
)
_OTHER_DAYS = "The order and its dosages name different days. Is it taken now?"


def _of_other_days(request: MedicationRequest, calendar: Calendar, path: str) -> str:
    """What to confirm of an order whose period is not that of its dosages."""
    whole, parts = _of_whole_and_parts(request, calendar, path)
    as_of = calendar.as_of
    if not any(whole) or not any(parts):
        return ""
    if _within(*whole, as_of).standing is not _within(*parts, as_of).standing:
        raise Asked(f"{path}.effectiveDosePeriod", _OTHER_TODAY, Asks.TAKEN)
    return _OTHER_DAYS if any(map(_differ, whole, parts)) else ""


def _differ(one: PartialDate | None, other: PartialDate | None) -> bool:
    """Whether two days that are both named can't be one day."""
    return bool(one and other and (one.last < other.first or other.last < one.first))


def dosage_in_force(dosage: Dosage, calendar: Calendar, path: str) -> bool:
    """Whether a dosage's own bounds, where it has any, hold the day of reading."""
    start, end = _bounds([dosage], path, calendar)
    return _within(start, end, calendar.as_of).standing is Meaning.TAKEN


def bounds_of(dosage: Dosage, calendar: Calendar, path: str) -> tuple[int | None, int | None]:
    """First and last day of a dosage's own bounds, relative to as-of."""
    start, end = _bounds([dosage], path, calendar)
    as_of = calendar.as_of
    return start.day(as_of) if start else None, end.day(as_of) if end else None


def has_bounds(dosage: Dosage) -> bool:
    """Whether a dosage says from when or until when it holds."""
    return dosage.bounds is not None


def _status(seen: Medicine, known: frozenset[str], path: str) -> str:
    status = seen.status
    if status is None and seen.status_absent:
        raise Asked(f"{path}.status", _NOT_KNOWN, Asks.TAKEN)
    if status is None or status not in known:
        raise Unreadable(
            ReadCategory.VALUE, f"{path}.status", "a status of this FHIR version is expected here"
        )
    return status


def adherence_of(statement: MedicationStatement) -> str:
    """R5's code of whether it is taken, or empty."""
    concept = statement.adherence.code if statement.adherence else None
    codes = [coding.code for coding in concept.coding if coding.code] if concept else []
    known = (c for c in codes if c in _TAKING or c == _OTHERWISE or is_given_up(c))
    return next(known, "")


def is_given_up(adherence: str) -> bool:
    """Whether a code of adherence says that it is not taken."""
    return adherence.startswith((_NOT_TAKING, *_GIVEN_UP))


def _since(start: str | None) -> Period | None:
    return Period(start=start) if start else None


Ends = tuple[PartialDate | None, PartialDate | None]
_first = attrgetter("first")
_last = attrgetter("last")


def _ends(period: Period | None, path: str, calendar: Calendar) -> Ends:
    start, end = (period.start, period.end) if period else (None, None)
    return (
        calendar.date_in(start, f"{path}.start") if start else None,
        calendar.date_in(end, f"{path}.end") if end else None,
    )


def _bounds(dosages: Sequence[Dosage], path: str, calendar: Calendar) -> Ends:
    """From the earliest start to the latest end; open where one dosage is open."""
    if not any(map(has_bounds, dosages)):
        return None, None
    spans = [_ends(d.bounds, f"{path}.timing.repeat.bounds", calendar) for d in dosages]
    starts = [start for start, _ in spans if start]
    ends = [end for _, end in spans if end]
    return (
        min(starts, key=_first) if starts and len(starts) == len(spans) else None,
        max(ends, key=_last) if ends and len(ends) == len(spans) else None,
    )


def _within(start: PartialDate | None, end: PartialDate | None, as_of: date) -> Currency:
    """Whether a span holds the day of reading; a vague end holds as long as it can."""
    first = start.day(as_of) if start else None
    last = end.day(as_of) if end else None
    if start and start.first > as_of:
        return Currency(Meaning.NOT_TAKEN, "it starts after the day of reading", first, last)
    if end and end.last < as_of:
        return Currency(Meaning.PAST, "it ended before the day of reading", first, last)
    return Currency(Meaning.TAKEN, "", first, last)


def _stale(statement: MedicationStatement, reading: Reading, path: str) -> str:
    """What to confirm of a statement by its dates: the day that it was made, else its one day.

    A period without an end is FHIR's way to say that it is still taken, and is not asked about.
    """
    calendar = reading.calendar
    if statement.date_asserted is not None:
        asserted = calendar.past_date_in(statement.date_asserted, f"{path}.dateAsserted")
        return _old(asserted, reading)
    if statement.held is not None:
        return ""
    if statement.effective_date_time is None:
        return "The statement has no date. Is it taken now?"
    day = calendar.past_date_in(statement.effective_date_time, f"{path}.effective")
    return _old(day, reading).replace("It was written", "Its only date is")


def _past_validity(request: MedicationRequest, calendar: Calendar, path: str) -> str:
    """What to confirm of a prescription that can no longer, or not yet, be dispensed.

    The validity is the time in which it may be dispensed: tablets handed out on its last day
    may be taken for as long as one supply lasts.
    """
    dispense = request.dispense_request
    period = dispense.validity_period if dispense else None
    as_of = calendar.as_of
    start, end = _ends(period, f"{path}.dispenseRequest.validityPeriod", calendar)
    if start and start.first > as_of:
        return "The prescription may be dispensed only later. Is it taken now?"
    supply = dispense.expected_supply_duration if dispense else None
    lasts = supply.value if supply and supply.code == "d" and type(supply.value) is int else 0
    if end and (as_of - end.last).days > lasts:
        return (
            "The prescription can no longer be dispensed, and its supply is over. Is it taken now?"
        )
    return ""


def _old(written: PartialDate, reading: Reading) -> str:
    days = (reading.as_of - written.last).days
    if days <= reading.codes.believed.order_days:
        return ""
    return f"It was written {days} days before the day of reading. Is it still taken?"
