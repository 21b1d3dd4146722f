"""Pages as bytes of HTML: the templates, the stylesheets, what a page may do."""

import re
from base64 import b64encode
from collections.abc import Mapping
from functools import lru_cache
from hashlib import sha256
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from crossgrain.writing.elements import plain

if TYPE_CHECKING:
    from jinja2 import Environment

_TURNS = re.compile("[\u202a-\u202e\u2066-\u2069]")
"""Characters that turn the direction of what follows: a dose could be made to read backwards."""


def static(name: str) -> str:
    """A stylesheet or script of ours, to stand inside a page."""
    return files("crossgrain.sheet").joinpath("static", name).read_text("utf-8")


def styled(name: str) -> str:
    """The stylesheet of a page that is no sheet: our colours, then its own."""
    return static("palette.css") + static(name)


def as_shown(text: str) -> str:
    """Text as it may stand on a page; what is not a character to read is shown as U+FFFD."""
    return _TURNS.sub("\ufffd", plain(text))


def shown(value: object) -> object:
    """A value as it may stand on the page."""
    if isinstance(value, str) and not isinstance(value, Markup):
        return as_shown(value)
    return value


def page_environment(package: str) -> "Environment":
    """The templates of a package: escaped, and an unknown name in one is an error."""
    from jinja2 import (  # noqa: PLC0415 - the library loads with the first page
        Environment,
        PackageLoader,
        StrictUndefined,
    )

    return Environment(
        loader=PackageLoader(package),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=shown,
        auto_reload=False,
    )


@lru_cache(maxsize=1)  # made with the first page, and its templates compiled once
def _environment() -> "Environment":
    environment = page_environment("crossgrain.sheet")
    style, script = static("sheet.css"), static("sheet.js")
    environment.globals.update(
        style=Markup(style),
        script=Markup(script),
        policy=content_policy((style,), (script,)),
    )
    return environment


def render(template: str, values: Mapping[str, Any]) -> bytes:
    """A page as bytes."""
    return _environment().get_template(template).render(values).encode()


def content_policy(styles: tuple[str, ...], scripts: tuple[str, ...], *more: str) -> str:
    """A Content-Security-Policy: these styles and scripts, and nothing from anywhere else."""
    return "; ".join(
        (
            "default-src 'none'",
            f"style-src {' '.join(map(_hashed, styles))}",
            f"script-src {' '.join(map(_hashed, scripts))}",
            "base-uri 'none'",
            "form-action 'none'",
            *more,
        )
    )


def sheet_policy(*more: str) -> str:
    """The policy of a plan sheet."""
    return content_policy((static("sheet.css"),), (static("sheet.js"),), *more)


def _hashed(text: str) -> str:
    return f"'sha256-{b64encode(sha256(text.encode()).digest()).decode()}'"
