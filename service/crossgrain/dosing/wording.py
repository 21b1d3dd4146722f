"""How numbers, doses and units are printed."""

from fractions import Fraction

from crossgrain.dosing.targets import HIGHEST_RATIO, LOWEST_RATIO, TargetDose

UNITS = {"ug": "µg", "mg": "mg"}
"""How the units of labelled strengths are printed."""


def number(value: Fraction | float) -> str:
    """A number as printed: exact where it is short, else to three decimals.

    >>> number(Fraction(65, 4)), number(Fraction(100)), number(Fraction(50, 44))
    ('16.25', '100', '1.136')
    """
    text = f"{float(value):.3f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def dose_words(dose: TargetDose) -> str:
    """A dose in the trade's currencies.

    >>> dose_words(TargetDose(lt4_ug=Fraction(85), lt3_ug=Fraction(5)))
    'LT4 85 µg + LT3 5 µg'
    """
    grains = "grain" if dose.grains == 1 else "grains"
    parts = (
        (dose.lt4_ug, f"LT4 {number(dose.lt4_ug)} µg"),
        (dose.grains, f"desiccated {number(dose.grains)} {grains}"),
        (dose.lt3_ug, f"LT3 {number(dose.lt3_ug)} µg"),
    )
    return " + ".join(words for amount, words in parts if amount) or "nothing"


def off_ratio(dose: TargetDose) -> str:
    """What must be said of LT4 beside LT3 outside the guideline's ratio; else nothing.

    >>> off_ratio(TargetDose(lt4_ug=Fraction(50), lt3_ug=Fraction(5)))
    ' T4 to T3 is then 10:1, outside 13:1 to 20:1 (ETA 2012).'
    >>> off_ratio(TargetDose(lt4_ug=Fraction(85), lt3_ug=Fraction(5)))
    ''
    """
    if not dose.lt4_ug or not dose.lt3_ug or dose.grains:
        return ""
    ratio = dose.lt4_ug / dose.lt3_ug
    if LOWEST_RATIO <= ratio <= HIGHEST_RATIO:
        return ""
    limits = f"{number(LOWEST_RATIO)}:1 to {number(HIGHEST_RATIO)}:1"
    return f" T4 to T3 is then {number(ratio)}:1, outside {limits} (ETA 2012)."
