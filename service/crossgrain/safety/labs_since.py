"""What the labs since the last visit say of the dose that is taken, and whether it can be read yet.

==============  ===========================================================================
unreadable      drawn on biotin, not final, or of an amount that no limit can be set beside
disagreeing     several of one day that say different things
early           drawn before the dose was held for six weeks, in pregnancy for four
incomplete      free T3 is missing where the branches turn on it: at the checkpoint, with T3, beside
                a TSH in range, or above it where a raise may add T3
specialist      results by which no dose changes by itself: a goal, a low TSH in pregnancy,
                central hypothyroidism with T3 that is swallowed
==============  ===========================================================================

Symptoms are not weighed here: the table of the next step reads them beside the labs.
"""

from collections.abc import Iterable, Iterator
from fractions import Fraction

from crossgrain.names.values import frozen
from crossgrain.safety import results
from crossgrain.safety.checks import DRAWN
from crossgrain.safety.facts import Analyte, Facts, Measurement
from crossgrain.safety.results import has_goal, is_central, is_pregnant, lower_limit, upper_limit
from crossgrain.safety.rule import Rule, RuleTable, listed
from crossgrain.safety.visit import LabsSay, Position

_BIOTIN = frozenset({"biotin"})
_TOO_MUCH = {LabsSay.LOW, LabsSay.VERY_LOW}
_TOO_LITTLE = {LabsSay.HIGH, LabsSay.VERY_HIGH}
_EARLY = {
    LabsSay.VERY_LOW: LabsSay.EARLY_SUPPRESSED,
    LabsSay.LOW: LabsSay.EARLY_LOW,
    LabsSay.VERY_HIGH: LabsSay.EARLY_VERY_HIGH,
}


@frozen
class LabsRead:
    """What the labs say, and from what.

    Attributes
    ----------
    says : for the table of the next step
    why : from what, in words; empty where there are none
    found : the results that it rests on
    """

    says: LabsSay
    why: str = ""
    found: tuple[Measurement, ...] = ()


@frozen
class DoseHeld:
    """Since when labs may speak, and of which dose.

    Attributes
    ----------
    position : where in a plan
    not_answered_from : the first day whose labs no earlier answer has weighed
    since : the first day of today's dose without a gap; ``None`` where it is not known, which
        counts
        as long ago
    overdue : whether labs that should have come by now have not
    due : whether the day is here on which the plan has them drawn
    t3_may_rise : whether free T3 has a say in a TSH above the limit: not where labs decide and
        levothyroxine alone rises
    """

    position: Position
    not_answered_from: int
    since: int | None
    overdue: bool
    due: bool = False
    t3_may_rise: bool = True


def labs_since(facts: Facts, held: DoseHeld, rules: RuleTable) -> LabsRead:
    """Read the latest labs that no earlier answer has weighed."""
    guide = Analyte.FREE_T4 if is_central(facts) else Analyte.TSH
    found = _latest(facts, guide, held.not_answered_from)
    if not found:
        return LabsRead(_missing(held))
    shown = f"{DRAWN[guide]} {results.shown(found)}"
    for says, why in _decides_nothing(facts, found, rules):
        return LabsRead(says, f"{shown}: {why}", found)
    day, place = found[0].day or 0, _place(facts, found[0], rules) or LabsSay.UNREADABLE
    free_t3 = [m for m in _final(facts, Analyte.FREE_T3) if m.day == day]
    if held.since is not None and day - held.since < steady_days(facts, rules):
        on_day = day - held.since + 1
        shown += (
            f", drawn on day {on_day} of this dose" if on_day > 0 else ", drawn before this dose"
        )
        return LabsRead(_said_early(facts, place, free_t3), shown, (*found, *free_t3))
    says = _said(facts, place, free_t3, held)
    if says is LabsSay.INCOMPLETE:
        lacks = "range of free T3" if free_t3 else "free T3"
        shown += f", no {lacks} beside it"
    return LabsRead(says, shown, (*found, *free_t3))


def _missing(held: DoseHeld) -> LabsSay:
    """What it says that no labs have come."""
    if held.overdue:
        return LabsSay.OVERDUE
    return LabsSay.DUE if held.due else LabsSay.NONE


def low_tsh(facts: Facts, from_day: int, rules: RuleTable) -> Iterator[tuple[int, LabsSay]]:
    """The days from one on whose TSH calls the dose of the time too much, each with how low it is.

    None where TSH is no guide, or a low one only asks: central hypothyroidism, pregnancy.
    """
    if is_central(facts) or is_pregnant(facts):
        return
    final = _final(facts, Analyte.TSH)
    for day in sorted({m.day for m in final if m.day is not None and from_day <= m.day <= 0}):
        found = tuple(m for m in final if m.day == day)
        place = _place(facts, found[0], rules)
        if place in _TOO_MUCH and not any(_decides_nothing(facts, found, rules)):
            yield day, place


def days_off_biotin(facts: Facts, rules: RuleTable) -> int:
    """Days until blood tells anything: where biotin is taken, those of a high dose of it."""
    takes = any(listed(facts.medicines, _BIOTIN))
    return int(rules.before["biotin"].number("days_high")) if takes else 0


def _decides_nothing(
    facts: Facts, found: tuple[Measurement, ...], rules: RuleTable
) -> Iterator[tuple[LabsSay, str]]:
    """Why results that are there say nothing of the dose on their own."""
    if any(m.preliminary for m in found):
        yield LabsSay.UNREADABLE, "not final"
    drawn = max(m.day for m in found if m.day is not None)
    if any(k.day is None or k.day <= drawn for k in listed(facts.medicines, _BIOTIN)):
        yield LabsSay.UNREADABLE, "drawn on biotin"
    if has_goal(facts) and not is_central(facts):
        yield LabsSay.SPECIALIST, "only the goal's own range tells"
    places = {_place(facts, m, rules) for m in found}
    if len(places) > 1:
        yield LabsSay.DISAGREEING, "they say different things"
    if None in places:
        yield LabsSay.UNREADABLE, "on which side of a limit it lies is open"


def _latest(facts: Facts, analyte: Analyte, from_day: int) -> tuple[Measurement, ...]:
    """Those of the last day with a final result, and what is preliminary since."""
    new = [m for m in results.of(facts, analyte) if m.day is not None and m.day >= from_day]
    last = max((m.day for m in new if not m.preliminary and m.day is not None), default=from_day)
    return tuple(m for m in new if m.day is not None and m.day >= last)


def _final(facts: Facts, analyte: Analyte) -> tuple[Measurement, ...]:
    return tuple(m for m in results.of(facts, analyte) if not m.preliminary)


def steady_days(facts: Facts, rules: RuleTable) -> Fraction:
    """Days from a change of dose to labs that speak of it."""
    if is_pregnant(facts):
        return rules.before["pregnant-moving-to-lt4"].number("weeks") * 7
    return rules.before["shortage-today"].number("steady")


def _place(facts: Facts, found: Measurement, rules: RuleTable) -> LabsSay | None:
    """Where a result lies within the patient's limits; ``None`` where that is not certain."""
    if found.analyte is Analyte.FREE_T4:
        return _place_of_free_t4(found)
    high, low = rules.before["tsh-high"], rules.before["tsh-low"]
    if results.is_above(found, upper_limit(facts, found, high)):
        frankly = results.is_above(found, high.number("frankly"))
        return LabsSay.VERY_HIGH if frankly else LabsSay.HIGH
    if results.is_below(found, lower_limit(facts, found, low)):
        return _low(found, low)
    return None if found.comparator else LabsSay.IN_RANGE


def _low(found: Measurement, rule: Rule) -> LabsSay:
    suppressed = results.is_below(found, rule.number("suppressed"))
    return LabsSay.VERY_LOW if suppressed else LabsSay.LOW


def _place_of_free_t4(found: Measurement) -> LabsSay | None:
    """In central hypothyroidism it belongs in the upper half of the laboratory's range."""
    if found.low is None or found.high is None or found.comparator:
        return None
    if found.value > found.high:
        return LabsSay.LOW
    if found.value < found.low:
        return LabsSay.VERY_HIGH
    middle = (found.low + found.high) / 2
    return LabsSay.HIGH if found.value < middle else LabsSay.IN_RANGE


def _t3_high(free_t3: Iterable[Measurement]) -> bool | None:
    """Whether free T3 is above its own range; ``None`` where no result tells."""
    known = [results.is_above(m, m.high) for m in free_t3 if m.high is not None]
    return any(known) if known else None


def _said_early(facts: Facts, place: LabsSay, free_t3: Iterable[Measurement]) -> LabsSay:
    """What labs on the way may change: they hold or step back, but raise nothing."""
    if is_pregnant(facts):
        return LabsSay.SPECIALIST if place in _TOO_LITTLE else LabsSay.EARLY
    if facts.regimen.t3_ug and _t3_high(free_t3) and place is not LabsSay.VERY_LOW:
        return LabsSay.EARLY_LOW
    if place is LabsSay.VERY_HIGH and is_central(facts) and facts.regimen.t3_ug:
        return LabsSay.EARLY  # swallowed T3 lowers free T4
    return _EARLY.get(place, LabsSay.EARLY)


def _said(facts: Facts, place: LabsSay, free_t3: Iterable[Measurement], held: DoseHeld) -> LabsSay:
    """What labs on a dose that has settled say of it."""
    swallowed, t3_high = facts.regimen.t3_ug > 0, _t3_high(free_t3)
    if is_central(facts) and swallowed:
        return LabsSay.LOW if place is LabsSay.LOW or t3_high else LabsSay.SPECIALIST
    if place in _TOO_MUCH:
        return LabsSay.SPECIALIST if is_pregnant(facts) else place
    if not swallowed or (place in _TOO_LITTLE and not held.t3_may_rise):
        return place
    if t3_high is None and held.position is Position.WAITING:
        return LabsSay.INCOMPLETE
    if t3_high:
        return LabsSay.HIGH_FREE_T3 if place in _TOO_LITTLE else LabsSay.LOW
    return place
