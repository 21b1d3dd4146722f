"""The rows kept of a base snapshot, stored with the outputs so that the next night scans no base.

A base stays the same for many nights. Its kept rows lie in ``OUT/.base``, one Parquet file and one
tally for each piece that was scanned, and an index that is written last:

====================  =============================================================================
``000000.parquet``    the rows kept of a piece
``000000.json``       its tally: lines, types, and the lines at fault
``index.json``        each file of the base by name, place in the order, size and SHA-256; the
                      SHA-256 of each stored file; what scanned them; the number of buckets
====================  =============================================================================

A file's rows are taken from there only where all of it agrees; else the file is scanned again. The
SHA-256 of a file is taken before it is scanned and once more after, so that rows of one content
are never stored under another's. Who may read the outputs may read the store, and nobody else.
"""

import hashlib
import os
import shutil
import sys
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path

import msgspec
import pyarrow as pa

import crossgrain
from crossgrain.catalogue import files_named_in
from crossgrain.nightly.plan import Chunk, SourceFile
from crossgrain.nightly.progress import Progress
from crossgrain.nightly.workdir import WorkDir, digest_of, put_whole, write_whole

_DIGESTS = "base"
"""The stage under which a run notes what its base was before it was scanned."""


class StoredPiece(msgspec.Struct):
    """One piece: the bytes of the base that it stands for, and the SHA-256 of its two files."""

    number: int
    start: int
    end: int
    rows: str
    tally: str


class StoredFile(msgspec.Struct):
    """One file of a base: what it was when it was scanned, and the pieces of it."""

    name: str
    number: int
    deletes: bool
    bytes: int
    sha256: str
    pieces: list[StoredPiece]


class Index(msgspec.Struct):
    """What is stored. `program`: what the rows depend on besides the file (`package_digest`)."""

    program: str
    buckets: int
    files: list[StoredFile]


def package_digest(chart: Path | None) -> str:
    """The SHA-256 of all that decides what is kept of a line.

    This package's modules and data files, a clinic's own file and those that it names, the decoder
    and the interpreter: a
    development build has the version of the release before it, so a version alone tells too little.
    """
    root = Path(crossgrain.__file__).parent
    found = hashlib.sha256(f"{msgspec.__version__} {pa.__version__} {sys.version}".encode())
    for path in sorted(p for p in root.rglob("*") if p.is_file() and p.suffix != ".pyc"):
        found.update(f"{path.relative_to(root)} {digest_of(path)}\n".encode())
    for path in (chart, *files_named_in(chart)) if chart else ():
        found.update(digest_of(path).encode())
    return found.hexdigest()


@dataclass(slots=True)
class BaseRows:
    """The store of one run.

    Attributes
    ----------
    work : the folder of the run, whose lock is held
    program, buckets : of this run; stored rows of others are not taken
    files : each file of the base with its pieces
    taken : of how many the rows were taken from the store
    """

    work: WorkDir
    program: str
    buckets: int
    files: Sequence[tuple[SourceFile, Sequence[Chunk]]]
    taken: int = 0

    def take(self, jobs: int, progress: Progress) -> None:
        """Put the rows of every file that is the same as when it was stored into the work."""
        if not self.files:
            self.forget()
            return
        size = sum(chunks[-1].end for _, chunks in self.files)
        with progress.stage("comparing", size, "B") as advance:
            now = self._before(jobs)
            advance(size)
        stored = {file.name: file for file in self._stored()}
        for (file, chunks), digest in zip(self.files, now, strict=True):
            known = stored.get(file.name)
            if known is None or not _agrees(known, file, chunks, digest):
                continue
            if all(map(self._is_sound, known.pieces)):
                self.taken += 1
                for piece, chunk in zip(known.pieces, chunks, strict=True):
                    _link(self._rows(piece.number), self.work.rows_of(chunk.number))
                    _link(self._tally(piece.number), self.work.tally_of(chunk.number))

    def keep(self, jobs: int) -> None:
        """Store the rows of every file that did not change while it was scanned."""
        if self.taken == len(self.files):
            return
        before, after = self._before(jobs), self._digests(jobs)
        self.forget()
        self.work.base.mkdir(mode=0o700)
        files = [
            self._keep(file, chunks, digest)
            for (file, chunks), digest, again in zip(self.files, before, after, strict=True)
            if digest == again
        ]
        index = Index(self.program, self.buckets, files)
        write_whole(self._index, msgspec.json.encode(index))

    def forget(self) -> None:
        """Leave nothing of a base to a folder whose runs do not use it."""
        shutil.rmtree(self.work.base, ignore_errors=True)

    def _keep(self, file: SourceFile, chunks: Sequence[Chunk], digest: str) -> StoredFile:
        pieces = []
        for chunk in chunks:
            rows, tally = self._rows(chunk.number), self._tally(chunk.number)
            _link(self.work.rows_of(chunk.number), rows)
            _link(self.work.tally_of(chunk.number), tally)
            pieces.append(
                StoredPiece(chunk.number, chunk.start, chunk.end, digest_of(rows), digest_of(tally))
            )
        first = chunks[0]
        return StoredFile(
            file.name, first.file_number, file.deletes, chunks[-1].end, digest, pieces
        )

    def _before(self, jobs: int) -> list[str]:
        """What each file was before any of it was scanned, by a run that was killed as well."""
        noted = self.work.done(_DIGESTS)
        if noted is not None:
            return msgspec.json.decode(noted, type=list[str])
        found = self._digests(jobs)
        self.work.mark(_DIGESTS, msgspec.json.encode(found))
        return found

    def _digests(self, jobs: int) -> list[str]:
        with ThreadPoolExecutor(jobs) as pool:  # the interpreter's lock is not held meanwhile
            return list(pool.map(digest_of, [file.path for file, _ in self.files]))

    def _stored(self) -> Iterable[StoredFile]:
        """What an index of the same scanner names."""
        try:
            index = msgspec.json.decode(self._index.read_bytes(), type=Index)
        except (FileNotFoundError, msgspec.DecodeError, UnicodeDecodeError):
            return ()
        fits = (index.program, index.buckets) == (self.program, self.buckets)
        return index.files if fits else ()

    def _is_sound(self, piece: StoredPiece) -> bool:
        """Whether both its files are there as they were written."""
        wanted = {self._rows(piece.number): piece.rows, self._tally(piece.number): piece.tally}
        return all(path.is_file() and digest_of(path) == said for path, said in wanted.items())

    @property
    def _index(self) -> Path:
        return self.work.base / "index.json"

    def _rows(self, number: int) -> Path:
        return self.work.base / f"{number:06}.parquet"

    def _tally(self, number: int) -> Path:
        return self.work.base / f"{number:06}.json"


def base_rows(work: WorkDir, program: str, buckets: int, chunks: Iterable[Chunk]) -> BaseRows:
    """The store of a run over these pieces, of which those of the base are its own."""
    of_base = (chunk for chunk in chunks if chunk.file.layer == 0)
    files = [(file, list(pieces)) for file, pieces in groupby(of_base, key=lambda c: c.file)]
    return BaseRows(work, program, buckets, files)


def _agrees(known: StoredFile, file: SourceFile, chunks: Sequence[Chunk], digest: str) -> bool:
    return (
        known.sha256 == digest
        and known.bytes == chunks[-1].end
        and known.number == chunks[0].file_number  # stands in each row
        and known.deletes == file.deletes
        and [(p.start, p.end) for p in known.pieces] == [(c.start, c.end) for c in chunks]
    )


def _link(path: Path, target: Path) -> None:
    """Have a whole file appear at another place too: by a link, or a copy where there are none."""
    if target.is_file():
        return  # a run that was killed had come so far

    def fill(beside: Path) -> None:
        try:
            os.link(path, beside)
        except OSError:
            shutil.copyfile(path, beside)

    put_whole(target, fill)
