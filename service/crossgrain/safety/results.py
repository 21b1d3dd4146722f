"""Laboratory results with their comparators, dates and ranges, and whose TSH it is.

Whose TSH it is sets the limits it is judged by:

====================  =================================================================
central               TSH is no guide; free T4 is
suppression goal      the goal's own range; the laboratory's does not count
pregnant              the trimesters' widest: from the lower of the laboratory's limit
                      and theirs, up to the lower of the laboratory's and theirs
older                 up to the larger of the laboratory's and what age makes acceptable
usual                 the laboratory's, else 0.4-4.0
====================  =================================================================
"""

from collections.abc import Iterable
from enum import StrEnum
from fractions import Fraction

from crossgrain.names.printing import decimal
from crossgrain.names.values import frozen
from crossgrain.safety.facts import Analyte, Facts, Measurement
from crossgrain.safety.rule import Missing, Rule, RuleTable, listed


def of(facts: Facts, analyte: Analyte) -> tuple[Measurement, ...]:
    """Every result of one analyte."""
    return tuple(m for m in facts.measurements or () if m.analyte is analyte)


def is_fresh(measurement: Measurement, days: Fraction) -> bool:
    """A final result dated within so many days before the record is read."""
    return (
        not measurement.preliminary
        and measurement.day is not None
        and -days <= measurement.day <= 0
    )


def latest(facts: Facts, analyte: Analyte, fresh_days: Fraction) -> tuple[Measurement, ...]:
    """The results that may be the patient's latest, so that a rule can take the worst of them.

    Those of the last day with a final result, anything preliminary since then, and, where no final
    result is recent, also what carries no usable date.
    """
    results = of(facts, analyte)
    finals = [m.day for m in results if m.day is not None and not m.preliminary]
    since = max(finals, default=None)
    fresh = any(is_fresh(m, fresh_days) for m in results)
    return tuple(
        m for m in results if (not fresh if m.day is None else since is None or m.day >= since)
    )


def is_below(measurement: Measurement, limit: Fraction) -> bool:
    """Whether the result is certainly below `limit`.

    >>> tsh = Measurement(Analyte.TSH, Fraction("0.1"), -10, "", comparator="<")
    >>> is_below(tsh, Fraction("0.1"))
    True
    """
    match measurement.comparator:
        case "":
            return measurement.value < limit
        case "<":
            return measurement.value <= limit
        case "<=":
            return measurement.value < limit
        case _:
            return False


def is_above(measurement: Measurement, limit: Fraction) -> bool:
    """Whether the result is certainly above `limit`.

    >>> tsh = Measurement(Analyte.TSH, Fraction(100), -10, "", comparator=">")
    >>> is_above(tsh, Fraction(4))
    True
    """
    match measurement.comparator:
        case "":
            return measurement.value > limit
        case ">":
            return measurement.value >= limit
        case ">=":
            return measurement.value > limit
        case _:
            return False


def tells_its_side(facts: Facts, measurement: Measurement, rule: Rule | Missing) -> bool:
    """Whether a result is known as low, in range or high: one such as ``<4`` may be any of them.

    A TSH is held against this patient's limits, by a rule's numbers; else the laboratory's count.
    """
    if not measurement.comparator:
        return True
    low, high = measurement.low, measurement.high
    if measurement.analyte is Analyte.TSH:
        low, high = lower_limit(facts, measurement, rule), upper_limit(facts, measurement, rule)
    beyond = high is not None and is_above(measurement, high)
    return beyond or (low is not None and is_below(measurement, low))


def shown(measurements: Iterable[Measurement]) -> str:
    """Results as a reader expects them: ``<0.01 mIU/L (12 days ago)``."""
    return ", ".join(
        f"{m.comparator}{decimal(m.value)} {m.analyte.unit} ({_age(m)})" for m in measurements
    )


def _age(measurement: Measurement) -> str:
    word = ago(measurement.day)
    return f"{word}, preliminary" if measurement.preliminary else word


def ago(day: int | None) -> str:
    """How long before the day of reading a day lies, in words.

    >>> ago(-1)
    '1 day ago'
    """
    if day is None:
        return "undated"
    days = -day
    past = "1 day ago" if days == 1 else f"{days} days ago"
    return "today" if days == 0 else past if days > 0 else "dated ahead"


CENTRAL = frozenset({"central-hypothyroidism"})
GOAL = frozenset({"tsh-suppression-goal"})
PREGNANT = frozenset({"pregnant", "hypothyroidism-in-pregnancy"})
_DAYS_A_YEAR = Fraction(1461, 4)


class Whose(StrEnum):
    """By what state of the patient a TSH is judged; the first that holds counts."""

    CENTRAL = "central"
    GOAL = "goal"
    PREGNANT = "pregnant"
    OLDER = "older"
    USUAL = "usual"


@frozen
class TshLimits:
    """The limits that apply to one patient now, in mIU/L.

    Attributes
    ----------
    whose : by what state of the patient
    low, high : where the laboratory gives none
    older_years, older_high : from that age on the upper limit is at least so high
    pregnant_low, pregnant_high : in pregnancy the limits are at most so high
    suppressed, frankly_high : a TSH on the way takes a dose back only below the first, and keeps
        one
        that is to fall only above the second; at the checkpoint they ask for the larger change
    fast_pulse : per minute; a resting pulse above it speaks of too much, as such a low TSH does
    """

    whose: Whose
    low: Fraction
    high: Fraction
    older_years: Fraction
    older_high: Fraction
    pregnant_low: Fraction
    pregnant_high: Fraction
    suppressed: Fraction
    frankly_high: Fraction
    fast_pulse: Fraction


def is_pregnant(facts: Facts) -> bool:
    """By observation or by the condition list; either is believed when it says so."""
    return facts.pregnant is True or bool(listed(facts.conditions, PREGNANT))


def is_central(facts: Facts) -> bool:
    """Whether TSH is no guide."""
    return bool(listed(facts.conditions, CENTRAL))


def has_goal(facts: Facts) -> bool:
    """Whether TSH is kept low on purpose."""
    return bool(listed(facts.goals, GOAL) or listed(facts.conditions, GOAL))


def is_older(facts: Facts, years: Fraction, day: int | None = None) -> bool:
    """Whether the patient had that age, in whole years, on a day; today where none is known."""
    age = facts.age_years
    return age is not None and age - (-(day or 0) // _DAYS_A_YEAR) >= years


def whose_tsh(facts: Facts, older_years: Fraction) -> Whose:
    """By what state a TSH is judged now."""
    if is_central(facts):
        return Whose.CENTRAL
    if has_goal(facts):
        return Whose.GOAL
    if is_pregnant(facts):
        return Whose.PREGNANT
    return Whose.OLDER if is_older(facts, older_years) else Whose.USUAL


def limit_of_age(facts: Facts, measurement: Measurement, rule: Rule | Missing) -> Fraction:
    """The laboratory's upper limit, or what the age at which it was drawn makes acceptable."""
    own = rule.number("highest") if measurement.high is None else measurement.high
    older = is_older(facts, rule.number("older_years"), measurement.day)
    return max(own, rule.number("older_highest")) if older else own


def upper_limit(facts: Facts, measurement: Measurement, rule: Rule | Missing) -> Fraction:
    """The limit above which a TSH is high for this patient, by a rule's numbers."""
    own = limit_of_age(facts, measurement, rule)
    return min(own, rule.number("pregnant_highest")) if is_pregnant(facts) else own


def lower_limit(facts: Facts, measurement: Measurement, rule: Rule | Missing) -> Fraction:
    """The limit below which a TSH is low for this patient, by a rule's numbers."""
    own = rule.number("lowest") if measurement.low is None else measurement.low
    return min(own, rule.number("pregnant_lowest")) if is_pregnant(facts) else own


def tsh_limits(facts: Facts, rules: RuleTable) -> TshLimits:
    """What applies to one patient now, by the numbers of the rules on TSH and pulse."""
    high, low = rules.before["tsh-high"], rules.before["tsh-low"]
    return TshLimits(
        whose=whose_tsh(facts, high.number("older_years")),
        low=low.number("lowest"),
        high=high.number("highest"),
        older_years=high.number("older_years"),
        older_high=high.number("older_highest"),
        pregnant_low=low.number("pregnant_lowest"),
        pregnant_high=high.number("pregnant_highest"),
        suppressed=low.number("suppressed"),
        frankly_high=high.number("frankly"),
        fast_pulse=rules.before["heart-rate-high"].number("highest"),
    )
