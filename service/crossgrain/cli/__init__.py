"""The command line."""


def main() -> None:
    """Entry point of the ``crossgrain`` command."""
    from crossgrain.cli.commands import run  # noqa: PLC0415 - the package itself stays light

    run()
