"""``crossgrain serve``: uvicorn, with its own access log off because it prints the query."""

import logging

import typer
import uvicorn
from fastapi import FastAPI

from crossgrain.api.app import create_app
from crossgrain.api.settings import Settings
from crossgrain.catalogue import load_catalogue
from crossgrain.cli.commands import Exit
from crossgrain.dosing.errors import DomainError


def app_from_environment() -> FastAPI:
    """The app that each worker process builds for itself."""
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(name)s %(message)s")
    settings = Settings()
    return create_app(settings, load_catalogue(settings.clinic))


def serve(host: str, port: int, workers: int) -> Exit:
    """Serve until told to stop. Data files that are not sound are said before listening."""
    try:
        load_catalogue(Settings().clinic)
    except DomainError as error:
        typer.echo(f"{error.field}: {error.message}", err=True)
        return Exit.ERROR
    uvicorn.run(
        "crossgrain.cli.serving:app_from_environment",
        factory=True,
        host=host,
        port=port,
        workers=workers,
        loop="uvloop",
        http="httptools",
        access_log=False,
        server_header=False,
    )
    return Exit.PLAN
