"""What a run was asked for, the plan that follows, and its files cut into pieces of work.

A plain file is cut at byte offsets; a line belongs to the piece in which it begins. A gzip
file cannot be entered in its middle, so it is one piece. A piece numbers its own lines from 1;
what the number is in the file is known once the pieces before it have been counted.

The options and the plan hold no value of a record.
"""

import gzip
import os
import sys
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from functools import partial
from pathlib import Path
from typing import BinaryIO

import msgspec

from crossgrain.names.identity import FhirVersion
from crossgrain.names.values import frozen
from crossgrain.nightly.naming import BY_REFERENCE, Naming

CHUNK_BYTES = 32 * 1024 * 1024
LONGEST_LINE = 64 * 1024 * 1024
"""A line beyond this is refused rather than held in memory."""
BYTE_ORDER_MARK = b"\xef\xbb\xbf"
"""Some programs begin a file of UTF-8 with it; it is no part of the first line."""


@frozen
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


@frozen
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
        yield from _lines(file, at, chunk.end)


def _zipped(path: Path) -> Iterator[tuple[int, bytes]]:
    if not path.stat().st_size:
        raise BrokenFile("the compressed file is empty, which not even one of no lines is")
    try:
        with gzip.open(path, "rb") as file:
            yield from _lines(file, 0, sys.maxsize)
    except (EOFError, zlib.error, gzip.BadGzipFile):
        raise BrokenFile(
            "the compressed file is cut short or damaged; what came before was read"
        ) from None


def _lines(file: BinaryIO | gzip.GzipFile, at: int, end: int) -> Iterator[tuple[int, bytes]]:
    for line in iter(partial(file.readline, LONGEST_LINE), b""):
        if at >= end:
            return
        length = len(line)
        if length >= LONGEST_LINE:
            raise BrokenFile("a line is too long to be one resource; nothing after it was read")
        yield at, line.rstrip(b"\r\n")
        at += length


class RunRefused(Exception):
    """A run that cannot be made as asked; the message says why, for the one who asked."""


class AlreadyRunning(RunRefused):
    """Another run works in the same folder."""


@dataclass(frozen=True, slots=True, order=True)
class InputFault:
    """One place of the input that could not be read. The rest is screened.

    `line` counts from 1; 0 stands for the file as a whole.
    """

    file: str
    line: int
    why: str


class Engine(StrEnum):
    """Who does the work."""

    LOCAL = "local"
    SPARK = "spark"


class Worklist(StrEnum):
    """What is written for a worklist beside the DetectedIssues."""

    NONE = "none"
    TASK = "task"
    FLAG = "flag"


@frozen
class RunOptions:
    """A run as it was asked for.

    Attributes
    ----------
    export : a folder of NDJSON, or a manifest
    out : where the outputs go
    as_of : the day of reading
    bases : ids of the bases that a switch is judged on; empty for all that set a checkpoint
    since : flags of switches before this day are left out
    base : the snapshot that an incremental export builds on
    version : the FHIR version; ``None`` to see it from the resources
    deployment : part of every flag's id
    jobs : processes; ``None`` for as many as the input is worth (`processes_for`)
    memory_mb : the memory that grouping may take
    chart : a clinic's own file
    accept_less : an export is whole though it holds less than on an earlier night
    master : the cluster that Spark runs on, as ``spark://host:7077``
    naming : what of a patient stands on the worklist beside the reference
    link : where a patient's chart opens, with ``{id}`` for the patient's id
    """

    export: Path
    out: Path
    as_of: date
    bases: tuple[str, ...] = ()
    since: date | None = None
    base: Path | None = None
    version: FhirVersion | None = None
    deployment: str = "local"
    worklist: Worklist = Worklist.NONE
    engine: Engine = Engine.LOCAL
    jobs: int | None = None
    memory_mb: int = 512
    chart: Path | None = None
    accept_less: bool = False
    master: str | None = None
    naming: Naming = BY_REFERENCE
    link: str | None = None


class InputFile(msgspec.Struct):
    """One file as it was when the run began."""

    name: str
    layer: int
    bytes: int
    changed: int


def input_file(file: SourceFile) -> InputFile:
    """A file as it is now."""
    found = file.path.stat()
    return InputFile(file.name, file.layer, found.st_size, found.st_mtime_ns)


_BYTES_OF_A_PROCESS = 256 * 1024 * 1024
"""So much input is worth a process: starting one costs what scanning half of that does."""


def processes_for(inputs: Iterable[InputFile]) -> int:
    """How many processes these files are worth, at most one per core."""
    size = sum(file.bytes for file in inputs)
    return min(max(size // _BYTES_OF_A_PROCESS, 1), os.cpu_count() or 1)


class RunPlan(msgspec.Struct):
    """What decides the outputs and the work behind them; a run resumes only an equal plan's.

    `program`: the digest of the package as it is installed, its tables and a clinic's own file.
    """

    program: str
    inputs: list[InputFile]
    as_of: date
    bases: list[str]
    since: date | None
    version: str | None
    deployment: str
    worklist: str
    limits: str
    buckets: int
    layered: bool
    engine: str
    accept_less: bool
    shown: list[str]
    record_system: str
    link: str | None
