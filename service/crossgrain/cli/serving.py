"""``crossgrain serve``: uvicorn, with its own access log off because it prints the query.

What a worker would find out only later is found here: it would be started anew for ever.
"""

import gc
import logging
import os
import signal
import sys
from collections.abc import Callable, Iterable, Iterator
from functools import partial
from importlib.util import find_spec
from ipaddress import ip_address
from pathlib import Path
from types import FrameType

import typer
import uvicorn
from fastapi import FastAPI
from pydantic import ValidationError
from uvicorn.config import STARTUP_FAILURE
from uvicorn.supervisors import Multiprocess

from crossgrain.app.factory import create_app
from crossgrain.catalogue import Catalogue, load_catalogue
from crossgrain.cli.commands import Exit
from crossgrain.http import connections
from crossgrain.http.boundary import create_unready_app
from crossgrain.http.logs import JsonLines, PlainLines, log_config, where
from crossgrain.http.settings import (
    SecretsUnreadable,
    Settings,
    settings_from_environment,
    unknown_settings,
)
from crossgrain.names.errors import DomainError

MULTIPROCESS_DIR = "PROMETHEUS_MULTIPROC_DIR"


class CannotStart(Exception):
    """Carries a line for each fault: the setting, the file or folder, and what is wrong."""

    def __init__(self, *faults: str) -> None:
        super().__init__("; ".join(faults))
        self.faults = faults


def settings_for_start() -> Settings:
    """The settings, once all that they name is there.

    Raises
    ------
    CannotStart
        with every fault of the settings, or else of what they name.
    """
    try:
        settings = settings_from_environment()
    except ValidationError as wrong:
        raise CannotStart(*_said_of(wrong)) from None
    except SecretsUnreadable as wrong:
        raise CannotStart(f"CROSSGRAIN_SECRETS_DIR: {wrong}") from None
    faults = [*_missing_extras(settings), *_unreadable(settings), *_unwritable()]
    if faults:
        raise CannotStart(*faults)
    return settings


def _said_of(wrong: ValidationError) -> Iterator[str]:
    for error in wrong.errors(include_input=False, include_url=False):
        place = "_".join(str(step) for step in error["loc"]).upper()
        words = error["msg"].removeprefix("Value error, ")
        yield f"CROSSGRAIN_{place}: {words}" if place else words


def _missing_extras(settings: Settings) -> Iterator[str]:
    needs = {
        "CROSSGRAIN_JTI_STORE": (settings.jti_store, "redis", "redis"),
        "CROSSGRAIN_TRACES": (settings.traces, "opentelemetry", "otel"),
    }
    for name, (asked, module, extra) in needs.items():
        if asked and find_spec(module) is None:
            yield f"{name}: needs the extra {extra}, which is not installed"


def _unreadable(settings: Settings) -> Iterator[str]:
    """Files that are named and cannot be read; what stands in them is judged later."""
    named = {
        "CLINIC": [settings.clinic] if settings.clinic else [],
        "OAUTH_JWKS": _files([settings.oauth_jwks or ""]),
        "CDS_ISSUERS": _files(settings.cds_issuers.values()),
    }
    for name, paths in named.items():
        for path in paths:
            try:
                with path.open("rb") as file:
                    file.read(1)
            except OSError as wrong:
                yield f"CROSSGRAIN_{name}: {path}: {wrong.strerror}"


def _files(locations: Iterable[str]) -> list[Path]:
    return [Path(place) for place in locations if place and "://" not in place]


def _unwritable() -> Iterator[str]:
    """Every worker counts in a file of that folder, and ends without it."""
    folder = os.environ.get(MULTIPROCESS_DIR)
    if folder is None:
        return
    if not folder:
        yield f"{MULTIPROCESS_DIR}: is set to nothing; name a folder, or do not set it"
    elif not Path(folder).is_dir():
        yield f"{MULTIPROCESS_DIR}: {folder}: there is no such folder"
    elif not os.access(folder, os.W_OK | os.X_OK):
        yield f"{MULTIPROCESS_DIR}: {folder}: cannot be written to"


_LOG = logging.getLogger("crossgrain.start")
_STDERR = 2
_FAILED_TO_SAY = (
    "Beyond this machine, say how callers are known: CROSSGRAIN_CDS_AUTH and"
    " CROSSGRAIN_FHIR_AUTH, each also off where a proxy asks."
)
_EACH_FOR_ITSELF = (
    "Several workers would each take a CDS client's token once: set CROSSGRAIN_JTI_STORE, or"
    " serve with one worker."
)


def app_from_environment() -> FastAPI:
    """The app that each worker process builds for itself.

    What cannot be built now never can: the worker says so and is not started anew.
    """
    from crossgrain.nightly.workdir import end_with_parent  # noqa: PLC0415 - one worker needs none

    end_with_parent(signal.SIGTERM)
    settings = settings_from_environment()
    return _app(settings, partial(load_catalogue, settings.clinic, settings.plans_kept))


def _app(settings: Settings, catalogue: Callable[[], Catalogue]) -> FastAPI:
    try:
        app = create_app(settings, catalogue())
        gc.freeze()  # it stays: leaving it out of collection steadies the slowest requests
        return app
    except DomainError as error:
        return create_unready_app(error)
    except Exception as error:
        _LOG.critical("cannot start: %s", where(error))
        raise SystemExit(STARTUP_FAILURE) from None


def serve(host: str, port: int, workers: int) -> Exit:
    """Serve until told to stop; requests under way are then finished.

    Data files that are not sound are named, and the service says that it is not ready.
    """
    _open_closed_streams()
    try:
        settings = settings_for_start()
    except CannotStart as wrong:
        for fault in wrong.faults:
            typer.echo(fault, err=True)
        return Exit.ERROR
    if not _is_this_machine(host) and None in (settings.cds_auth, settings.fhir_auth):
        typer.echo(_FAILED_TO_SAY, err=True)
        return Exit.ERROR
    if settings.cds_auth == "jwt" and workers > 1 and settings.jti_store is None:
        typer.echo(_EACH_FOR_ITSELF, err=True)
        return Exit.ERROR
    # The server raises the signal that stopped it once more: to be told to stop is no failure.
    signal.signal(signal.SIGTERM, _stopped)
    _say_settings(settings)
    try:
        found = _catalogue_for(settings)
    except CannotStart as wrong:
        typer.echo(str(wrong), err=True)
        return Exit.ERROR
    app: str | Callable[[], FastAPI] = "crossgrain.cli.serving:app_from_environment"
    if workers == 1 and found:  # the one worker is this process, and need not read it again
        app = partial(_app, settings, lambda: found)
    config = uvicorn.Config(
        app,
        factory=True,
        host=host,
        port=port,
        workers=workers,
        loop="uvloop",
        http="crossgrain.http.connections:Connection",
        ws="none",
        access_log=False,
        server_header=False,
        log_config=log_config(settings.log_format),
        timeout_keep_alive=connections.BOUNDS.idle_seconds,
        timeout_graceful_shutdown=settings.shutdown_seconds,
    )
    return _run(config)


def _catalogue_for(settings: Settings) -> Catalogue | None:
    """The catalogue; one that is not sound is told, and a service without it says so.

    Raises
    ------
    CannotStart
        where the basis that is set is not in it.
    """
    try:
        catalogue = load_catalogue(settings.clinic, settings.plans_kept)
    except DomainError as error:
        typer.echo(f"Not ready. {error.field}: {error.message}", err=True)
        return None
    try:
        catalogue.basis(settings.cds_basis)
    except DomainError as error:
        raise CannotStart(f"CROSSGRAIN_CDS_BASIS: {error.message}") from None
    return catalogue


def _run(config: uvicorn.Config) -> Exit:
    try:
        sockets = [config.bind_socket()]
    except SystemExit:  # the reason is in the log
        words = f"cannot listen at {config.host}, port {config.port}: name another by --port"
        typer.echo(words, err=True)
        return Exit.ERROR
    if config.workers > 1:
        supervisor = _Supervisor(config, sockets=sockets)
        supervisor.run()
        failed = STARTUP_FAILURE in {worker.exitcode for worker in supervisor.processes}
        return Exit.ERROR if failed else Exit.PLAN
    try:
        uvicorn.Server(config).run(sockets)
    except KeyboardInterrupt:
        return Exit.PLAN
    except SystemExit as ended:
        return Exit.PLAN if ended.code == Exit.PLAN else Exit.ERROR
    return Exit.PLAN


class _Supervisor(Multiprocess):
    """Starts workers, and anew each that dies."""

    def terminate_all(self) -> None:
        """Let go of the door as well: callers would wait at it for workers that are gone."""
        super().terminate_all()
        for listening in self.sockets:
            listening.close()


def _stopped(number: int, frame: FrameType | None) -> None:
    raise SystemExit(Exit.PLAN)


def _open_closed_streams() -> None:
    """Put an empty file in the place of a standard stream that was closed.

    Else one of the loop's own files would get its number, and the loop ends the process when it
    closes a file of such a number.
    """
    while (number := os.open(os.devnull, os.O_RDWR)) <= _STDERR:
        os.set_inheritable(number, True)
    os.close(number)
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            setattr(sys, name, os.fdopen(os.open(os.devnull, os.O_RDWR), mode))


def _is_this_machine(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False


def _say_settings(settings: Settings) -> None:
    """Every setting, secrets only as set: in one line of the log, or one each for a person.

    A name in the environment that looks like one and is none is told before: it may be misspelt.
    """
    shown = dict(settings.summary())
    lines = JsonLines() if settings.log_format == "json" else PlainLines()
    for words in unknown_settings(os.environ):
        typer.echo(lines.format(_record(words, logging.WARNING)), err=True)
    if settings.log_format == "json":
        said = _record("the settings")
        said.fields = {"settings": shown}
        typer.echo(JsonLines().format(said), err=True)
        return
    for name, value in shown.items():
        typer.echo(PlainLines().format(_record(f"{name} = {value}")), err=True)


def _record(words: str, level: int = logging.INFO) -> logging.LogRecord:
    return logging.LogRecord("crossgrain.settings", level, "", 0, words, (), None)
