"""``crossgrain import``: a national catalogue's CSV led to a file of products."""

from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby
from pathlib import Path

import typer

from crossgrain import __version__
from crossgrain.catalogue import load_catalogue
from crossgrain.catalogue.national import (
    ANOTHER,
    FORMS_DOSED,
    Layout,
    RowLeftOut,
    imported,
    products_file,
)
from crossgrain.cli.commands import Exit
from crossgrain.names.errors import DomainError


def forms_said(written: Iterable[str]) -> dict[str, str]:
    """What each code of a form means: ``TAB=tablet``."""
    said: dict[str, str] = {}
    for each in written:
        code, _, meaning = each.rpartition("=")
        if not code or meaning not in FORMS_DOSED:
            raise typer.BadParameter(
                f"--form-is {each}: write CODE= and {' or '.join(FORMS_DOSED)}"
            )
        said[code] = meaning
    return said


def import_file(file: Path, encoding: str, layout: Layout, chart: Path | None, out: Path) -> Exit:
    """Write the products, and print what was left out and why.

    It ends with 3 where a row that may be thyroid hormone was left out: somebody should look.
    Where the catalogue cannot be read as it is said to be written, nothing is written.
    """
    try:
        catalogue = load_catalogue(chart)
    except DomainError as wrong:
        return _complain(f"--chart, {wrong.field}: {wrong.message}")
    try:
        products, left = imported(
            file.read_bytes(), encoding, layout, catalogue.codes, catalogue.preparations
        )
        if products:
            text = products_file(products, layout, file.name, __version__)
            _write(out, text)
    except DomainError as wrong:
        return _complain(f"{file}: {wrong.field}: {wrong.message}")
    except OSError as wrong:
        return _complain(f"{wrong.filename or out}: {wrong.strerror}")
    for line in left_out(left):
        typer.echo(line)
    uncertain = sum(row.reason != ANOTHER for row in left)
    others = len(left) - uncertain
    if not products:
        return _complain(f"{file}: no row became a product, so nothing was written")
    typer.echo(
        f"{out}: {len(products)} products. Left out: {uncertain} rows that may be thyroid hormone,"
        f" {others} of other medicines."
    )
    return Exit.DATA_REQUIRED if uncertain else Exit.PLAN


def left_out(rows: Sequence[RowLeftOut]) -> Iterator[str]:
    """A line for each row; rows of other medicines that follow each other share one."""
    numbered = groupby(
        enumerate(rows), lambda each: (each[1].reason == ANOTHER, each[1].row - each[0])
    )
    for (another, _), held in numbered:
        run = [row for _, row in held]
        if another:
            several = len(run) > 1
            place = f"rows {run[0].row} to {run[-1].row}" if several else f"row {run[0].row}"
            yield f"{place}: {ANOTHER}"
        else:
            yield from (f"row {row.row}: {row.name}: {row.reason}" for row in run)


def _write(out: Path, text: str) -> None:
    """Whole or not at all."""
    beside = out.with_name(f".{out.name}.part")
    beside.write_text(text, "utf-8", newline="\n")
    beside.replace(out)


def _complain(words: str) -> Exit:
    typer.echo(f"crossgrain: {words}", err=True)
    return Exit.ERROR
