"""``crossgrain bases``: every chart, what it says and who says it."""

from collections.abc import Sequence

from crossgrain.cli.show.page import Page, count
from crossgrain.dosing.bases import Basis
from crossgrain.dosing.wording import standing_words
from crossgrain.names.printing import micrograms


def show_bases(bases: Sequence[Basis], page: Page | None = None) -> None:
    """Print the charts side by side, then the rows of those that are tables."""
    page = page or Page()
    page.table(
        ("basis", "LT4 per grain", "LT4 per microgram of LT3", "grade", "sets a checkpoint"),
        (_row(basis) for basis in bases),
    )
    for basis in bases:
        page.heading(basis.id)
        page.line(basis.statement)
        for row in basis.rows:
            page.line(
                f"LT4 {micrograms(row.lt4_ug)} = {count(row.grains)} grains"
                f" = LT3 {micrograms(row.lt3_ug)}"
            )
        if basis.standing:
            page.line(f"Against {standing_words(basis.standing)}.")
        page.line(f"Source: {basis.source}", style="dim")


def _row(basis: Basis) -> tuple[str, ...]:
    weights = basis.weights
    return (
        basis.id,
        micrograms(weights.lt4_ug_per_grain) if weights else "a table",
        micrograms(weights.lt4_ug_per_lt3_ug) if weights else "a table",
        basis.grade,
        "yes" if basis.sets_checkpoint else "no, comparison only",
    )
