"""The number of a laboratory result and its range, led to the analyte's own unit.

Mass to moles by molar mass.
"""

from collections.abc import Mapping, Sequence
from decimal import Decimal
from fractions import Fraction

from crossgrain.dosing.kinetics import T3_MOLAR_MASS, T4_MOLAR_MASS
from crossgrain.reading.code_tables import LabCode
from crossgrain.reading.elements import Quantity
from crossgrain.reading.notes import Notes
from crossgrain.reading.quantities import checked_number
from crossgrain.reading.remembered import Remembered
from crossgrain.reading.views import ReferenceRange
from crossgrain.safety.facts import Analyte


def _moles(molar_mass: Fraction, nanomoles: bool) -> dict[str, tuple[str, Fraction]]:
    """Mass and molar units of a hormone, in pmol/L (or nmol/L).

    1 ng/L = 1000 / molar mass pmol/L.
    """
    unit = Fraction(1, 1000) if nanomoles else Fraction(1)
    ng_per_l = 1000 / molar_mass * unit
    return {
        "ng/l": ("mass", ng_per_l),
        "pg/ml": ("mass", ng_per_l),
        "ng/dl": ("mass", ng_per_l * 10),
        "pg/dl": ("mass", ng_per_l / 100),
        "ng/ml": ("mass", ng_per_l * 1000),
        "ug/l": ("mass", ng_per_l * 1000),
        "ug/dl": ("mass", ng_per_l * 10000),
        "pmol/l": ("moles", unit),
        "nmol/l": ("moles", unit * 1000),
        "fmol/l": ("moles", unit / 1000),
        "fmol/ml": ("moles", unit),
    }


_TSH = {
    spelled: ("arbitrary", Fraction(1))
    for spelled in (
        "m[iu]/l", "u[iu]/ml", "mu/l", "uu/ml", "miu/l", "uiu/ml", "mcu/ml", "mciu/ml",
        "milliunits/l", "microunits/ml",
    )
}  # fmt: skip
_RATE = {
    spelled: ("rate", Fraction(1))
    for spelled in ("/min", "{beats}/min", "{beats}/m", "bpm", "beats/min", "beats/minute",
                    "{heartbeats}/min", "1/min", "per minute", "/minute")
}  # fmt: skip
_WEIGHT = {
    "kg": ("weight", Fraction(1)),
    "kilogram": ("weight", Fraction(1)),
    "kilograms": ("weight", Fraction(1)),
    "g": ("weight", Fraction(1, 1000)),
    "[lb_av]": ("weight", Fraction("0.45359237")),
    "lb": ("weight", Fraction("0.45359237")),
    "lbs": ("weight", Fraction("0.45359237")),
    "pounds": ("weight", Fraction("0.45359237")),
}
_UNITS: Mapping[Analyte, Mapping[str, tuple[str, Fraction]]] = {
    Analyte.TSH: _TSH,
    Analyte.FREE_T4: _moles(T4_MOLAR_MASS, nanomoles=False),
    Analyte.FREE_T3: _moles(T3_MOLAR_MASS, nanomoles=False),
    Analyte.TOTAL_T3: _moles(T3_MOLAR_MASS, nanomoles=True),
    Analyte.REVERSE_T3: _moles(T3_MOLAR_MASS, nanomoles=True),
    Analyte.HEART_RATE: _RATE,
    Analyte.WEIGHT: _WEIGHT,
}


def lab_factor(analyte: Analyte, unit: str) -> tuple[str, Fraction] | None:
    """What a unit counts (mass, moles, …), and what one of it is in the analyte's own unit.

    Examples
    --------
    Free T4, 1 ng/dL = 12.87 pmol/L:

    >>> round(float(lab_factor(Analyte.FREE_T4, "ng/dL")[1]), 2)
    12.87
    """
    plain = unit.strip().replace("µ", "u").replace("μ", "u").casefold()
    return _UNITS[analyte].get(plain)


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
