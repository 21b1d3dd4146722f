"""Doses, charts and comparisons in words."""

from fractions import Fraction

from crossgrain.dosing.bases import TrialStanding
from crossgrain.dosing.evidence import TshOutcome, Worth, WorthUnit
from crossgrain.dosing.exchange import Exchange
from crossgrain.dosing.preparations import Preparation
from crossgrain.dosing.targets import Combining, TargetDose
from crossgrain.names.printing import amount, decimal, in_grains, micrograms, whole_percent

TSH_WORDS = {
    TshOutcome.SAME: "the same",
    TshOutcome.HIGHER: "higher",
    TshOutcome.LOWER: "lower",
    TshOutcome.NOT_TOLD: "not told",
}
"""What TSH did on the arm that holds T3."""


def dose_words(dose: TargetDose) -> str:
    """A dose in the trade's currencies.

    >>> dose_words(TargetDose(lt4_ug=Fraction(85), lt3_ug=Fraction(5)))
    'LT4 85 micrograms + LT3 5 micrograms'
    """
    parts = (
        f"LT4 {micrograms(dose.lt4_ug)}" if dose.lt4_ug else "",
        f"desiccated thyroid {in_grains(dose.grains)}" if dose.grains else "",
        f"LT3 {micrograms(dose.lt3_ug)}" if dose.lt3_ug else "",
    )
    return " + ".join(filter(None, parts)) or "nothing"


def exchanged_words(exchange: Exchange) -> str:
    """Which product takes the place of which, and in what dose."""
    if exchange.within_family:
        (before,) = (amount(mg) for _, mg in exchange.old)
        return (
            f"Desiccated thyroid {before} mg of one product becomes"
            f" {_at_grains(exchange.new, exchange.new_mg)} of another."
        )
    before = " and ".join(_at_grains(product, mg) for product, mg in exchange.old)
    return f"Desiccated thyroid {before} becomes {_at_grains(exchange.new, exchange.new_mg)}."


def _at_grains(product: Preparation, mg: Fraction) -> str:
    return f"{amount(mg)} mg (of {amount(product.mg_per_grain or Fraction(0))} mg per grain)"


def by_weight_words(exchange: Exchange) -> str:
    """What the hormone would do if content went by weight, not by the labelled grain."""
    off = round((exchange.by_weight - 1) * 100)
    if exchange.within_family and off == 0:
        return "Both products are labelled alike; what they hold may differ by a tenth."
    more = "as much" if off == 0 else f"{abs(off)} % {'more' if off > 0 else 'less'}"
    return (
        "A labelled grain is counted the same in both families; if content went by weight instead,"
        f" the new dose would hold {more}."
    )


def off_ratio(dose: TargetDose, within: Combining) -> str:
    """What must be said of LT4 beside LT3 outside the guideline's ratios; else nothing."""
    if not dose.lt4_ug or not dose.lt3_ug or dose.grains:
        return ""
    if within.holds(dose.lt4_ug, dose.lt3_ug):
        return ""
    ratio = decimal(dose.lt4_ug / dose.lt3_ug)
    return f" T4 to T3 is then {ratio}:1, outside {ratio_limits(within)} (ETA 2012)."


def ratio_limits(within: Combining) -> str:
    """The range of T4 to T3 by weight in a combination: ``13:1 to 20:1``."""
    return f"{decimal(within.lowest_ratio)}:1 to {decimal(within.highest_ratio)}:1"


def standing_words(standing: TrialStanding) -> str:
    """How a basis fared against the published comparisons, at a glance.

    >>> typical, low, high = Fraction(19, 20), Fraction(4, 5), Fraction(1)
    >>> standing_words(TrialStanding(9, typical, low, high, 6, (), 2, ())).partition(": ")[2]
    'what holds T3 is typically counted 5 % too low (20 % too low to just right)'
    """
    if not standing.held:
        return "no published comparison to hold it against"
    comparisons = "comparison" if standing.held == 1 else "comparisons"
    counted = f"what holds T3 is typically counted {off_words(standing)}"
    return f"{standing.held} published {comparisons}: {counted}"


def off_words(standing: TrialStanding) -> str:
    """How far off a basis that was held against something typically is, and at its ends.

    >>> typical, low, high = Fraction(19, 20), Fraction(4, 5), Fraction(1)
    >>> off_words(TrialStanding(9, typical, low, high, 6, (), 2, ()))
    '5 % too low (20 % too low to just right)'
    """
    typical, low, high = (
        "unknown" if ratio is None else _off(ratio)
        for ratio in (standing.typical, standing.lowest, standing.highest)
    )
    against = (
        f"; TSH moved the other way in {len(standing.against)} of {standing.moved} more"
        if standing.against
        else ""
    )
    return f"{typical} ({low} to {high}){against}"


def _off(ratio: Fraction) -> str:
    """A ratio of what is counted to what is right, in whole percent."""
    percent = int(whole_percent(ratio - 1))
    if percent == 0:
        return "just right"
    return f"{abs(percent)} % too {'low' if percent < 0 else 'high'}"


def worth_words(found: Worth) -> str:
    """What a comparison puts a microgram of LT3 or a grain at, in µg LT4."""
    per = "per grain" if found.currency is WorthUnit.GRAIN else "per microgram of LT3"
    if found.low is None or found.high is None:
        bound = "under" if found.at_most else "over"
        return f"{bound} {_short(found.value)} {per}: TSH was {TSH_WORDS[found.comparison.tsh]}"
    return f"{_short(found.value)} ({_short(found.low)} to {_short(found.high)}) {per}"


def _short(worth: Fraction) -> str:
    """To three digits, which is more than any of them carries."""
    return f"{float(worth):.3g}"


def need_words(need: Fraction) -> str:
    """What today's TSH changed, to be added to a target; empty where it changed nothing.

    >>> need_words(Fraction("0.9"))
    " (0.9 times what the chart gives, by today's TSH)"
    """
    if need < 1:
        return f" ({decimal(need)} times what the chart gives, by today's TSH)"
    if need > 1:
        return f" (today's TSH asks for {decimal(need)} times today's dose; only labs go that far)"
    return ""
