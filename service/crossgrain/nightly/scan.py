"""One piece of the input to the rows that are kept of it."""

import zlib
from collections.abc import Iterable, Iterator
from typing import Any

import msgspec

from crossgrain.fhir.read.resolve import local
from crossgrain.nightly.chunks import BrokenFile, Chunk, line_number, lines_of
from crossgrain.nightly.faults import InputFault
from crossgrain.nightly.sieve import Look, NotRead, Sieve

DELETED = "deleted"
"""The `role` of a row that names a resource that is gone."""
NAMED = "named"
"""The `role` of a row that only names a resource, so that it takes an older one's place."""
KEPT = "kept"
"""The `role` of a row whose resource is read."""


class Row(msgspec.Struct, array_like=True, gc=False):
    """One line that is kept, or the name of one.

    Attributes
    ----------
    bucket : of its patient; rows of one patient share it
    patient : ``Patient/…``; empty for a Medication and for a name
    kind, id : of the resource
    role : kept, named or deleted
    hormone : thyroid hormone stands in it, or could
    medication : the Medication that it refers to, or empty
    layer : 0 for the base snapshot, 1 for the export
    file, place : where its line begins, in bytes
    body : the line
    """

    bucket: int
    patient: str
    kind: str
    id: str
    role: str
    hormone: bool
    medication: str
    layer: int
    file: int
    place: int
    body: bytes


class Tally(msgspec.Struct):
    """What one piece held: every line is kept, passed over, or at fault."""

    lines: int = 0
    kept: int = 0
    types: dict[str, int] = {}
    r4: int = 0
    r5: int = 0
    faults: list[InputFault] = []


def bucket_of(patient: str, buckets: int) -> int:
    """The bucket of a patient: the same on every machine and in every run.

    >>> bucket_of("Patient/1", 16), bucket_of("Patient/2", 16)
    (3, 9)
    """
    return zlib.crc32(patient.encode()) % buckets


class Scanner:
    """Scans pieces, for one process."""

    def __init__(self, sieve: Sieve, buckets: int, *, names_too: bool) -> None:
        """`names_too`: keep the name of every resource, so that it can take another's place."""
        self._look = sieve.look
        self._buckets = buckets
        self._names_too = names_too

    def scan(self, chunk: Chunk, tally: Tally) -> Iterator[Row]:
        """The rows that a piece gives; what it held is counted in `tally` on the way."""
        try:
            for place, line in lines_of(chunk):
                if line and not line.isspace():
                    tally.lines += 1
                    yield from self._line(chunk, place, line, tally)
        except BrokenFile as broken:
            tally.faults.append(InputFault(chunk.file.name, 0, str(broken)))

    def _line(self, chunk: Chunk, place: int, line: bytes, tally: Tally) -> Iterable[Row]:
        try:
            if chunk.file.deletes:
                return list(_deletions(chunk, place, line))
            look = self._look(line)
        except NotRead as wrong:
            number = line_number(chunk.file, place)
            tally.faults.append(InputFault(chunk.file.name, number, str(wrong)))
            return ()
        tally.types[look.kind] = tally.types.get(look.kind, 0) + 1
        tally.r5 += look.r5 is True
        tally.r4 += look.r5 is False
        if look.keep:
            tally.kept += 1
            return (self._kept(chunk, place, line, look),)
        if self._names_too and look.id:
            return (_named(chunk, place, look.kind, look.id, NAMED),)
        return ()

    def _kept(self, chunk: Chunk, place: int, line: bytes, look: Look) -> Row:
        whole = look.kind != "Medication" or look.hormone
        return Row(
            bucket_of(look.patient, self._buckets),
            look.patient,
            look.kind,
            look.id,
            KEPT,
            look.hormone,
            look.medication,
            chunk.file.layer,
            chunk.file_number,
            place,
            line if whole else b"",
        )


def _named(chunk: Chunk, place: int, kind: str, id_: str, role: str) -> Row:
    layer, number = chunk.file.layer, chunk.file_number
    return Row(0, "", kind, id_, role, False, "", layer, number, place, b"")


def _deletions(chunk: Chunk, place: int, line: bytes) -> Iterator[Row]:
    """The names in a Bundle of DELETE entries."""
    try:
        bundle: Any = msgspec.json.decode(line)
        urls = [entry["request"]["url"] for entry in bundle["entry"]]
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError, KeyError, TypeError):
        raise NotRead("this line is not a Bundle of deletions") from None
    for url in urls:
        kind, _, id_ = local(str(url)).partition("/")
        if not id_:
            raise NotRead("this line deletes something that it does not name")
        yield _named(chunk, place, kind, id_, DELETED)
