"""What must hold before the service begins: each fault is named once, and ends the start.

What a worker would find out only later is found here: it would be started anew for ever.
"""

import os
from collections.abc import Iterable, Iterator
from importlib.util import find_spec
from pathlib import Path

from pydantic import ValidationError

from crossgrain.http.settings import SecretsUnreadable, Settings, settings_from_environment

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
