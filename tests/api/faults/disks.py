"""A disk that is really full: a small one of its own, or, where none can be had, a limit.

The small disk is a tmpfs in a mount namespace of a process that only sleeps; it is reached by
that process' root. Where the system allows no namespace, the size of files is limited instead:
the same place in the code is met, with another error of the system.
"""

import os
import resource
import subprocess
import tempfile
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Protocol

KIB = 1024


class Disk(Protocol):
    """A disk, and how full it is."""

    root: Path

    def leave(self, kib: int) -> None:
        """Fill it but for so much."""

    def empty(self) -> None:
        """Make room."""


class Small:
    """A disk of its own."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self._ballast = root / "ballast"

    def leave(self, kib: int) -> None:
        """See `Disk`."""
        there = os.statvfs(self.root)
        with self._ballast.open("wb") as ballast:
            os.posix_fallocate(ballast.fileno(), 0, there.f_bavail * there.f_frsize - kib * KIB)

    def empty(self) -> None:
        """See `Disk`."""
        self._ballast.unlink()


class Limited:
    """No file may grow beyond what is left."""

    def __init__(self, root: Path) -> None:
        self.root = root

    def leave(self, kib: int) -> None:
        """See `Disk`."""
        self._limit(kib * KIB)

    def empty(self) -> None:
        """See `Disk`."""
        self._limit(resource.getrlimit(resource.RLIMIT_FSIZE)[1])

    def _limit(self, size: int) -> None:
        hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]
        resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))


@contextmanager
def small_disk(kib: int) -> Iterator[Disk]:
    """A disk of so many KiB."""
    with tempfile.TemporaryDirectory() as folder:
        mount = f"mount -t tmpfs -o size={kib}k tmpfs {folder} && echo mounted && exec sleep 600"
        call = ["unshare", "--user", "--map-root-user", "--mount", "sh", "-c", mount]
        holder = subprocess.Popen(call, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
        try:
            assert holder.stdout is not None
            if holder.stdout.readline() == b"mounted\n":
                yield Small(Path(f"/proc/{holder.pid}/root{folder}"))
                return
        finally:
            holder.kill()
            holder.wait()
        warnings.warn("no small disk can be had here: the size of files is limited", stacklevel=2)
        yield Limited(Path(folder))
