"""What the command line prints of the service's own tables: what is known before any patient."""

from pathlib import Path

import typer

from crossgrain import __version__
from crossgrain.catalogue import Catalogue, load_catalogue
from crossgrain.cli.commands import Exit
from crossgrain.names.errors import DomainError
from crossgrain.names.identity import FhirVersion


def show_bases(chart: Path | None) -> Exit:
    """Print every basis, or say what is wrong with the chart."""
    catalogue = _with_chart(chart)
    if catalogue is None:
        return Exit.ERROR
    from crossgrain.cli.show.evidence import show_bases as show  # noqa: PLC0415

    show(catalogue.bases)
    return Exit.PLAN


def show_evidence(chart: Path | None, *, markdown: bool) -> Exit:
    """Print how every basis fares, or the whole note; or say what is wrong with the chart."""
    catalogue = _with_chart(chart)
    if catalogue is None:
        return Exit.ERROR
    from crossgrain.cli.show import evidence as show  # noqa: PLC0415

    if markdown:
        typer.echo(show.evidence_note(catalogue), nl=False)
    else:
        show.show_evidence(catalogue)
    return Exit.PLAN


def show_numbers(chart: Path | None, *, markdown: bool) -> Exit:
    """Print every clinical number, or the note on them; or say what is wrong with the chart."""
    catalogue = _with_chart(chart)
    if catalogue is None:
        return Exit.ERROR
    from crossgrain.cli.show import reference as show  # noqa: PLC0415

    if markdown:
        typer.echo(show.numbers_note(catalogue), nl=False)
    else:
        show.show_numbers(catalogue)
    return Exit.PLAN


def show_settings(*, markdown: bool) -> Exit:
    """Print every setting, or the note on them."""
    from crossgrain.cli.show import reference as show  # noqa: PLC0415

    if markdown:
        typer.echo(show.settings_note(), nl=False)
    else:
        show.show_settings()
    return Exit.PLAN


def show_options(*, markdown: bool) -> Exit:
    """Print every option of every operation, or the note on them."""
    from crossgrain.cli.show import reference as show  # noqa: PLC0415

    catalogue = load_catalogue()
    if markdown:
        typer.echo(show.options_note(catalogue), nl=False)
    else:
        show.show_options(catalogue)
    return Exit.PLAN


def show_errors(*, markdown: bool) -> Exit:
    """Print every error, or the note on them."""
    from crossgrain.cli.show import reference as show  # noqa: PLC0415

    if markdown:
        typer.echo(show.errors_note(), nl=False)
    else:
        show.show_errors()
    return Exit.PLAN


def _with_chart(chart: Path | None) -> Catalogue | None:
    try:
        return load_catalogue(chart)
    except DomainError as error:
        typer.echo(f"--chart, {error.field}: {error.message}", err=True)
        return None


def write_package(version: FhirVersion, out: Path) -> Exit:
    """Write the FHIR package of one version, and say its name and size."""
    from crossgrain.app.conformance.guide import package, package_name  # noqa: PLC0415
    from crossgrain.operations.desk import desk_over, now  # noqa: PLC0415

    packed = package(desk_over(load_catalogue(), now), version)
    try:
        out.write_bytes(packed)
    except OSError as wrong:
        typer.echo(f"crossgrain: {out}: {wrong.strerror}", err=True)
        return Exit.ERROR
    typer.echo(f"{package_name(version)} {__version__}: {len(packed)} bytes in {out}")
    return Exit.PLAN


def show_openapi() -> Exit:
    """Print the OpenAPI document that the package carries."""
    from crossgrain.http.routes import packaged  # noqa: PLC0415

    document = packaged()
    if not document:
        typer.echo("openapi.json is empty; in a clone, make it: python -m openapi", err=True)
        return Exit.ERROR
    typer.echo(document, nl=False)
    return Exit.PLAN
