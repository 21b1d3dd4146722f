"""``crossgrain doctor``: what would keep this deployment from serving, all of it at once.

It looks, and changes nothing: the port is let go of at once, and of a key server only its public
keys are asked for.
"""

import asyncio
import os
import socket
import sys
from collections.abc import Iterator
from datetime import datetime
from zoneinfo import ZoneInfo

import httpx2 as httpx
import typer

from crossgrain import __version__
from crossgrain.auth.tokens import SECONDS, KeySource, NotKnown, Unavailable
from crossgrain.catalogue import load_catalogue
from crossgrain.cli.commands import Exit
from crossgrain.cli.serving import CannotStart, settings_for_start
from crossgrain.http.settings import Settings, unknown_settings
from crossgrain.names.errors import DomainError
from crossgrain.names.values import frozen
from crossgrain.operations.desk import Clock, now, ticks

_NO_KEY = ""
"""An id that no key has: to ask for it is to read the set."""


@frozen
class Check:
    """One thing that was looked at: what, whether it is well, and what was seen."""

    what: str
    is_well: bool
    seen: str


def examine(host: str, port: int, clock: Clock = now) -> Exit:
    """Look at everything, print a line for each, and end with an error where one is not well."""
    checks = list(_checks(host, port, clock))
    for check in checks:
        typer.echo(f"{'ok   ' if check.is_well else 'FAULT'}  {check.what}: {check.seen}")
    return Exit.PLAN if all(check.is_well for check in checks) else Exit.ERROR


def _checks(host: str, port: int, clock: Clock) -> Iterator[Check]:
    version = ".".join(map(str, sys.version_info[:3]))
    yield Check("program", True, f"Crossgrain {__version__} on Python {version}")
    yield _port(host, port)
    try:
        settings = settings_for_start()
    except CannotStart as wrong:
        yield from (Check("settings", False, fault) for fault in wrong.faults)
        return  # what else there is to look at stands in them
    yield Check("settings", True, "read, and all that they name is there")
    yield from (Check("settings", False, words) for words in unknown_settings(os.environ))
    yield _data(settings)
    yield _day(settings, clock())
    yield from asyncio.run(_keys(settings))


def _data(settings: Settings) -> Check:
    """The shipped tables, the clinic's file, and the basis by which orders are judged."""
    try:
        catalogue = load_catalogue(settings.clinic)
        catalogue.basis(settings.cds_basis)
    except DomainError as wrong:
        return Check("data files", False, f"{wrong.field}: {wrong.message}")
    own = f", with {settings.clinic}" if settings.clinic else ""
    seen = f"sound{own}: {len(catalogue.bases)} charts, tables {catalogue.tables_version}"
    return Check("data files", True, seen)


def _port(host: str, port: int) -> Check:
    try:
        family, *_, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        with socket.socket(family, socket.SOCK_STREAM) as listening:
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listening.bind(address)
    except OSError as wrong:
        words = f"{host}:{port} cannot be listened at ({wrong.strerror}); name another by --port"
        return Check("port", False, words)
    return Check("port", True, f"{host}:{port} is free")


def _day(settings: Settings, instant: datetime) -> Check:
    """What day it is where the prescribers are: a hook dates a plan by it."""
    day = instant.astimezone(ZoneInfo(settings.time_zone)).date()
    return Check("time zone", True, f"it is {day} in {settings.time_zone}")


async def _keys(settings: Settings) -> list[Check]:
    """Every key set by which callers are known, read once."""
    places = list(settings.cds_issuers.values()) if settings.cds_auth == "jwt" else []
    if settings.fhir_auth == "jwks" and settings.oauth_jwks:
        places.append(settings.oauth_jwks)
    async with httpx.AsyncClient(
        follow_redirects=False, timeout=SECONDS, trust_env=False
    ) as client:
        return [await _key_set(KeySource(place, SECONDS, client, ticks)) for place in places]


async def _key_set(source: KeySource) -> Check:
    try:
        await source.key(_NO_KEY)
    except NotKnown:
        return Check("keys", True, f"{source.location}: read")
    except Unavailable:
        pass
    finally:
        await source.close()
    return Check("keys", False, f"{source.location}: no key set could be read")
