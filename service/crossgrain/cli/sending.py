"""``crossgrain send``: the filing of what a night found."""

from pathlib import Path
from urllib.parse import urlsplit

import httpx2 as httpx
import typer

from crossgrain.cli.screening import ScreenExit
from crossgrain.nightly.fhir_server import Client, Server, Tokens, key_from
from crossgrain.nightly.filing import Sent, send, version_of
from crossgrain.nightly.plan import AlreadyRunning, RunRefused

_SECONDS = 60.0


def client(client_id: str | None, key: Path | None, token_url: str, scope: str) -> Client | None:
    """Who sends; ``None`` for a server that asks for no token."""
    if client_id is None and key is None:
        return None
    if client_id is None or key is None:
        raise typer.BadParameter("--client-id and --key go together")
    try:
        return Client(client_id, key_from(key), scope, token_url)
    except RunRefused as refused:
        raise typer.BadParameter(str(refused)) from None


def send_flags(out: Path, to: str, client: Client | None, *, dry_run: bool) -> ScreenExit:
    """Send, and say what became of it."""
    base = to.rstrip("/")
    if urlsplit(base).scheme not in {"http", "https"}:
        raise typer.BadParameter("--to is the http or https address of a FHIR server")
    try:
        with httpx.Client(timeout=_SECONDS, follow_redirects=False) as http:
            tokens = Tokens(client, base, http) if client else None
            server = Server(base, version_of(out), http, tokens)
            sent = send(out, base, server, dry_run=dry_run)
    except AlreadyRunning as refused:
        typer.echo(f"crossgrain: {refused}", err=True)
        return ScreenExit.ALREADY_RUNNING
    except (RunRefused, httpx.HTTPError) as refused:
        said = refused if isinstance(refused, RunRefused) else "the server could not be reached"
        typer.echo(f"crossgrain: {said}", err=True)
        return ScreenExit.FAILED
    _tell_sending(sent, dry_run=dry_run)
    return ScreenExit.DONE


def _tell_sending(sent: Sent, *, dry_run: bool) -> None:
    verb = "would be" if dry_run else "were"
    typer.echo(
        f"{sent.created} {verb} created and {sent.replaced} replaced in {sent.transactions}"
        f" transactions; {sent.unchanged} unchanged, {sent.judged_by_a_person} left as a person"
        " has judged them"
    )
