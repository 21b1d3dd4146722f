"""The bases, and the evidence for them, in a terminal.

The note is the template beside this module with its tables filled in.
"""

from collections.abc import Iterable, Iterator, Sequence
from importlib.resources import files

from jinja2 import Environment, StrictUndefined

from crossgrain.catalogue import Catalogue
from crossgrain.cli.show.reference import Page, count, markdown_table
from crossgrain.dosing.bases import Basis
from crossgrain.dosing.evidence import (
    Arm,
    Comparison,
    Evidence,
    findings,
    heterogeneity,
    predicted,
    serum_rows,
)
from crossgrain.dosing.wording import TSH_WORDS, standing_words, worth_words
from crossgrain.names.printing import decimal, micrograms, whole_percent


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


Rows = Iterable[tuple[str, ...]]


def show_evidence(catalogue: Catalogue, page: Page | None = None) -> None:
    """Print how each basis fares, what each comparison says, and the model beside the papers."""
    page = page or Page()
    page.table(("basis", "against"), _standings(catalogue))
    page.heading("What each comparison says")
    page.table(("comparison", "n", "LT4 alone", "with T3", "TSH", "worth"), _worths(catalogue))
    page.line(f"Its worth is in micrograms of LT4. {_spread_words(catalogue)}")
    page.heading("Serum on the second arm over the first")
    page.table(("comparison", "hormone", "paper", "model", "its band"), _serum(catalogue))
    page.heading("Left out")
    for one in catalogue.evidence.left_out:
        page.line(f"{one.what}: {one.why}.")


def evidence_note(catalogue: Catalogue) -> str:
    """The note as Markdown: what is argued, and the tables that it is argued from."""
    template = files("crossgrain.cli.show").joinpath("evidence.md.jinja").read_text("utf-8")
    environment = Environment(undefined=StrictUndefined, keep_trailing_newline=True)
    evidence = catalogue.evidence
    charts = [f"`{basis.id}`" for basis in catalogue.bases]
    return environment.from_string(template).render(
        standings=markdown_table(("basis", "held against"), _standings(catalogue)),
        worths=markdown_table(
            ("comparison", "n", "LT4 alone", "with T3", "TSH", "worth, micrograms of LT4"),
            _worths(catalogue),
        ),
        predictions=markdown_table(("comparison", "TSH", *charts), _predictions(catalogue)),
        serum=markdown_table(
            ("comparison", "hormone", "paper", "model", "its band"), _serum(catalogue)
        ),
        sources=markdown_table(
            ("comparison", "what it is", "where, how read, grade"), _sources(evidence)
        ),
        left_out=markdown_table(
            ("what", "why"), ((one.what, one.why) for one in evidence.left_out)
        ),
        heterogeneity=_spread_words(catalogue),
        same_tsh=evidence.same_tsh_source,
        within=whole_percent(evidence.same_tsh_within),
        graded_by=evidence.graded_by,
        comparisons=len(evidence.comparisons),
        arms=2 * len(evidence.comparisons),
    )


def arm_words(arm: Arm) -> str:
    """What an arm took a day.

    >>> arm_words(Arm())
    'nothing'
    """
    doses = (("LT4", arm.lt4), ("LT3", arm.lt3), ("desiccated", arm.desiccated))
    parts = []
    for name, dose in doses:
        if dose:
            unit = {"ug/d": "micrograms", "ug/kg/d": "micrograms/kg", "mg/d": "mg"}[dose.unit]
            spread = f" ± {decimal(dose.spread)}" if dose.spread is not None else ""
            parts.append(f"{name} {decimal(dose.mean)}{spread} {unit}")
    return (" + ".join(parts) or "nothing") + (" *" if arm.reckoned else "")


def _standings(catalogue: Catalogue) -> Iterator[tuple[str, ...]]:
    for basis in catalogue.bases:
        if basis.standing:
            made = basis.standing.made_from
            own = f"; not counted, as it was made from them: {', '.join(made)}" if made else ""
            yield basis.id, standing_words(basis.standing) + own


def _worths(catalogue: Catalogue) -> Iterator[tuple[str, ...]]:
    found = {one.comparison.id: one for one in findings(catalogue.evidence)}
    for one in catalogue.evidence.comparisons:
        worth = worth_words(found[one.id]) if one.id in found else "–"
        arms = (arm_words(one.first), arm_words(one.second))
        yield one.id, str(one.n), *arms, TSH_WORDS[one.tsh], worth


def _predictions(catalogue: Catalogue) -> Iterator[tuple[str, ...]]:
    for one in catalogue.evidence.comparisons:
        yield one.id, TSH_WORDS[one.tsh], *(_predicted(one, basis) for basis in catalogue.bases)


def _predicted(comparison: Comparison, basis: Basis) -> str:
    ratio = predicted(comparison, basis)
    if ratio is None:
        return "beyond the chart"
    own = " (made from it)" if basis.id in comparison.made else ""
    return f"{decimal(ratio)}{own}"


def _serum(catalogue: Catalogue) -> Iterator[tuple[str, ...]]:
    for row in serum_rows(catalogue.evidence, catalogue.kinetics):
        free = "free " if getattr(row.comparison.first, row.hormone).free else ""
        yield (
            row.comparison.id,
            f"{free}{row.hormone.upper()}",
            f"{row.published:.2f}",
            f"{row.modelled:.2f}",
            f"{row.low:.2f} to {row.high:.2f}",
        )


def _sources(evidence: Evidence) -> Iterator[tuple[str, ...]]:
    for one in evidence.comparisons:
        weeks = f"; {decimal(one.weeks)} weeks" if one.weeks else ""
        gland = f"; gland: {one.gland.replace('-', ' ')}"
        reckoned = " ".join(f"* {arm.reckoned}." for arm in (one.first, one.second) if arm.reckoned)
        what = " ".join(filter(None, (f"{one.design}{weeks}{gland}.", one.note, reckoned)))
        yield one.id, what, f"{one.source}; {one.where}; {one.read.replace('-', ' ')}; {one.grade}"


def _spread_words(catalogue: Catalogue) -> str:
    spread = heterogeneity(findings(catalogue.evidence))
    return (
        f"The {spread.findings} findings on LT3 at the same TSH disagree by more than chance:"
        f" Cochran's Q {spread.q:.1f} on {spread.findings - 1} degrees of freedom, I²"
        f" {spread.i_squared * 100:.0f} %. So no mean of them is used as a worth."
    )
