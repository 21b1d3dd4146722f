"""What today's TSH says of today's dose: whether more or less of it is needed.

=========================  ==================================================================
TSH counts where           it is final and dated, recent, drawn long enough after the last
                           change of dose (as far as the record tells) and not on biotin
frankly high               above 10, or free T4 below its range where no T3 is swallowed
high, low                  outside the patient's own limits
suppressed                 below 0.1, which a plan that lets hormone rise never gets past
=========================  ==================================================================

In central hypothyroidism TSH says nothing; where it is kept low on purpose it is judged by its goal
alone; in pregnancy a low TSH lowers nothing.
"""

from collections.abc import Iterator
from fractions import Fraction

from crossgrain.dosing.need import UNCHANGED
from crossgrain.dosing.plan import Statement
from crossgrain.dosing.policy import Policy, TodaysTsh
from crossgrain.names.printing import amount, decimal
from crossgrain.names.values import frozen
from crossgrain.safety import results
from crossgrain.safety.facts import Analyte, Facts, Measurement
from crossgrain.safety.results import has_goal, is_central, is_pregnant, lower_limit, upper_limit
from crossgrain.safety.rule import Rule, listed

SHORTAGE = "shortage-today"
"""The rule that owns the limits by which a TSH is judged here."""
_BIOTIN = frozenset({"biotin"})
_LOW = {TodaysTsh.LOW, TodaysTsh.SUPPRESSED}


@frozen
class NeedReading:
    """What today's TSH says of today's dose.

    Attributes
    ----------
    says : what it says of today's dose; ``None`` where it changes nothing
    why : from what, in words
    results : what it rests on
    """

    says: TodaysTsh | None
    why: str
    results: tuple[Measurement, ...] = ()


@frozen
class TodaysNeed:
    """How much of today's dose is needed, as a number and in words."""

    part: Fraction
    said: Statement


def need_of(facts: Facts, rule: Rule, policy: Policy) -> TodaysNeed:
    """What a plan is measured against, by today's TSH."""
    reading = need_reading(facts, rule)
    part = policy.need[reading.says] if reading.says else UNCHANGED
    origins = tuple(dict.fromkeys(m.origin for m in reading.results))
    title, follows = _follows(part)
    return TodaysNeed(
        part, Statement(title, f"{reading.why}{follows}", origins, policy.need_source)
    )


def _follows(part: Fraction) -> tuple[str, str]:
    times = decimal(part)
    if part > UNCHANGED:
        return (
            f"Today's TSH asks for more: coverage is measured against {times} times today's dose",
            ". The old medicine falls less for it. The checkpoint is not raised: more than the"
            " charts call equal is given only after the labs there",
        )
    if part < UNCHANGED:
        return (
            f"Today's TSH asks for less: the plan aims at {times} times today's dose",
            ". Every target and the checkpoint come so much lower, and coverage is measured against"
            " it",
        )
    return "Today's TSH changes nothing of this plan", ""


def need_reading(facts: Facts, rule: Rule) -> NeedReading:
    """Read today's TSH (and free T4) by the numbers of the rule `SHORTAGE`."""
    found = results.latest(facts, Analyte.TSH, rule.number("fresh"))
    if not found:
        return NeedReading(None, "the record holds none")
    shown = f"it is {results.shown(found)}"
    for why in _says_nothing(facts, found, rule):
        return NeedReading(None, f"{shown}, {why}", found)
    says = _says(facts, found[0], rule)
    shown = f"{shown}, {_place(facts, found[0], says, rule)}"
    short = _low_free_t4(facts, rule)
    if short:
        return _with_free_t4(NeedReading(says, shown, found), short)
    if says in _LOW and is_pregnant(facts):
        return NeedReading(None, f"{shown}, and in pregnancy that lowers nothing", found)
    return NeedReading(says, shown, found)


def _with_free_t4(tsh: NeedReading, short: tuple[Measurement, ...]) -> NeedReading:
    """The same beside a low free T4: overt, unless the two contradict each other."""
    both = (*tsh.results, *short)
    why = f"{tsh.why}, and free T4 is {results.shown(short)}, below its range"
    if tsh.says in _LOW:
        return NeedReading(None, f"{why}: the two contradict each other", both)
    return NeedReading(TodaysTsh.FRANKLY_HIGH, why, both)


def _says_nothing(facts: Facts, found: tuple[Measurement, ...], rule: Rule) -> Iterator[str]:
    """Why results that stand in the record say nothing of today's dose, as it is taken now."""
    if is_central(facts):
        yield "and no guide in central hypothyroidism"
    if has_goal(facts):
        yield "and kept low on purpose, so that only its own goal tells"
    yield from does_not_count(facts, found, rule)
    if len({_says(facts, m, rule) for m in found}) > 1:
        yield "results that contradict each other"
    if not all(results.tells_its_side(facts, m, rule) for m in found):
        yield "which does not tell whether it is low, in range or high"


def does_not_count(facts: Facts, found: tuple[Measurement, ...], rule: Rule) -> Iterator[str]:
    """Why a result does not speak of today's dose, as it is taken now."""
    fresh, steady = rule.number("fresh"), rule.number("steady")
    days = [m.day for m in found if m.day is not None and not m.preliminary]
    if len(days) < len(found):
        yield "not final or without a date"
        return
    if max(days) < -fresh:
        yield f"more than {amount(fresh)} days old"
    since = facts.regimen_changed_days_ago
    if since is not None and min(days) + since < steady:
        yield f"drawn less than {amount(steady)} days after the last change of dose"
    ended = [k.day for k in facts.stopped or ()]
    if any(day is None or min(days) - day < steady for day in ended):
        yield f"drawn less than {amount(steady)} days after another thyroid hormone ended"
    if listed(facts.medicines, _BIOTIN):
        yield "with biotin taken, which makes it read falsely"


def _says(facts: Facts, tsh: Measurement, rule: Rule) -> TodaysTsh | None:
    if results.is_above(tsh, upper_limit(facts, tsh, rule)):
        frankly = results.is_above(tsh, rule.number("frankly_high"))
        return TodaysTsh.FRANKLY_HIGH if frankly else TodaysTsh.HIGH
    if results.is_below(tsh, lower_limit(facts, tsh, rule)):
        suppressed = results.is_below(tsh, rule.number("suppressed"))
        return TodaysTsh.SUPPRESSED if suppressed else TodaysTsh.LOW
    return None


def _low_free_t4(facts: Facts, rule: Rule) -> tuple[Measurement, ...]:
    """Free T4 certainly below the laboratory's own range, where no T3 is swallowed.

    With swallowed T3 a low free T4 is expected.
    """
    if facts.regimen.t3_ug:
        return ()
    found = results.latest(facts, Analyte.FREE_T4, rule.number("fresh"))
    low = all(m.low is not None and results.is_below(m, m.low) for m in found)
    counts = not any(does_not_count(facts, found, rule)) if found else False
    return found if low and counts else ()


def _place(facts: Facts, tsh: Measurement, says: TodaysTsh | None, rule: Rule) -> str:
    """Where it lies within the patient's own limits."""
    low, high = lower_limit(facts, tsh, rule), upper_limit(facts, tsh, rule)
    match says:
        case TodaysTsh.FRANKLY_HIGH:
            return f"above {amount(rule.number('frankly_high'))}"
        case TodaysTsh.HIGH:
            return f"above this patient's limit of {amount(high)}"
        case TodaysTsh.LOW:
            return f"below this patient's limit of {amount(low)}"
        case TodaysTsh.SUPPRESSED:
            return f"below {amount(rule.number('suppressed'))}"
        case None:
            return f"neither below {amount(low)} nor above {amount(high)}, this patient's limits"
