"""What the patient and the rules say since the last visit: alarm, symptoms, days missed.

Each is one dimension of the table of the next step. What an earlier visit has answered is not
weighed again: a report or a pulse counts from the day after it.
"""

from collections.abc import Iterable, Iterator, Sequence
from fractions import Fraction

from crossgrain.catalogue import Catalogue
from crossgrain.dosing.onward import Act, Dated
from crossgrain.names.values import frozen
from crossgrain.reading.series_mark import SeriesFacts
from crossgrain.safety import results
from crossgrain.safety.facts import Analyte, Facts, Known
from crossgrain.safety.results import is_pregnant
from crossgrain.safety.rule import Finding, RuleTable, Severity, listed
from crossgrain.safety.visit import Alarm, DosesTaken, TooFast

_MILD = frozenset({"jitters", "sleeplessness"})


@frozen
class Since:
    """From which day on something is news.

    Attributes
    ----------
    day : the first day whose reports no visit has answered; the past is negative
    """

    day: int

    def is_new(self, day: int | None) -> bool:
        """Undated, it may be of today."""
        return day is None or day >= self.day


def turned_back(facts: SeriesFacts | None) -> bool:
    """Whether an earlier visit has led back to the medicine before."""
    return facts is not None and any(act.act is Act.TURN_BACK for act in facts.acts)


def course_alarm(
    facts: Facts, series: SeriesFacts | None, findings: Iterable[Finding], catalogue: Catalogue
) -> Alarm:
    """What speaks against the plan as a whole, the gravest first.

    Parameters
    ----------
    series : what the running plan says of itself; ``None`` where none runs
    findings : what the safety rules raise today
    """
    codes = catalogue.alarms
    known = {finding.code for finding in findings if finding.severity is Severity.STOP}
    if known & codes.emergency:
        return Alarm.EMERGENCY
    if is_pregnant(facts) and _not_made_for_pregnancy(facts, series):
        return Alarm.PREGNANCY
    return Alarm.RULE if known - codes.elsewhere - codes.pregnancy else Alarm.NONE


def _not_made_for_pregnancy(facts: Facts, series: SeriesFacts | None) -> bool:
    """T3 is swallowed or aimed at, or LT4 was started at less than a pregnancy needs."""
    if turned_back(series):
        return False
    if facts.regimen.t3_ug:
        return series is None or not series.most_generous
    return series is not None and not (series.most_generous or series.titration)


def too_fast(facts: Facts, since: Since, rules: RuleTable) -> TooFast:
    """Signs of too fast a climb that no visit has answered.

    What the patient has since answered no to is over: to ask files nothing, so without that one
    yes would be asked about at every visit until it is old.
    """
    rule = rules.before["new-palpitations"]
    reported = tuple(_not_over(facts))
    said = listed(facts.conditions, rule.keys) + listed(reported, rule.keys)
    if _any_new(said, since, rule.number("new")) or _is_fast(facts, since, rules):
        return TooFast.PALPITATIONS
    mild = listed(reported, _MILD)
    return TooFast.JITTERS if _any_new(mild, since, rule.number("new")) else TooFast.NONE


def _not_over(facts: Facts) -> Iterator[Known]:
    """What was answered yes, and not no on a later day."""
    for said in facts.reported:
        days = [no.day for no in facts.answered_no if no.key == said.key and no.day is not None]
        if said.day is None or max(days, default=said.day) <= said.day:
            yield said


def _any_new(found: Iterable[Known], since: Since, days: Fraction) -> bool:
    return any(since.is_new(k.day) and (k.day is None or -k.day <= days) for k in found)


def _is_fast(facts: Facts, since: Since, rules: RuleTable) -> bool:
    """Whether the latest pulse is fast, by the rule on a fast pulse."""
    rule = rules.before["heart-rate-high"]
    found = results.latest(facts, Analyte.HEART_RATE, rule.number("fresh"))
    return any(
        results.is_above(m, rule.number("highest"))
        and since.is_new(m.day)
        and (m.day is None or -m.day <= rule.number("fresh"))
        for m in found
    )


def doses_taken(
    facts: Facts, taken: Sequence[Dated], since: Since, catalogue: Catalogue
) -> DosesTaken:
    """What was taken beside what was ordered.

    Parameters
    ----------
    taken : from day one to yesterday
    """
    if not facts.regimen.lines:
        return DosesTaken.STOPPED
    limits, missed = catalogue.visits, missed_days(facts, since, catalogue.rules)
    steady = int(catalogue.rules.before["shortage-today"].number("steady"))
    gaps = [gap for gap in gaps_in(taken) if gap[1] >= max(since.day, -steady)]
    if missed >= limits.gap_days or any(b - a + 1 >= limits.gap_days for a, b in gaps):
        return DosesTaken.GAP
    most = catalogue.rules.before["doses-missed"].number("most")
    return DosesTaken.MISSED if missed > most else DosesTaken.AS_ORDERED


def missed_days(facts: Facts, since: Since, rules: RuleTable) -> int:
    """Of the fourteen days before the latest report, those missed; 0 where none is new."""
    fresh = rules.before["doses-missed"].number("fresh")
    new = [
        said
        for said in facts.missed
        if since.is_new(said.day) and (said.day is None or -said.day <= fresh)
    ]
    latest = max((said.day for said in new if said.day is not None), default=None)
    return max((s.count for s in new if s.day is None or s.day == latest), default=0)


def gaps_in(taken: Sequence[Dated]) -> tuple[tuple[int, int], ...]:
    """The first and last day of each run of days without hormone, from the first dose on."""
    gaps, next_day = [], None
    for one in sorted(taken, key=lambda each: each.first_day):
        if next_day is not None and one.first_day > next_day:
            gaps.append((next_day, one.first_day - 1))
        next_day = max(next_day or one.first_day, one.last_day + 1)
    if next_day is not None and next_day < 0:
        gaps.append((next_day, -1))
    return tuple(gaps)
