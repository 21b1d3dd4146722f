"""What must hold of whatever the reader makes of any input at all.

Only the errors that it declares may escape. A dose that it gives must be made of numbers that
stand in the record: of an amount, a strength and a number of times, in known units.
"""

import re
from contextlib import suppress
from decimal import Decimal
from fractions import Fraction
from typing import Any

from tests.properties.reading.numbers import (
    UNITS,
    amount_is_written,
    coded_strengths,
    medications,
    numbers_in,
    numbers_in_words,
)
from tests.unit.reading.records import AS_OF, CATALOGUE

from crossgrain.dosing.regimens import DoseLine
from crossgrain.names.identity import FhirVersion
from crossgrain.reading.codesystems import UCUM
from crossgrain.reading.elements import Asked, Quantity, Ratio, Unreadable
from crossgrain.reading.json import parse
from crossgrain.reading.names import read_name
from crossgrain.reading.quantities import (
    Amount,
    amount_of,
    concentration,
    unit_of_code,
    unit_of_word,
)
from crossgrain.reading.reader import read_course, read_record
from crossgrain.reading.record import MedicineEntry, Record
from crossgrain.reading.schedule import read_frequency
from crossgrain.reading.views import view
from crossgrain.screening.course import Undecided

PHRASES = CATALOGUE.codes.phrases
MOST = {"ug": 1000, "mg": 500}
"""A day's dose above this would be a wrong number whatever stood in the record: three times the
largest tablet of levothyroxine, more than seven grains."""


# --- a body -----------------------------------------------------------------------------------


def check_body(body: bytes) -> int:
    """Read bytes as a record of either version; the number of dose lines that were read."""
    try:
        tree = parse(body)
    except Unreadable:
        return 0
    return sum(check_tree(tree, version) for version in FhirVersion)


def check_tree(tree: dict[str, Any], version: FhirVersion) -> int:
    """The same for a decoded tree as one version, today's record and the course over time."""
    tables = {"codes": CATALOGUE.codes, "preparations": CATALOGUE.preparations}
    with suppress(Unreadable, Undecided):
        read_course(tree, version=version, as_of=AS_OF, **tables)
    try:
        record = read_record(tree, version=version, as_of=AS_OF, **tables)
    except Unreadable as refused:
        refusal = refused
    else:
        return check_record(record, tree)
    assert refusal.message
    assert leads_somewhere(tree, refusal.expression), refusal.expression
    return 0


def check_record(record: Record, tree: dict[str, Any]) -> int:
    """Every place named exists, and every dose is one that the record holds."""
    places = [
        *(q.expression for q in (*record.questions, *record.confirm)),
        *(u.expression for u in record.unread),
        *record.paths,
    ]
    for place in places:
        assert leads_somewhere(tree, place), place
    lines = 0
    for entry in (*record.current, *record.drafts, *record.past):
        for line in entry.lines:
            check_line(line, entry, tree)
        assert not entry.lines or sum(line.daily for line in entry.lines) > 0
        lines += len(entry.lines)
    if not record.questions:
        assert all(entry.lines for entry in record.current)
    for measured in record.facts.measurements or ():
        assert isinstance(measured.value, Fraction)
        assert measured.value >= 0
    return lines


def check_line(line: DoseLine, entry: MedicineEntry, tree: dict[str, Any]) -> None:
    """A dose is not negative, not beyond what anybody takes, and made of the record's numbers."""
    assert line.origin.startswith(entry.path)
    assert 0 <= line.daily < MOST[line.preparation.unit]  # one part of a week may be left out
    assert 1 <= len(line.cycle) <= 7
    holder = element(tree, entry.path)
    dosage = element(tree, line.origin)
    numbers = numbers_in(dosage) | {Fraction(1)}
    strengths = numbers_in(holder) | numbers_in(medications(tree)) | coded_strengths(holder, tree)
    for amount in set(line.cycle) - {0}:
        assert amount_is_written(amount, numbers, strengths | {Fraction(1)}), (
            f"{amount} is made of nothing in {line.origin}"
        )


# --- where things stand -----------------------------------------------------------------------

STEP = re.compile(r"(\w+)(?:\[(\d+)\])?")


def element(tree: Any, expression: str) -> Any:
    """The first element that a plain path leads to, or ``None``."""
    return next(iter(elements(tree, expression)), None)


def elements(tree: Any, expression: str) -> list[Any]:
    """All that a plain path leads to, by the rules of FHIRPath: a list without an index stands
    for each of its items, and a choice is named by its stem."""
    found = [tree]
    for step in expression.split(".")[1:]:
        form = STEP.fullmatch(step)
        if form is None:
            return []
        children = [child(node, form[1]) for node in found if isinstance(node, dict)]
        found = [
            item
            for value in children
            for item in (value if isinstance(value, list) else [value])
            if item is not None
        ]
        if form[2] is not None:
            found = found[int(form[2]) :][:1]
    return found


def child(node: dict[str, Any], name: str) -> Any:
    """An element by its name, or by the name of the choice that it is one of."""
    if name in node:
        return node[name]
    typed = [key for key in node if key.startswith(name) and key[len(name) :][:1].isupper()]
    return node[typed[0]] if typed else None


def leads_somewhere(tree: dict[str, Any], expression: str) -> bool:
    """Whether an expression leads to an element, or into one that lacks its last step."""
    if expression in ("", "Bundle"):
        return True
    above = expression.rpartition(".")[0]
    return bool(elements(tree, expression) or elements(tree, above))


# --- words and units --------------------------------------------------------------------------


def check_words(words: str) -> bool:
    """Read an instruction, a frequency and a name; whether the whole was read as one."""
    read_name(words)
    frequency = read_frequency(words)
    assert frequency is None or frequency.per_day > 0
    PHRASES.heard_in(words)
    sig = PHRASES.read_sig(words)
    if sig is None:
        return False
    written = numbers_in_words(words)
    for part in sig.parts:
        assert part.schedule.per_day > 0
        assert 1 <= len(part.schedule.doses) <= 7
        for amount in filter(None, (part.amount, part.mass)):
            assert amount.value >= 0
            assert any(amount.value in (n * u for u in UNITS) for n in written), words
    assert PHRASES.read_sig(f"  {words.upper()} ") == sig
    for doubtful in ("as directed", "as needed", "then stop", "until labs"):
        assert PHRASES.read_sig(f"{words} {doubtful}") is None
    return True


SYSTEMS = {
    "u": UCUM,
    "-": None,
    "s": "http://snomed.info/sct",
    "f": "http://hl7.org/fhir/v3/orderableDrugForm",
}


def check_units(system: str | None, code: str, written: str, number: int | Decimal) -> bool:
    """Read a quantity; whether it was read."""
    for found in (unit_of_code(system, code), unit_of_word(written)):
        assert found is None or found.factor > 0
    content = {"value": number, "system": system, "code": code or None, "unit": written or None}
    quantity = view(content, Quantity, "Bundle")
    try:
        amount = amount_of(quantity, "Bundle")
        concentration(Ratio(quantity, quantity), "Bundle")
    except (Asked, Unreadable):
        return False
    assert isinstance(amount, Amount)
    assert amount.value >= 0
    assert (amount.value == 0) == (number == 0)
    return True
