"""The dated series: what to take when, where to wait for labs, and what follows them."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import date, timedelta
from itertools import groupby

from crossgrain.cli.show.page import Page, count
from crossgrain.dosing.plan import (
    Branch,
    LabDraw,
    LineDose,
    OrderedCourse,
    Plan,
    Stage,
    Step,
    courses,
)
from crossgrain.dosing.wording import dose_words
from crossgrain.names.printing import short
from crossgrain.safety.tsh import TshLimits
from crossgrain.words.doses import date_words, pieces
from crossgrain.writing.care_plan import NAMES, PARTS
from crossgrain.writing.conditions import BranchCondition, conditions_for, swallows_t3
from crossgrain.writing.dosage import needed

_HEADINGS = ("from", "days", "each day", "tablets a day", "dispense")


def show_series(page: Page, plan: Plan, start: date) -> None:
    """The unconditional steps, to the checkpoint and through its wait."""
    page.heading(f"The series ({plan.pace} pace, old medicine: {plan.prior_therapy})")
    page.table(_HEADINGS, _rows(plan.steps, start))
    for note in _notes(plan.steps):
        page.line(note, style="dim")


def show_checkpoint(page: Page, plan: Plan, start: date, limits: TshLimits) -> None:
    """Where the climb waits, why there, and the three ways on."""
    checkpoint = plan.checkpoint
    held = f", held at {dose_words(checkpoint.held)}" if checkpoint.held_above else ""
    page.heading(f"The checkpoint: {dose_words(checkpoint.dose)} a day{held}")
    which = "smallest target of any chart" if checkpoint.is_smallest else "largest sourced target"
    page.line(
        f"Reached on {_on(start, checkpoint.day)}, the {which}"
        f" ({checkpoint.set_by}). Bloods on {_on(start, checkpoint.lab_day)}; decide from"
        f" {_on(start, checkpoint.decision_day)}. Nothing rises before those labs."
    )
    conditions = conditions_for(limits, swallows_t3=swallows_t3(plan))
    for branch in checkpoint.branches:
        _show_branch(page, branch, start, conditions[branch.reading])


def show_labs(page: Page, labs: Sequence[LabDraw], start: date) -> None:
    """When bloods are drawn, and what for."""
    page.heading("Labs")
    for draw in labs:
        page.line(f"{_on(start, draw.day)}: {draw.statement}")


def _show_branch(page: Page, branch: Branch, start: date, condition: BranchCondition) -> None:
    page.line(f"{condition.title}: if {condition.words}. {branch.statement}", style="bold")
    if branch.steps:
        page.table(_HEADINGS, _rows(branch.steps, start))
    for draw in branch.labs:
        page.line(f"Bloods {_on(start, draw.day)}: {draw.statement}", indent=4, style="dim")


def _rows(steps: Sequence[Step], start: date) -> Iterator[tuple[str, ...]]:
    """One row per medicine; the first of a step says when it begins and how long it lasts."""
    begun = {(course.line.preparation.id, course.first_day): course for course in courses(steps)}
    for step in _unchanging(steps):
        when = [(start + timedelta(days=step.first_day)).isoformat(), f"{step.days}"]
        for line in step.lines:
            order = begun.get((line.preparation.id, step.first_day))
            yield (*when, _taken(line), _tablets(line), _dispensed(order, step))
            when = ["", ""]
        if step.stage is Stage.HOLD:
            yield ("", "", "and wait for labs", "", "")


def _unchanging(steps: Sequence[Step]) -> Iterator[Step]:
    """Steps that follow each other at the same doses, as one."""
    for _, same in groupby(steps, key=lambda step: (step.stage, step.lines)):
        together = list(same)
        yield replace(together[0], last_day=together[-1].last_day)


def _taken(line: LineDose) -> str:
    amount = short(line.amount, line.preparation.unit)
    split = f", in {line.doses_per_day} doses" if line.doses_per_day > 1 else ""
    return f"{PARTS[line.part]} {NAMES[line.preparation.kind]} {amount}{split}"


def _tablets(line: LineDose) -> str:
    if line.tablets is None:
        return "as taken now"
    if line.week:
        return pieces(line)
    return " + ".join(
        f"{count(piece.count)} × {short(piece.strength, line.preparation.unit)}"
        for piece in line.tablets.pieces
    )


def _dispensed(order: OrderedCourse | None, step: Step) -> str:
    """The tablets of the order that begins here; nothing while an earlier one runs on."""
    if order is None or order.line.tablets is None:
        return ""
    tablets = needed(order)
    return tablets if order.last_day == step.last_day else f"{tablets} ({order.days} d)"


def _notes(steps: Sequence[Step]) -> list[str]:
    return list(dict.fromkeys(line.note for step in steps for line in step.lines if line.note))


def _on(start: date, day: int) -> str:
    return date_words(start + timedelta(days=day))
