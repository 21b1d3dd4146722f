"""The command line run as a shell would, but in this process: starting another takes a second."""

import io
import os
import sys
from dataclasses import dataclass
from pathlib import Path
from unittest import mock

import pytest

from crossgrain.cli import main


@dataclass(frozen=True)
class Ran:
    """How a command ended, and what it wrote."""

    returncode: int
    stdout: bytes
    stderr: bytes

    @property
    def told(self) -> str:
        """What it printed."""
        return self.stdout.decode()

    @property
    def told_beside(self) -> str:
        """What it printed to standard error."""
        return self.stderr.decode()


def crossgrain(*arguments: str | Path, stdin: bytes = b"", columns: int = 120) -> Ran:
    """Run ``crossgrain`` with these arguments, in a terminal so wide."""
    given, out, err = (
        io.TextIOWrapper(io.BytesIO(held), "utf-8", write_through=True)
        for held in (stdin, b"", b"")
    )
    argv = ["crossgrain", *map(str, arguments)]
    with (
        mock.patch.multiple(sys, argv=argv, stdin=given, stdout=out, stderr=err),
        mock.patch.dict(os.environ, {"COLUMNS": str(columns), "NO_COLOR": "1"}),
        pytest.raises(SystemExit) as ended,
    ):
        main()
    return Ran(int(ended.value.code or 0), _written(out), _written(err))


def _written(stream: io.TextIOWrapper) -> bytes:
    stream.seek(0)
    return stream.buffer.read()
