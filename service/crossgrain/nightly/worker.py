"""What one worker process keeps, and the two pieces of work that it does."""

import signal
from dataclasses import dataclass
from pathlib import Path

import msgspec

from crossgrain.catalogue import Catalogue, load_catalogue
from crossgrain.names.identity import FhirVersion
from crossgrain.nightly.answers import ENCODE
from crossgrain.nightly.chunks import Chunk
from crossgrain.nightly.judging import Judge
from crossgrain.nightly.options import RunOptions
from crossgrain.nightly.orphans import end_with_parent
from crossgrain.nightly.scan import Scanner, Tally
from crossgrain.nightly.sieve import Sieve
from crossgrain.nightly.tables import patients_in, write_rows
from crossgrain.nightly.workdir import write_whole
from crossgrain.screening.screen import Ruler, enabled


@dataclass(frozen=True, slots=True)
class Setting:
    """What every process of a run is told."""

    options: RunOptions
    buckets: int
    layered: bool


def scanner_for(setting: Setting, catalogue: Catalogue) -> Scanner:
    """The scanner of a run."""
    sieve = Sieve(catalogue.codes, catalogue.preparations)
    return Scanner(sieve, setting.buckets, names_too=setting.layered)


def judge_for(options: RunOptions, catalogue: Catalogue, version: FhirVersion) -> Judge:
    """The judge of a run."""
    bases = enabled(catalogue.bases, options.bases)
    return Judge(catalogue, Ruler(options.as_of, bases, catalogue.limits), version)


class Tools:
    """What one process works with: what it learns of one piece serves the next."""

    def __init__(self, setting: Setting) -> None:
        self._options = setting.options
        self._catalogue = load_catalogue(setting.options.chart)
        self.scanner = scanner_for(setting, self._catalogue)

    def judge(self, version: FhirVersion) -> Judge:
        """The judge, once the version is known."""
        return judge_for(self._options, self._catalogue, version)


_kept: Tools | None = None


def begin(setting: Setting) -> None:
    """Begin as a process of a pool: it dies with the one that started it."""
    end_with_parent(signal.SIGKILL)  # no orphan works on in the folder
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent decides how a run ends
    prepare(setting)


def prepare(setting: Setting) -> None:
    """Read the tables that this process works with."""
    global _kept  # noqa: PLW0603 - a pool gives its processes no other place
    _kept = Tools(setting)


def scan_chunk(chunk: Chunk, rows: Path, tally: Path) -> int:
    """Scan one piece of the input; the tally, written last, says that it is done."""
    counted = Tally()
    write_rows(rows, _tools().scanner.scan(chunk, counted))
    write_whole(tally, msgspec.json.encode(counted))
    return chunk.end - chunk.start


def judge_bucket(folder: Path, answers: Path, version: FhirVersion) -> int:
    """Judge every patient of one bucket."""
    judge = _tools().judge(version)
    lines = [ENCODE(judge.answer(patient, record)) for patient, record in patients_in(folder)]
    write_whole(answers, b"".join(line + b"\n" for line in lines))
    return len(lines)


def _tools() -> Tools:
    assert _kept is not None  # the pool has called `begin`
    return _kept
