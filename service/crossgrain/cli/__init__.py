"""The command line."""

import gc

_UNTIL_LOADED = 250_000
"""New objects until the collector first searches them: more than any command loads.

What is loaded stays, so that searching it several times over, by the interpreter's own 700, took a
tenth of a start.
"""


def main() -> None:
    """Entry point of the ``crossgrain`` command."""
    gc.set_threshold(_UNTIL_LOADED)
    from crossgrain.cli.commands import run  # noqa: PLC0415 - the package itself stays light

    run()
