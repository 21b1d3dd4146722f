"""Numbers as a reader at a terminal takes them in."""

from fractions import Fraction

from crossgrain.dosing.targets import TargetDose
from crossgrain.writing.labels import micrograms

_GLYPHS = {Fraction(1, 4): "¼", Fraction(1, 2): "½", Fraction(3, 4): "¾"}


def count(value: Fraction) -> str:
    """A number of tablets or grains on the quarter grid, with its glyph.

    >>> count(Fraction(5, 2)), count(Fraction(1, 4)), count(Fraction(3))
    ('2½', '¼', '3')
    """
    whole, rest = divmod(value, 1)
    if rest and rest not in _GLYPHS:
        return f"{float(value):.2f}"
    return f"{whole or ''}{_GLYPHS.get(rest, '')}" or "0"


def dose(value: TargetDose) -> str:
    """A target in the trade's three currencies.

    >>> dose(TargetDose(lt3_ug=Fraction(5), grains=Fraction(3, 2)))
    '1½ grains + LT3 5 µg'
    """
    parts = []
    if value.lt4_ug:
        parts.append(f"LT4 {micrograms(value.lt4_ug)}")
    if value.grains:
        plural = "s" if value.grains > 1 else ""
        parts.append(f"{count(value.grains)} grain{plural}")
    if value.lt3_ug:
        parts.append(f"LT3 {micrograms(value.lt3_ug)}")
    return " + ".join(parts)
