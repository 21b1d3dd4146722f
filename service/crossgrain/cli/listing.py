"""``crossgrain bases`` and ``crossgrain openapi``: what stands ready before any patient."""

import json
from pathlib import Path

import typer

from crossgrain.catalogue import load_catalogue
from crossgrain.cli.commands import Exit
from crossgrain.dosing.errors import DomainError


def show_bases(chart: Path | None) -> Exit:
    """Print every basis, or say what is wrong with the chart."""
    try:
        catalogue = load_catalogue(chart)
    except DomainError as error:
        typer.echo(f"--chart, {error.field}: {error.message}", err=True)
        return Exit.ERROR
    from crossgrain.cli.show.bases import show_bases as show  # noqa: PLC0415

    show(catalogue.bases)
    return Exit.PLAN


def show_openapi() -> Exit:
    """Print the OpenAPI document of the shipped catalogue."""
    from crossgrain.api.app import create_app  # noqa: PLC0415
    from crossgrain.api.settings import Settings  # noqa: PLC0415

    app = create_app(Settings.model_construct(), load_catalogue())
    typer.echo(json.dumps(app.openapi(), indent=2, ensure_ascii=False))
    return Exit.PLAN
