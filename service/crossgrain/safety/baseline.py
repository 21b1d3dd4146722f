"""Which results of the record stand as the baseline, and when the first new dose waits for one.

A result that is recent enough is not drawn again: until day one nothing changes, so it speaks for
the dose that is left. It does not stand where it was drawn before today's dose had settled, where
another thyroid hormone ended of late, or where something taken spoils the measurement.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from enum import StrEnum
from fractions import Fraction

from crossgrain.dosing.plan import LabDraw, Plan
from crossgrain.safety import results
from crossgrain.safety.facts import Analyte, Facts, Measurement
from crossgrain.safety.rule import Finding, RuleTable, rule_of

DRAWN = {Analyte.TSH: "TSH", Analyte.FREE_T4: "free T4", Analyte.FREE_T3: "free T3"}
"""What is drawn, in words; in the order in which it is asked for."""


class BaselineNeed(StrEnum):
    """What a finding asks of the baseline; the spelling used in the rules file."""

    AWAITED = "awaited"  # the first new dose waits for what is still to be drawn
    ANEW = "anew"  # and no result of the record stands


@dataclass(frozen=True, slots=True)
class Baseline:
    """What is known before day one.

    Attributes
    ----------
    stands : the results that are not drawn again
    awaited_by : codes of the findings for which the first new dose waits for the rest
    """

    stands: tuple[Measurement, ...] = ()
    awaited_by: tuple[str, ...] = ()


def baseline_of(
    facts: Facts, findings: Iterable[Finding], rules: RuleTable, starts_in_days: int
) -> Baseline:
    """Which results stand, and for which findings the rest is awaited.

    `starts_in_days` is day one, counted from the day that the record is read.
    """
    needs = {
        finding.code: rule.baseline
        for finding in findings
        if (rule := rule_of(finding, rules)) is not None and rule.baseline
    }
    stands = () if BaselineNeed.ANEW in needs.values() else _standing(facts, rules, starts_in_days)
    return Baseline(stands, () if _is_enough(stands) else tuple(needs))


def _is_enough(stands: Iterable[Measurement]) -> bool:
    """TSH and free T4 are worth a visit of their own; free T3 waits for the next blood."""
    return {Analyte.TSH, Analyte.FREE_T4} <= {measurement.analyte for measurement in stands}


def _standing(facts: Facts, rules: RuleTable, starts_in_days: int) -> tuple[Measurement, ...]:
    numbers = rules.missing["recent-tsh"]
    reuse, settled = numbers.number("reuse"), numbers.number("settled")
    latest = (_latest(facts, analyte, reuse - starts_in_days) for analyte in DRAWN)
    return tuple(m for m in latest if m is not None and _speaks(m, facts, settled))


def _latest(facts: Facts, analyte: Analyte, days: Fraction) -> Measurement | None:
    """The newest final result so recent; ``None`` where two of that day differ."""
    fresh = [m for m in results.of(facts, analyte) if results.is_fresh(m, days)]
    newest = max((m.day for m in fresh if m.day is not None), default=None)
    found = [m for m in fresh if m.day == newest]
    alike = {(m.comparator, m.value) for m in found}
    return found[0] if len(alike) == 1 else None


def _speaks(measurement: Measurement, facts: Facts, settled: Fraction) -> bool:
    """Whether it was drawn once today's dose had settled, as far as the record tells."""
    changed = facts.regimen_changed_days_ago
    return changed is None or changed + (measurement.day or 0) >= settled


def with_baseline(plan: Plan, baseline: Baseline) -> Plan:
    """The plan without the draws that a result of the record makes needless."""
    return replace(plan, labs=tuple(_needed(plan.labs, baseline))) if baseline.stands else plan


def _needed(draws: Iterable[LabDraw], baseline: Baseline) -> Iterator[LabDraw]:
    known = {measurement.analyte for measurement in baseline.stands}
    left = [words for analyte, words in DRAWN.items() if analyte not in known]
    for draw in draws:
        if draw.purpose != "baseline":
            yield draw
        elif not _is_enough(baseline.stands):
            named = " and ".join(left)
            yield replace(
                draw,
                statement=f"{named[:1].upper()}{named[1:]} before the first changed dose",
                leaves_out=tuple(str(analyte) for analyte in DRAWN if analyte in known),
            )
