"""What findings want measured besides thyroid labs, and which results stand as the baseline.

A baseline that is recent enough is not drawn again: nothing changes until day one, so it speaks for
the dose that the patient comes from. It does not stand where it was drawn before today's dose had
settled, where another thyroid hormone ended recently, or where something taken spoils the
measurement.

A rule of the file names a check and when it is due; the plan gives the days. A check asked for by
several findings is one.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from enum import StrEnum
from fractions import Fraction
from itertools import pairwise

from crossgrain.dosing.plan import Branch, LabDraw, Plan
from crossgrain.dosing.steps import Step
from crossgrain.names.values import frozen
from crossgrain.safety import results
from crossgrain.safety.facts import Analyte, Facts, Measurement
from crossgrain.safety.rule import Finding, Missing, Rule, RuleTable, rule_of

DRAWN = {Analyte.TSH: "TSH", Analyte.FREE_T4: "free T4", Analyte.FREE_T3: "free T3"}
"""What is drawn, in words; in the order in which it is asked for."""


class BaselineNeed(StrEnum):
    """What a finding asks of the baseline; the spelling used in the rules file."""

    AWAITED = "awaited"  # the first new dose waits for the labs that are still to be drawn
    ANEW = "anew"  # it waits, and no result in the record stands


@frozen
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
    """Whether TSH and free T4 stand; free T3 is not worth a visit, and waits for the next draw."""
    return {Analyte.TSH, Analyte.FREE_T4} <= {measurement.analyte for measurement in stands}


def _standing(facts: Facts, rules: RuleTable, starts_in_days: int) -> tuple[Measurement, ...]:
    numbers = rules.missing["recent-tsh"]
    reuse, settled = numbers.number("reuse"), numbers.number("settled")
    latest = (_latest(facts, analyte, reuse - starts_in_days) for analyte in DRAWN)
    return tuple(
        m
        for m in latest
        if m is not None
        and results.tells_its_side(facts, m, numbers)
        and _speaks(m, facts, settled)
    )


def _latest(facts: Facts, analyte: Analyte, days: Fraction) -> Measurement | None:
    """The newest final result that is recent enough; ``None`` where two of that day differ."""
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
    """The plan without the draws that a result in the record makes unnecessary."""
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


class CheckKind(StrEnum):
    """What is measured; the spelling used in the rules file."""

    PULSE = "pulse"
    ECG = "ecg"
    INR = "inr"
    GLUCOSE = "glucose"
    DIGOXIN = "digoxin"
    LITHIUM = "lithium"


class CheckDue(StrEnum):
    """When a check is due; the spelling used in the rules file."""

    START = "start"  # before the first dose
    T3_RISES = "t3-rises"  # on each day on which more T3 is swallowed than the day before
    T3_PEAK = "t3-peak"  # on the day of the highest modelled T3
    AFTER_STEPS = "after-steps"  # before the first dose, after every change, with the last labs
    DRAWS = "draws"  # before the first dose, and whenever blood is drawn
    START_AND_FIRST_DRAW = "start-and-first-draw"  # before the first dose, then at the first draw
    CHECKPOINT = "checkpoint"  # with the labs at the checkpoint


@frozen
class DatedCheck:
    """One thing to measure, on some days of the plan.

    Attributes
    ----------
    kind : what
    days : day 0 is the plan's first; in order
    asked_by : codes of the findings that ask for it
    """

    kind: CheckKind
    days: tuple[int, ...]
    asked_by: tuple[str, ...]


Checks = Mapping[str, tuple[DatedCheck, ...]]
"""Those of the series under `SERIES`, those of each branch under its reading."""
SERIES = "series"


def checks_of(
    findings: Iterable[Finding], rules: RuleTable, plan: Plan, t3_now_ug: Fraction
) -> Checks:
    """What some findings want measured over a plan, by part of it.

    Parameters
    ----------
    findings : all that were raised
    rules : the rules that raised them
    plan : the plan
    t3_now_ug : T3 swallowed today, µg per day
    """
    asked = [
        (CheckKind(kind), CheckDue(due), rule, finding.code)
        for finding in findings
        if (rule := rule_of(finding, rules)) is not None
        for kind, due in rule.checks.items()
    ]
    return {
        SERIES: _joined(
            (kind, code, _in_series(due, rule, plan, t3_now_ug)) for kind, due, rule, code in asked
        ),
        **{
            str(branch.reading): _joined(
                (kind, code, _in_branch(due, rule, plan, branch)) for kind, due, rule, code in asked
            )
            for branch in plan.checkpoint.branches
        },
    }


def _joined(asked: Iterable[tuple[CheckKind, str, Iterable[int]]]) -> tuple[DatedCheck, ...]:
    days: dict[CheckKind, set[int]] = {}
    codes: dict[CheckKind, dict[str, None]] = {}
    for kind, code, on in asked:
        days.setdefault(kind, set()).update(on)
        codes.setdefault(kind, {})[code] = None
    return tuple(
        DatedCheck(kind, tuple(sorted(days[kind])), tuple(codes[kind]))
        for kind in CheckKind
        if days.get(kind)
    )


def _in_series(
    due: CheckDue, rule: Rule | Missing, plan: Plan, t3_now_ug: Fraction
) -> Iterator[int]:
    drawn, checkpoint = [draw.day for draw in plan.labs], plan.checkpoint.lab_day
    match due:
        case CheckDue.START:
            yield 0
        case CheckDue.T3_RISES:
            yield from _t3_rises(t3_now_ug, plan.steps)
        case CheckDue.T3_PEAK:
            yield int(plan.forecasts[0].t3_exposure[1].day)
        case CheckDue.AFTER_STEPS:
            after = int(rule.number("after"))
            yield from (0, checkpoint, *(day + after for day in (0, *_changes(plan.steps))))
        case CheckDue.DRAWS:
            yield from (0, *drawn)
        case CheckDue.START_AND_FIRST_DRAW:
            yield from (0, *sorted(day for day in drawn if day > 0)[:1])
        case CheckDue.CHECKPOINT:
            yield checkpoint


def _in_branch(due: CheckDue, rule: Rule | Missing, plan: Plan, branch: Branch) -> Iterator[int]:
    """The decision day is a step like any other, if it changes a dose."""
    steps = (plan.steps[-1], *branch.steps)
    drawn = _waited_for(branch.labs)
    match due:
        case CheckDue.T3_RISES:
            yield from _t3_rises(steps[0].t3_ug, branch.steps)
        case CheckDue.AFTER_STEPS:
            after = int(rule.number("after"))
            changed = [day + after for day in _changes(steps)]
            yield from (*changed, *(_settled(branch.labs) if changed else ()))
        case CheckDue.DRAWS:
            yield from drawn
        case _:
            return


def _waited_for(draws: Sequence[LabDraw]) -> list[int]:
    """The draws before maintenance: after them nothing of the move is left to watch."""
    return [draw.day for draw in draws if draw.purpose != "maintenance"]


def _settled(draws: Sequence[LabDraw]) -> list[int]:
    """The first draw on a dose that has settled."""
    return [draw.day for draw in draws if draw.purpose not in {"interim", "maintenance"}][:1]


def _t3_rises(before_ug: Fraction, steps: Sequence[Step]) -> Iterator[int]:
    for step in steps:
        if step.t3_ug > before_ug:
            yield step.first_day
        before_ug = step.t3_ug


def _changes(steps: Sequence[Step]) -> list[int]:
    """The first days of the steps that change a dose."""
    doses = [{ln.preparation.id: ln.amount for ln in step.lines} for step in steps]
    return [
        step.first_day for step, (a, b) in zip(steps[1:], pairwise(doses), strict=True) if a != b
    ]
