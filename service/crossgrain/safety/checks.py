"""What findings want measured on the way besides thyroid labs: pulse, tracing, INR and the like.

A rule of the file names a check and when it is due; the plan gives the days. A check asked for by
several findings is one.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from itertools import pairwise

from crossgrain.dosing.plan import Branch, LabDraw, Plan, Step
from crossgrain.safety.rule import Finding, Missing, Rule, RuleTable, rule_of


class CheckKind(StrEnum):
    """What is measured; the spelling used in the rules file."""

    PULSE = "pulse"
    ECG = "ecg"
    INR = "inr"
    GLUCOSE = "glucose"
    DIGOXIN = "digoxin"
    LITHIUM = "lithium"


class Due(StrEnum):
    """When a check is due; the spelling used in the rules file."""

    START = "start"  # before the first dose
    T3_RISES = "t3-rises"  # on each day on which more T3 is swallowed than the day before
    T3_PEAK = "t3-peak"  # on the day of the highest modelled T3
    AFTER_STEPS = "after-steps"  # before the first dose, after every change, with the last labs
    DRAWS = "draws"  # before the first dose, and whenever blood is drawn
    FIRST_DRAW = "first-draw"  # with the first blood after day one
    CHECKPOINT = "checkpoint"  # with the labs at the checkpoint


@dataclass(frozen=True, slots=True)
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
    t3_now_ug : what T3 is swallowed today
    """
    asked = [
        (CheckKind(kind), Due(due), rule, finding.code)
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


def _in_series(due: Due, rule: Rule | Missing, plan: Plan, t3_now_ug: Fraction) -> Iterator[int]:
    drawn, checkpoint = [draw.day for draw in plan.labs], plan.checkpoint.lab_day
    match due:
        case Due.START:
            yield 0
        case Due.T3_RISES:
            yield from _t3_rises(t3_now_ug, plan.steps)
        case Due.T3_PEAK:
            yield int(plan.forecasts[0].t3_exposure[1].day)
        case Due.AFTER_STEPS:
            after = int(rule.number("after"))
            yield from (0, checkpoint, *(day + after for day in (0, *_changes(plan.steps))))
        case Due.DRAWS:
            yield from (0, *drawn)
        case Due.FIRST_DRAW:
            yield min(day for day in drawn if day > 0)
        case Due.CHECKPOINT:
            yield checkpoint


def _in_branch(due: Due, rule: Rule | Missing, plan: Plan, branch: Branch) -> Iterator[int]:
    """The decision day is a step like any other, where it changes a dose."""
    steps = (plan.steps[-1], *branch.steps)
    drawn = _waited_for(branch.labs)
    match due:
        case Due.T3_RISES:
            yield from _t3_rises(steps[0].t3_ug, branch.steps)
        case Due.AFTER_STEPS:
            after = int(rule.number("after"))
            changed = [day + after for day in _changes(steps)]
            yield from (*changed, *(_settled(branch.labs) if changed else ()))
        case Due.DRAWS:
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
