"""The options of the operations: name, FHIR type, what may be given, what it means.

One table, from which parameters are read, the OpenAPI document is written and the command
line takes its spelling.
"""

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from datetime import date, datetime
from decimal import Decimal
from fractions import Fraction
from typing import Any
from zoneinfo import ZoneInfo

from crossgrain.catalogue import Catalogue
from crossgrain.dosing.bases import Grade
from crossgrain.dosing.plan import PriorTherapy
from crossgrain.dosing.policy import Policy
from crossgrain.dosing.preparations import Kind
from crossgrain.dosing.targets import Combining, Target
from crossgrain.names.printing import decimal
from crossgrain.names.values import frozen
from crossgrain.operations.faults import did_you_mean
from crossgrain.reading.codesystems import RxNorm
from crossgrain.sheet.locale import tags
from crossgrain.sheet.page import SheetPart

_REQUESTER = re.compile(
    r"(?:[A-Za-z][A-Za-z0-9+.-]*://[^\s?#]{1,500}/)?(?:Practitioner|PractitionerRole|Organization)"
    r"/[A-Za-z0-9.-]{1,64}(?:/_history/[A-Za-z0-9.-]{1,64})?",
    re.ASCII,
)
_INSTANT = re.compile(
    r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}(\.\d{1,6})?(Z|[+-]\d{2}:\d{2})", re.ASCII
)
_FIRST_DAY, _LAST_DAY = date(1900, 1, 1), date(2199, 12, 31)
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_PRODUCT = re.compile(r"\d{1,12}|[a-z0-9-]{1,40} \d{1,4}(\.\d{1,4})?", re.ASCII)
_DECIMAL = re.compile(r"\d{1,4}(\.\d{1,6})?", re.ASCII)


class BadValue(Exception):
    """A value that the option does not take; the message says what it takes."""


@frozen
class Option:
    """One option.

    Attributes
    ----------
    name : its name in `Parameters` and in the query
    value_key : the element that carries it in `Parameters`, e.g. ``valueCode``
    meaning : what it does, one or two sentences
    read : checks the value and turns it into the domain's own
    codes : the codes it takes, where it takes codes
    repeatable : may be given more than once
    in_query : may stand in the URL; nothing that may name a patient does
    """

    name: str
    value_key: str
    meaning: str
    read: Callable[[Any], Any]
    codes: tuple[str, ...] = ()
    repeatable: bool = False
    in_query: bool = True


def switch_options(catalogue: Catalogue) -> tuple[Option, ...]:
    """What ``$propose-switch`` takes beside the record."""
    return (
        _coded(
            "target",
            Target,
            "What the patient is to move to. Default: what the record's one draft order is for.",
        ),
        *_shared_options(catalogue.policy.combining),
        *_of_the_plan(catalogue),
        *_of_tablets(catalogue),
        *_of_who_and_when(),
        *_of_the_answer(),
    )


def _of_the_plan(catalogue: Catalogue) -> tuple[Option, ...]:
    return (
        _coded(
            "basis",
            (basis.id for basis in catalogue.bases if basis.grade is not Grade.REFERENCE),
            "The basis of equivalence that the plan aims at. Default: practice.",
        ),
        _coded(
            "pace",
            catalogue.policy.paces,
            "How fast the dose climbs. Default: standard.",
        ),
        _coded(
            "prior-therapy",
            PriorTherapy,
            "Whether the old medicine tapers while the new one climbs (overlap, the default)"
            " or ends on day one (stop).",
        ),
        Option("start", "valueDate", "Day one of the plan. Default: as-of.", _day),
        Option(
            "order",
            "valueReference",
            "The draft order to judge, by its reference in the record. May be repeated.",
            _reference,
            repeatable=True,
            in_query=False,
        ),
    )


def _of_tablets(catalogue: Catalogue) -> tuple[Option, ...]:
    return (
        _coded(
            "desiccated-family",
            (p.id for p in catalogue.preparations.values() if p.kind is Kind.DESICCATED_THYROID),
            "The strength family of desiccated thyroid. Another than the one taken is a move"
            " between families: as many labelled grains, on one day. Default: that of the order,"
            " else the one taken, else desiccated-thyroid-60.",
        ),
        Option(
            "weekly-pattern",
            "valueBoolean",
            "Whether levothyroxine comes in whole tablets alone, two of which may share the days of"
            " a week, one on four days and the other on three. Withheld in pregnancy, with heart"
            " disease and from 65 years. Default: false, broken tablets where scored.",
            _flag,
        ),
        _coded(
            "lt3-doses",
            _lt3_doses(catalogue.policy),
            "In how many doses a day liothyronine is taken, above the least that is taken at once."
            " Default: 2.",
        ),
        Option(
            "another-product",
            "valueBoolean",
            "Whether another product of desiccated thyroid takes the place of the one taken, in"
            " as many labelled grains, on one day. Default: false.",
            _flag,
        ),
        Option(
            "stock",
            "valueString",
            "A tablet that can be dispensed, as a code (RxNorm) or as kind and strength, such as"
            ' "levothyroxine 50". May be repeated: of a kind that is named, only these are used.'
            " Default: every marketed strength, or those of the clinic's file.",
            _tablet_of(catalogue),
            repeatable=True,
        ),
    )


def _of_who_and_when() -> tuple[Option, ...]:
    return (
        Option(
            "requester",
            "valueReference",
            "Who asks for the orders: a practitioner, a role of one, or an organization. Default:"
            " the requester of the draft order that is judged, else none is named.",
            _requester,
            in_query=False,
        ),
        Option(
            "recorded",
            "valueInstant",
            "When the answer is recorded, as Provenance and documents say it. Default: the start"
            " of as-of, UTC; no clock is read for it.",
            _instant,
        ),
    )


def _of_the_answer() -> tuple[Option, ...]:
    return (
        _coded(
            "response",
            ("collection", "transaction"),
            "The answer's Bundle: a collection to read (the default), or a transaction that a"
            " FHIR server can file.",
        ),
        _coded(
            "detail",
            ("full", "brief"),
            "All orders and the whole working (the default), or the plan by its dates in a few kB,"
            " without an order: not to be filed, and without a sheet.",
        ),
        Option(
            "sheet",
            "valueBoolean",
            "Carry the plan sheet in the answer, as a document with the page inside it. Default:"
            " false.",
            _flag,
        ),
        _coded(
            "sheet-form",
            ("html", "pdf"),
            "The form of that document: the page with its chart (the default), or its words and"
            " every order as PDF, which needs the extra pdf.",
        ),
    )


def _lt3_doses(policy: Policy) -> tuple[str, ...]:
    return tuple(map(str, range(policy.lt3_division.doses, policy.lt3_most_doses + 1)))


_OF_A_NEXT_STEP = (
    "as-of",
    "time-zone",
    "validate",
    "basis",
    "pace",
    "start",
    "weekly-pattern",
    "lt3-doses",
    "stock",
    "requester",
    "recorded",
    "response",
    "detail",
    "sheet",
)
_SAID_OTHERWISE = {
    "basis": "The basis of equivalence, where no plan runs. A plan that runs goes on by its own."
    " Default: practice.",
    "pace": "How fast doses rise, where no plan runs. A plan that runs keeps its own, unless it is"
    " slowed down. Default: standard.",
    "start": "The day from which the next step holds. Default: as-of.",
}


def next_step_options(switch_options: Sequence[Option]) -> tuple[Option, ...]:
    """What ``$next-step`` takes beside the record and the plan."""
    known = {option.name: option for option in switch_options}
    return tuple(
        replace(known[name], meaning=_SAID_OTHERWISE.get(name, known[name].meaning))
        for name in _OF_A_NEXT_STEP
    )


def page_options(options: Sequence[Option]) -> tuple[Option, ...]:
    """What a sheet takes: the options of the operation that it shows, and its own two."""
    return (
        *options,
        _coded(
            "page",
            SheetPart,
            "Which part of the sheet: the prescriber's, the patient's as a page of its own, or both"
            " (the default).",
        ),
        _coded(
            "locale",
            tags(),
            "How the sheet writes dates, and its patient's part words: en-US (the default), en-GB,"
            " or en with dates as 2025-03-03.",
        ),
    )


def comparison_options(catalogue: Catalogue) -> tuple[Option, ...]:
    """What ``$compare-bases`` takes beside the record."""
    return (
        _coded("target", Target, "What to compare a dose of. Default: levothyroxine."),
        *_shared_options(catalogue.policy.combining),
    )


def _shared_options(combining: Combining) -> tuple[Option, ...]:
    return (
        Option(
            "as-of",
            "valueDate",
            "The day on which the record is read. Default: today in the time zone.",
            _day,
        ),
        Option(
            "time-zone",
            "valueString",
            "The IANA time zone of the place where the record is read: it says which day today is,"
            " and on which day an instant of the record was. Default: today by UTC, and the days"
            " of the record as they are written.",
            _zone,
        ),
        Option(
            "validate",
            "valueBoolean",
            "Check the whole record against FHIR's own definitions first, and refuse it where it"
            " fails. Default: false.",
            _flag,
        ),
        Option(
            "ratio",
            "valueDecimal",
            "T4:T3 by weight in a combination of LT4 and LT3,"
            f" {decimal(combining.lowest_ratio)} to {decimal(combining.highest_ratio)}."
            f" Default: {decimal(combining.usual_ratio)}. What tablets"
            " make of it lies within these limits, or the move is refused.",
            _number,
        ),
        Option(
            "guideline",
            "valueBoolean",
            "Compose LT4 and LT3 by the guideline's rule (LT3 = x/20) instead of a ratio.",
            _flag,
        ),
        Option(
            "t3-share",
            "valueDecimal",
            "The part of the LT4-equivalent that pure LT3 carries beside desiccated thyroid,"
            f" above 0 and below 1. Default: {decimal(combining.usual_t3_share)}.",
            _number,
        ),
    )


def _coded(name: str, codes: Iterable[str], meaning: str) -> Option:
    allowed = tuple(str(code) for code in codes)

    def read(value: Any) -> str:
        if value not in allowed:
            near = did_you_mean(value, allowed)
            raise BadValue(f"{name} is one of: {', '.join(allowed)}{near}")
        return str(value)

    return Option(name, "valueCode", meaning, read, allowed)


def _day(value: Any) -> date:
    try:
        day = date.fromisoformat(value) if _DATE.fullmatch(value) else None
    except ValueError:
        day = None
    if day is None or not _FIRST_DAY <= day <= _LAST_DAY:
        raise BadValue("give a whole date, YYYY-MM-DD, from 1900-01-01 to 2199-12-31")
    return day


def _instant(value: Any) -> str:
    try:
        moment = datetime.fromisoformat(value) if _INSTANT.fullmatch(value) else None
    except ValueError:
        moment = None
    if moment is None or not _FIRST_DAY <= moment.date() <= _LAST_DAY:
        raise BadValue(
            "give an instant with seconds and its offset, such as 2026-03-01T09:30:00Z, from"
            " 1900-01-01 to 2199-12-31"
        )
    return str(value)


def _zone(value: Any) -> ZoneInfo:
    try:
        return ZoneInfo(value)
    except (ValueError, KeyError, OSError):
        raise BadValue("give an IANA time zone, such as UTC or Europe/Lisbon") from None


def _number(value: Any) -> Fraction:
    if not _DECIMAL.fullmatch(str(value)):
        raise BadValue("give a plain positive decimal number, such as 0.25 or 17")
    return Fraction(Decimal(str(value)))


def _flag(value: Any) -> bool:
    if value not in {True, False, "true", "false"}:
        raise BadValue("give true or false")
    return value in {True, "true"}


def _reference(value: Any) -> str:
    reference = value if isinstance(value, str) else value.get("reference")
    if not isinstance(reference, str) or not reference:
        raise BadValue("give a Reference with its reference element")
    return reference


def _requester(value: Any) -> str:
    reference = _reference(value)
    if not _REQUESTER.fullmatch(reference):
        raise BadValue(
            "give a Reference to a Practitioner, a PractitionerRole or an Organization by its type"
            " and id"
        )
    return reference


def _tablet_of(catalogue: Catalogue) -> Callable[[Any], tuple[str, Fraction]]:
    """Reads a tablet that is in stock: its preparation's id and its strength."""
    by_code = catalogue.codes.medicines.get(RxNorm.system, {})

    def read(value: Any) -> tuple[str, Fraction]:
        if not isinstance(value, str) or not _PRODUCT.fullmatch(value):
            raise BadValue("give a code, or a kind and a strength such as levothyroxine 50")
        if value.isdigit():
            meant = by_code.get(value)
            named = meant.preparation.id if meant and meant.preparation else ""
            strength = meant.strength if meant else None
        else:
            named, _, written = value.partition(" ")
            strength = Fraction(written)
        for preparation in catalogue.preparations.values():
            if named in {preparation.id, preparation.kind} and strength in preparation.strengths:
                return preparation.id, strength
        raise BadValue("no tablet of this kind and strength is listed; a clinic's file may add it")

    return read
