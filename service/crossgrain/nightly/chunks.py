"""Files cut into pieces of work, and the lines of each.

A plain file is cut at byte offsets; a line belongs to the piece in which it begins. A gzip
file cannot be entered in its middle, so it is one piece. A piece numbers its own lines from 1;
what the number is in the file is known once the pieces before it have been counted.
"""

import gzip
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

CHUNK_BYTES = 32 * 1024 * 1024
LONGEST_LINE = 64 * 1024 * 1024
"""A line beyond this is refused rather than held in memory."""
BYTE_ORDER_MARK = b"\xef\xbb\xbf"
"""Some programs begin a file of UTF-8 with it; it is no part of the first line."""


@dataclass(frozen=True, slots=True)
class SourceFile:
    """One file of an export.

    Attributes
    ----------
    name : as reports name it, relative to its export
    path : where it lies
    layer : 0 for a base snapshot, 1 for the export itself
    deletes : it lists what was deleted, as Bundles of DELETE entries
    kind : the one type of its resources, as its name or the manifest says, or empty
    count : how many lines the manifest says it has
    """

    name: str
    path: Path
    layer: int = 1
    deletes: bool = False
    kind: str = ""
    count: int | None = None

    @property
    def zipped(self) -> bool:
        """Whether it is compressed."""
        return self.name.endswith(".gz")


@dataclass(frozen=True, slots=True)
class Chunk:
    """One piece of work: `number` orders them; `start` and `end` are bytes of the file."""

    number: int
    file: SourceFile
    file_number: int
    start: int
    end: int


def chunks_of(files: tuple[SourceFile, ...], chunk_bytes: int = CHUNK_BYTES) -> list[Chunk]:
    """Every file in pieces, in the order of the files."""
    found: list[Chunk] = []
    for number, file in enumerate(files):
        size = file.path.stat().st_size
        step = max(size, 1) if file.zipped else chunk_bytes
        for start in range(0, max(size, 1), step):
            found.append(Chunk(len(found), file, number, start, min(start + step, size)))
    return found


class BrokenFile(Exception):
    """A file that ends or breaks in its middle; the lines before were read."""


def lines_of(chunk: Chunk) -> Iterator[tuple[int, bytes]]:
    """The offset of each line (in the file unpacked) and its bytes, without the line break.

    Raises
    ------
    BrokenFile
        where a compressed file is cut short or damaged, or a line is too long to hold.
    """
    lines = _zipped(chunk.file.path) if chunk.file.zipped else _plain(chunk)
    for place, line in lines:  # the first of a file is the only one that can have a mark
        yield place, line if place else line.removeprefix(BYTE_ORDER_MARK)
        break
    yield from lines


def _plain(chunk: Chunk) -> Iterator[tuple[int, bytes]]:
    with chunk.file.path.open("rb", buffering=1024 * 1024) as file:
        at = chunk.start
        if at:
            file.seek(at - 1)
            at += len(file.readline(LONGEST_LINE)) - 1
        while at < chunk.end:
            line = file.readline(LONGEST_LINE)
            if not line:
                return
            _check_length(line)
            yield at, line.rstrip(b"\r\n")
            at += len(line)


def _zipped(path: Path) -> Iterator[tuple[int, bytes]]:
    at = 0
    if not path.stat().st_size:
        raise BrokenFile("the compressed file is empty, which not even one of no lines is")
    try:
        with gzip.open(path, "rb") as file:
            while line := file.readline(LONGEST_LINE):
                _check_length(line)
                yield at, line.rstrip(b"\r\n")
                at += len(line)
    except (EOFError, zlib.error, gzip.BadGzipFile):
        raise BrokenFile(
            "the compressed file is cut short or damaged; what came before was read"
        ) from None


def _check_length(line: bytes) -> None:
    if len(line) >= LONGEST_LINE:
        raise BrokenFile("a line is too long to be one resource; nothing after it was read")
