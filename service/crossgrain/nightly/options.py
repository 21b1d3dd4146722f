"""What a run was asked for, the plan that follows from it, and what keeps it from being whole.

Nothing here holds a value of a record.
"""

from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from pathlib import Path

import msgspec

from crossgrain.names.identity import FhirVersion
from crossgrain.nightly.chunks import SourceFile


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


@dataclass(frozen=True, slots=True)
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
    jobs, memory_mb : processes, and the memory that grouping may take
    chart : a clinic's own file
    accept_less : an export is whole though it holds less than on an earlier night
    master : the cluster that Spark runs on, as ``spark://host:7077``
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
    jobs: int = 1
    memory_mb: int = 512
    chart: Path | None = None
    accept_less: bool = False
    master: str | None = None


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


class RunPlan(msgspec.Struct):
    """What decides the outputs and the work behind them; a run resumes only an equal plan's."""

    service_version: str
    inputs: list[InputFile]
    as_of: date
    bases: list[str]
    since: date | None
    version: str | None
    deployment: str
    worklist: str
    limits: str
    chart: str
    buckets: int
    layered: bool
    engine: str
    accept_less: bool
