"""The numbers that the answers are held to, written down a second time from their sources.

Nothing here is read from the service: a slip in its tables must show as a difference. Doses are
multiples of an eighth, which a float holds exactly; what is multiplied by a chart or a content is
compared within `EXACT`.
"""

from fractions import Fraction

# --- products ---------------------------------------------------------------------------------
# Strengths and content: labels of levothyroxine, liothyronine (5, 25, 50 µg) and desiccated
# thyroid (60 mg a grain) in the US; 65 mg a grain: value set
# 2.16.840.1.113883.3.464.1003.196.12.1354; 4:1 tablets: secondary.
# A grain holds 38 µg T4 and 9 µg T3 in either family.

LT4, LT3, D60, D65, FIXED = "lt4", "lt3", "d60", "d65", "fixed"


def fractions(text: str) -> tuple[Fraction, ...]:
    """Numbers with spaces between them."""
    return tuple(Fraction(part) for part in text.split())


STRENGTHS = {
    LT4: fractions("25 50 75 88 100 112 125 137 150 175 200 300"),
    LT3: fractions("5 25 50"),
    D60: fractions("15 30 60 90 120 180 240 300"),
    D65: fractions("16.25 32.5 48.75 65 81.25 97.5 113.75 130 146.25 162.5 195 260 325"),
    FIXED: fractions("12.5 25 50 100 150"),
}
UNIT = {LT4: "ug", LT3: "ug", D60: "mg", D65: "mg", FIXED: "ug"}
EXACT = 1e-9
GRAIN_MG = {D60: 60, D65: 65}
T4_UG = {LT4: 1.0, LT3: 0.0, D60: 38 / 60, D65: 38 / 65, FIXED: 1.0}
T3_UG = {LT4: 0.0, LT3: 1.0, D60: 9 / 60, D65: 9 / 65, FIXED: 0.25}
INCREMENT = {LT4: 12.5, LT3: 5.0, D60: 15.0, D65: 16.25, FIXED: 12.5}
"""A quarter grain, 5 µg LT3, 12.5 µg LT4: common practice and labels."""

MOST_LT4_UG, MOST_T3_UG = 300, 75
MOST_MG = {D60: 180, D65: 195}
"""Labels: above these a dose is held, never proposed plainly."""
INTERVAL_DAYS = {"standard": 14, "brisk": 10, "cautious": 28}
"""Common practice: a quarter grain every 10-14 days; 28 where it must be slow (our judgement)."""
LAB_WAIT_DAYS = 42
"""Six weeks at a dose that will be kept (ATA 2014, 4-8 weeks, from memory)."""

# --- charts -----------------------------------------------------------------------------------
# practice: common practice, no source. label: 60 mg = LT4 100 µg = LT3 25 µg as quoted. trial:
# Hoang et al. 2013 (60 mg = 88 µg, secondary), Celi et al. 2010 (40.3 µg LT3 = 115.2 µg LT4).
# content: 38 + 9 k with k = 3.3 (common practice).

Amounts = dict[str, float]
PER_LT3 = {"practice": 2.0, "label": 4.0, "trial": 115.2 / 40.3, "content": 3.3}
PER_GRAIN = {"practice": 50.0, "label": 100.0, "trial": 88.0, "content": 38 + 9 * 3.3}
CHARTS = tuple(PER_LT3)
WORTH = {
    chart: {
        LT4: 1.0,
        LT3: PER_LT3[chart],
        D60: PER_GRAIN[chart] / 60,
        D65: PER_GRAIN[chart] / 65,
        FIXED: 1 + PER_LT3[chart] / 4,
    }
    for chart in CHARTS
}
"""LT4, µg, that each chart puts in the place of one unit of a product."""


def grains(amounts: Amounts) -> float:
    """Labelled grains in daily amounts."""
    return sum(amounts[key] / mg for key, mg in GRAIN_MG.items() if key in amounts)


def t3_ug(amounts: Amounts) -> float:
    """Swallowed T3 a day."""
    return sum(amount * T3_UG[key] for key, amount in amounts.items())


def lt4_equivalent(chart: str, amounts: Amounts) -> float:
    """What daily amounts are worth in LT4 on a chart, µg."""
    worth = WORTH[chart]
    return sum(amount * worth[key] for key, amount in amounts.items())


def target_on(chart: str, wish: "Wish", worth_ug: float) -> Amounts:
    """The dose of a target that a chart calls worth so much LT4.

    LT4 + LT3 at ratio r: LT3 = E/(r + k); by the guideline (ETA 2012, from memory) LT3 = E/20 and
    LT4 = E - 3 LT3. Desiccated + LT3 with share s: LT3 = sE/k, grains = (1 - s)E/w.
    """
    k, w = PER_LT3[chart], PER_GRAIN[chart]
    mg = GRAIN_MG[wish.family]
    match wish.target:
        case "levothyroxine":
            return {LT4: worth_ug}
        case "liothyronine":
            return {LT3: worth_ug / k}
        case "desiccated-thyroid":
            return {wish.family: worth_ug / w * mg}
        case "levothyroxine-liothyronine" if wish.guideline:
            return {LT4: worth_ug * 17 / 20, LT3: worth_ug / 20}
        case "levothyroxine-liothyronine":
            lt3 = worth_ug / (wish.ratio + k)
            return {LT4: wish.ratio * lt3, LT3: lt3}
        case _:
            return {
                wish.family: (1 - wish.share) * worth_ug / w * mg,
                LT3: wish.share * worth_ug / k,
            }


class Wish:
    """What is asked for: a target, how it is mixed, and the grain family it comes in."""

    __slots__ = ("family", "guideline", "ratio", "share", "target")

    def __init__(
        self, target: str, family: str, ratio: int, share: float, *, guideline: bool
    ) -> None:
        self.target, self.family, self.ratio, self.share = target, family, ratio, share
        self.guideline = guideline


def checkpoint(wish: Wish, chosen: str, taken: Amounts) -> tuple[Amounts, Amounts]:
    """The smallest target of any chart on the way to the chosen one's, and that one."""
    worth = {chart: lt4_equivalent(chart, taken) for chart in CHARTS}
    aim = target_on(chosen, wish, worth[chosen])
    if wish.target == "desiccated-thyroid-liothyronine":
        shares = [worth[chart] / lt4_equivalent(chart, aim) for chart in CHARTS]
    else:
        first = next(iter(aim))
        shares = [target_on(chart, wish, worth[chart])[first] / aim[first] for chart in CHARTS]
    return {key: amount * min(shares) for key, amount in aim.items()}, aim
