"""Narrow typed views of the data types that resources are made of; dates of every precision.

Each view holds the elements of R4 and of R5 side by side: `shapes` says which of them belong
to which version. Numbers are kept as decoded (`int` or `Decimal`) and are checked where they
are read. Types are strict: a string where FHIR has a number is refused with its place.
"""

import re
from datetime import date, datetime
from enum import StrEnum
from typing import Any

import msgspec
from msgspec.structs import replace

from crossgrain.reading.remembered import Remembered


class ReadCategory(StrEnum):
    """What kind of fault makes the whole input unusable."""

    STRUCTURE = "structure"  # not JSON, or not shaped as FHIR
    VALUE = "value"  # the shape is right, the value is not
    NOT_SUPPORTED = "not-supported"  # sound, but of a version or kind that is not read
    CONFLICT = "conflict"  # sound alone, not together: two patients, two of one id
    TOO_COSTLY = "too-costly"  # too large or too deep to read in bounded time


class Unreadable(Exception):
    """The input as a whole cannot be used; nothing of it is answered.

    Parameters
    ----------
    category : what kind of fault
    expression : FHIRPath of the element, or empty where there is none (malformed JSON)
    message : one sentence for a person, without any value from the input
    """

    def __init__(self, category: ReadCategory, expression: str, message: str) -> None:
        super().__init__(message)
        self.category = category
        self.expression = expression
        self.message = message


class Asks(StrEnum):
    """What a question asks for. With a resource and an element of it, it names one question."""

    DOSE = "dose"  # how much of a medicine is taken
    MEDICINE = "medicine"  # which medicine it is
    TAKEN = "taken"  # whether it is taken now
    WHICH_OF_TWO = "which-of-two"  # whether two that may be one are both taken
    WHOLE = "whole"  # whether every medicine is in the record
    WHOSE = "whose"  # whether it is this patient's
    RIGHT_RECORD = "right-record"  # whether the record is the right one
    HOW_IT_GOES = "how-it-goes"  # what the patient answered at a visit
    NOW = "now"  # what is taken, where the record holds nothing
    TARGET = "target"  # what the patient is to move to
    ORDER = "order"  # which order is to be judged
    OTHER = "other"  # what no form can answer: the record or the call is to be mended


class Asked(Exception):
    """One medicine or one dose cannot be read with certainty; the rest still can.

    Raised inside the reader only, and turned into a `Question` where a medicine is read. `beside`
    is the FHIRPath of the other resource where two are asked about.
    """

    def __init__(
        self, expression: str, question: str, asks: Asks = Asks.DOSE, beside: str = ""
    ) -> None:
        super().__init__(question)
        self.expression = expression
        self.question = question
        self.asks = asks
        self.beside = beside


_ORDINARY_CODING = 30


class View(msgspec.Struct):
    """A part of a resource, as far as it is read."""


Number = Any
"""An `int` or a `Decimal`; checked by `quantities.exact`."""


class Coding(msgspec.Struct, frozen=True):
    system: str | None = None
    code: str | None = None
    display: str | None = None

    @property
    def characters(self) -> int:
        """Of all that it says, and no fewer than an ordinary coding has."""
        said = len(self.system or "") + len(self.code or "") + len(self.display or "")
        return max(said, _ORDINARY_CODING)


class CodeableConcept(msgspec.Struct, frozen=True):
    coding: tuple[Coding, ...] = ()
    text: str | None = None

    @property
    def silent(self) -> bool:
        """Whether it says nothing."""
        return not self.coding and not self.text

    @property
    def characters(self) -> int:
        """Of all that it says; a coding takes room even where it says little."""
        return len(self.text or "") + sum(coding.characters for coding in self.coding)


class Identifier(View):
    system: str | None = None
    value: str | None = None


class Reference(View):
    reference: str | None = None
    identifier: Identifier | None = None
    display: str | None = None


class CodeableReference(View):
    concept: CodeableConcept | None = None
    reference: Reference | None = None


class Quantity(View):
    value: Number = None
    comparator: str | None = None
    unit: str | None = None
    system: str | None = None
    code: str | None = None


class Range(View):
    low: Quantity | None = None
    high: Quantity | None = None


class Ratio(View):
    numerator: Quantity | None = None
    denominator: Quantity | None = None


class Period(View):
    start: str | None = None
    end: str | None = None


NOT_GIVEN = "\0"
"""Stands in a list of days or times for one that is not known: it is ``null`` in the record, and an
extension beside it may say why."""


class Repeat(View):
    bounds_period: Period | None = msgspec.field(default=None, name="boundsPeriod")
    bounds_duration: Quantity | None = msgspec.field(default=None, name="boundsDuration")
    bounds_range: Range | None = msgspec.field(default=None, name="boundsRange")
    count: Number = None
    frequency: Number = None
    frequency_max: Number = msgspec.field(default=None, name="frequencyMax")
    period: Number = None
    period_max: Number = msgspec.field(default=None, name="periodMax")
    period_unit: str | None = msgspec.field(default=None, name="periodUnit")
    day_of_week: tuple[str, ...] = msgspec.field(default=(), name="dayOfWeek")
    time_of_day: tuple[str, ...] = msgspec.field(default=(), name="timeOfDay")
    when: tuple[str, ...] = ()


class Timing(View):
    event: tuple[str, ...] = ()
    repeat: Repeat | None = None
    code: CodeableConcept | None = None
    modifier: tuple[Any, ...] = msgspec.field(default=(), name="modifierExtension")


class DoseAndRate(View, rename="camel"):
    type: CodeableConcept | None = None
    dose_quantity: Quantity | None = None
    dose_range: Range | None = None
    rate_quantity: Quantity | None = None
    rate_range: Range | None = None
    rate_ratio: Ratio | None = None


class Dosage(View, rename="camel"):
    sequence: int | None = None
    text: str | None = None
    additional_instruction: tuple[CodeableConcept, ...] = ()
    patient_instruction: str | None = None
    timing: Timing | None = None
    route: CodeableConcept | None = None
    as_needed_boolean: bool | None = None
    as_needed_codeable_concept: CodeableConcept | None = None
    as_needed: bool | None = None
    as_needed_for: tuple[CodeableConcept, ...] = ()
    dose_and_rate: tuple[DoseAndRate, ...] = ()
    max_dose_per_period: Ratio | tuple[Ratio, ...] | None = None
    max_dose_per_administration: Quantity | None = None
    max_dose_per_lifetime: Quantity | None = None
    modifier: tuple[Any, ...] = msgspec.field(default=(), name="modifierExtension")
    dose_quantity: Any = None
    dose_range: Any = None

    @property
    def repeat(self) -> Repeat | None:
        """How it is repeated, where that is coded."""
        return self.timing.repeat if self.timing else None

    @property
    def lasts(self) -> Quantity | None:
        """For how long it holds, where that is given as a length of time."""
        repeat = self.repeat
        return repeat.bounds_duration if repeat else None

    @property
    def bounds(self) -> Period | None:
        """From when until when it holds, where that is given as dates."""
        repeat = self.repeat
        return repeat.bounds_period if repeat else None

    def within(self, period: Period) -> "Dosage":
        """The same, from when until when it holds."""
        repeat = replace(self.repeat or Repeat(), bounds_period=period)
        return replace(self, timing=replace(self.timing or Timing(), repeat=repeat))


_PARTIAL = re.compile(r"(\d{4})(?:-(0[1-9]|1[0-2]))?", re.ASCII)
_TIME = re.compile(
    r"T(?:[01]\d|2[0-3]):[0-5]\d:(?:[0-5]\d|60)(?:\.\d{1,9})?(?:Z|[+-](?:0\d|1[0-4]):[0-5]\d)",
    re.ASCII,
)


class PartialDate(msgspec.Struct, frozen=True):
    """A year, a month or a day. A time of day is checked, and not kept."""

    first: date
    """The earliest day that it can mean."""
    last: date
    """The latest day that it can mean."""

    @property
    def exact(self) -> bool:
        """Whether it names one day."""
        return self.first == self.last

    def day(self, as_of: date) -> int | None:
        """Days from `as_of`, negative in the past; ``None`` when it names no single day."""
        return (self.first - as_of).days if self.first == self.last else None


def read_date(text: object, expression: str) -> PartialDate:
    """Read a FHIR ``date``, ``dateTime`` or ``instant``; the day is the one written.

    Raises
    ------
    Unreadable
        for anything that is not one, such as the 30th of February.

    Examples
    --------
    >>> read_date("2026-02", "x").last
    datetime.date(2026, 2, 28)
    >>> read_date("2026-02-03T23:30:00-05:00", "x").first
    datetime.date(2026, 2, 3)
    """
    if not isinstance(text, str):
        raise Unreadable(ReadCategory.STRUCTURE, expression, "a date must be a string")
    found = _DATES[text]
    if found is None:
        raise Unreadable(ReadCategory.VALUE, expression, "this is not a date that FHIR allows")
    return found


def _read(text: str) -> PartialDate | None:
    day = _day_of(text)
    if day:
        return PartialDate(day, day)
    form = _PARTIAL.fullmatch(text)
    year = int(form[1]) if form else 0
    if not form or not year:
        return None
    month = form[2]
    return PartialDate(date(year, int(month or 1), 1), _end(year, month))


_DATES = Remembered(_read, len)


def _day_of(text: str) -> date | None:
    """The day of a full date, whose time of day and offset are checked where it has them."""
    if len(text) > 10 and not _TIME.fullmatch(text, 10):
        return None
    if len(text) < 10 or text[4] != "-" or text[7] != "-":
        return None
    try:
        return date.fromisoformat(text[:10])
    except ValueError:
        return None


def moment_of(text: str) -> datetime | None:
    """The moment that a FHIR ``dateTime`` names, to the second; ``None`` for any other text.

    >>> moment_of("2026-02-03T23:30:60.5-05:00").isoformat()
    '2026-02-03T23:30:59-05:00'
    >>> moment_of("2026-02-03") is None
    True
    """
    if len(text) <= 10 or _day_of(text) is None:
        return None
    offset = "Z" if text[-1] == "Z" else text[-6:]
    return datetime.fromisoformat(text[:19].replace(":60", ":59") + offset)


def _end(year: int, month: str | None) -> date:
    if month is None or month == "12":
        return date(year, 12, 31)
    return date.fromordinal(date(year, int(month) + 1, 1).toordinal() - 1)


def full_years(born: date, on: date) -> int:
    """Completed years of age.

    >>> full_years(date(1960, 2, 29), date(2026, 2, 28))
    65
    """
    return on.year - born.year - ((on.month, on.day) < (born.month, born.day))
