"""The bases side by side, and how far apart they are."""

from crossgrain.cli.show.numbers import dose
from crossgrain.cli.show.page import Page
from crossgrain.dosing.plan import BasisRow, Plan
from crossgrain.dosing.wording import standing_words
from crossgrain.writing.labels import micrograms


def show_comparison(page: Page, plan: Plan) -> None:
    """The target on every basis; which one is aimed at, which one set the checkpoint."""
    page.heading("The target on every basis")
    page.table(
        ("basis", "old regimen", "target a day", "grade", ""),
        (_row(row, plan) for row in plan.comparison),
    )
    worth = [row.lt4_equivalent_ug for row in plan.comparison if row.lt4_equivalent_ug is not None]
    if worth and min(worth) != max(worth):
        page.line(
            f"The old regimen is worth {micrograms(min(worth))} to {micrograms(max(worth))} LT4,"
            f" a factor of {float(max(worth) / min(worth)):.2f} between the charts."
        )
    for row in plan.comparison:
        if row.basis_id == plan.basis_id and row.standing:
            page.line(f"“{row.basis_id}” against {standing_words(row.standing)}.")


def _row(row: BasisRow, plan: Plan) -> tuple[str, str, str, str, str]:
    marks = []
    if row.basis_id == plan.basis_id:
        marks.append("aimed at")
    if row.basis_id == plan.checkpoint.set_by:
        marks.append("sets the checkpoint")
    if not row.sets_checkpoint:
        marks.append("comparison only")
    worth = "–" if row.lt4_equivalent_ug is None else f"LT4 {micrograms(row.lt4_equivalent_ug)}"
    target = row.refused or (dose(row.target) if row.target else "–")
    return row.basis_id, worth, target, row.grade, ", ".join(marks)
