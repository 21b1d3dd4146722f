"""The dated series: what to take when, where to wait for labs, and what follows them."""

from collections.abc import Sequence
from datetime import date, timedelta

from crossgrain.cli.show.numbers import count, dose
from crossgrain.cli.show.page import Page
from crossgrain.dosing.plan import Branch, LabDraw, LineDose, Plan, Stage, Step
from crossgrain.fhir.write.words import date_words, number

_UNITS = {"ug": "µg", "mg": "mg"}


def show_series(page: Page, plan: Plan, start: date) -> None:
    """The unconditional steps, to the checkpoint and through its wait."""
    page.heading(f"The series ({plan.pace} pace, old medicine: {plan.prior_therapy})")
    page.table(("from", "to", "days", "each day", "tablets needed", ""), _rows(plan.steps, start))
    for note in _notes(plan.steps):
        page.line(note, style="dim")


def show_checkpoint(page: Page, plan: Plan, start: date) -> None:
    """Where the climb waits, why there, and the three ways on."""
    checkpoint = plan.checkpoint
    page.heading(f"The checkpoint: {dose(checkpoint.dose)} a day")
    page.line(
        f"Reached on {_on(start, checkpoint.day)}, the smallest target of any chart"
        f" ({checkpoint.set_by}). Bloods on {_on(start, checkpoint.lab_day)}; decide from"
        f" {_on(start, checkpoint.decision_day)}. Nothing rises before those labs."
    )
    for branch in checkpoint.branches:
        _show_branch(page, branch, start)


def show_labs(page: Page, labs: Sequence[LabDraw], start: date) -> None:
    """When bloods are drawn, and what for."""
    page.heading("Labs")
    for draw in labs:
        page.line(f"{_on(start, draw.day)}: {draw.statement}")


def _show_branch(page: Page, branch: Branch, start: date) -> None:
    page.line(f"If {branch.reading}: {branch.statement}", style="bold")
    if branch.steps:
        page.table(
            ("from", "to", "days", "each day", "tablets needed", ""), _rows(branch.steps, start)
        )
    for draw in branch.labs:
        page.line(f"Bloods {_on(start, draw.day)}: {draw.statement}", indent=4, style="dim")


def _rows(steps: Sequence[Step], start: date) -> list[tuple[str, ...]]:
    return [
        (
            (start + timedelta(days=step.first_day)).isoformat(),
            (start + timedelta(days=step.last_day)).isoformat(),
            str(step.days),
            "\n".join(_taken(line) for line in step.lines) or "nothing",
            "\n".join(_needed(line, step.days) for line in step.lines),
            "wait for labs" if step.stage is Stage.HOLD else "",
        )
        for step in steps
    ]


def _taken(line: LineDose) -> str:
    amount = f"{number(line.amount)} {_UNITS[line.preparation.unit]}"
    split = f", in {line.doses_per_day} doses" if line.doses_per_day > 1 else ""
    return f"{line.part}: {line.preparation.id} {amount}{split}"


def _needed(line: LineDose, days: int) -> str:
    if line.tablets is None:
        return "own supply, as now"
    unit = _UNITS[line.preparation.unit]
    return " + ".join(
        f"{count(piece.count)} × {number(piece.strength)} {unit}"
        f" (dispense {-(-piece.count * days // 1)})"
        for piece in line.tablets.pieces
    )


def _notes(steps: Sequence[Step]) -> list[str]:
    return list(dict.fromkeys(line.note for step in steps for line in step.lines if line.note))


def _on(start: date, day: int) -> str:
    return date_words(start + timedelta(days=day))
