"""Laboratory and vital units, led to the one unit in which each analyte is kept.

Mass to moles by molar mass.
"""

from collections.abc import Mapping
from fractions import Fraction

from crossgrain.dosing.kinetics import T3_MOLAR_MASS, T4_MOLAR_MASS
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
