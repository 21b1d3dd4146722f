"""How numbers, doses and units are printed."""

from fractions import Fraction

from crossgrain.dosing.targets import TargetDose

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
