"""The number of a laboratory result and its range, led to the analyte's own unit."""

from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction

from crossgrain.reading.code_tables import LabCode
from crossgrain.reading.elements import Quantity
from crossgrain.reading.lab_units import lab_factor
from crossgrain.reading.notes import Notes
from crossgrain.reading.quantities import checked_number
from crossgrain.reading.remembered import Remembered
from crossgrain.reading.views import ReferenceRange
from crossgrain.safety.facts import Analyte

_LONGEST_UNIT = 32
_Written = tuple[int | Decimal, Analyte, str, str | None, str | None]
"""A number, what is measured, what its code counts, and the unit as code and as text."""
_NOT_KNOWN = "its unit is not one that is known for this test"
Ends = tuple[Fraction | None, Fraction | None]


def value_of(quantity: Quantity, code: LabCode, path: str) -> Fraction | str:
    """The quantity whose number stands at `path`, in the analyte's own unit; or why not."""
    number = checked_number(quantity.value, path)
    if number < 0:
        return "its value is below nothing"
    return _CONVERTED[number, code.analyte, code.kind, quantity.code, quantity.unit]


def _converted(as_written: _Written) -> Fraction | str:
    number, analyte, counts, code, unit = as_written
    if _characters(as_written) > _LONGEST_UNIT:
        return _NOT_KNOWN
    if not code and not unit:
        return "its value has no unit"
    coded = lab_factor(analyte, code) if code else None
    written = lab_factor(analyte, unit) if unit else None
    found = coded if code else written
    if found is None:
        return _NOT_KNOWN
    if coded and written and coded != written:
        return "the code and the text of its unit differ"
    if found[0] != counts:
        return f"its code counts {counts} and its unit {found[0]}"
    return Fraction(number) * found[1]


def _characters(as_written: _Written) -> int:
    """Of the longer spelling of the unit."""
    *_, code, unit = as_written
    return max(len(code or ""), len(unit or ""))


_CONVERTED = Remembered(_converted, _characters)


def own_range(ranges: Sequence[ReferenceRange], code: LabCode, path: str, notes: Notes) -> Ends:
    """The laboratory's own range, where there is one that applies to everyone."""
    if not ranges:
        return None, None
    plain = [r for r in ranges if _for_everyone(r)]
    if len(plain) != 1:
        notes.unread(f"{path}.referenceRange", "which of its ranges applies cannot be told")
        return None, None
    low = _end(plain[0].low, code, path, "low")
    high = _end(plain[0].high, code, path, "high")
    if low is None and high is None:
        notes.unread(f"{path}.referenceRange", "its range is not given as known quantities")
    return low, high


def _for_everyone(given: ReferenceRange) -> bool:
    normal = given.type is None or any(c.code == "normal" for c in given.type.coding)
    return normal and not given.applies_to and given.age is None and not given.modifier


def _end(quantity: Quantity | None, code: LabCode, path: str, name: str) -> Fraction | None:
    if quantity is None or quantity.value is None:
        return None
    value = value_of(quantity, code, f"{path}.referenceRange.{name}.value")
    return None if isinstance(value, str) else value
