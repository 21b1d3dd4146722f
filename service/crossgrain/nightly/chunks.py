"""Files cut into pieces of work, and the lines of each.

A plain file is cut at byte offsets; a line belongs to the piece in which it begins. A gzip
file cannot be entered in its middle, so it is one piece. The number of a line in its file is
known once the pieces before it have been counted, so a row carries the byte offset of its line
and a fault's line number is worked out only when there is one to report.
"""

import gzip
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from crossgrain.nightly.export import SourceFile

CHUNK_BYTES = 32 * 1024 * 1024
LONGEST_LINE = 64 * 1024 * 1024
"""A line beyond this is refused rather than held in memory."""


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
    return _zipped(chunk.file.path) if chunk.file.zipped else _plain(chunk)


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


def line_number(file: SourceFile, offset: int) -> int:
    """The number of the line that begins at `offset`, counted from 1."""
    opened = gzip.open if file.zipped else open
    count, left = 1, offset
    with opened(file.path, "rb") as stream:
        while left:
            block = stream.read(min(left, 1024 * 1024))
            count += block.count(b"\n")
            left -= len(block)
    return count
