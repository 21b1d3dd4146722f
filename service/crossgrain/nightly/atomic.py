"""Files that are there whole or not at all, whenever the process dies."""

import os
from collections.abc import Callable
from pathlib import Path

OWNER_ONLY = 0o600
"""Outputs name patients: nobody but the one who runs the job may read them."""


def write_whole(path: Path, content: bytes) -> None:
    """Write a file under another name, see it on the disk, then give it its own."""

    def fill(beside: Path) -> None:
        beside.write_bytes(content)

    put_whole(path, fill)


def put_whole(path: Path, fill: Callable[[Path], None]) -> None:
    """Have `fill` write a file that appears under `path` only when it is complete."""
    beside = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        fill(beside)
        beside.chmod(OWNER_ONLY)
        sync(beside)
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)
    sync(path.parent)


def sync(path: Path) -> None:
    """See a file or a folder on the disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
