"""From one piece of the input to the rows kept from it."""

import zlib
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

import msgspec

from crossgrain.nightly.plan import BrokenFile, Chunk, InputFault, lines_of
from crossgrain.nightly.sieve import LineLook, NotRead, Sieve
from crossgrain.reading.resolve import local

DELETED = "deleted"
"""The `role` of a row that names a resource that is gone."""
NAMED = "named"
"""The `role` of a row that only names a resource, so that it takes an older one's place."""
KEPT = "kept"
"""The `role` of a row whose resource is read."""
WATCHED = "watched"
"""The `role` of a row that names a patient who had a flag on an earlier night."""
EVIDENCE = "evidence"
"""The `role` of a row that names a resource on which an open flag of that patient rests."""
MOST_FAULTS = 1000
"""So many faults of a piece, and of a run, are named; the rest are counted."""


class KeptRow(msgspec.Struct, array_like=True, gc=False):
    """One line that is kept, or the name of one.

    Attributes
    ----------
    bucket : of its patient; rows of one patient share it
    patient : ``Patient/…``; empty for a Medication and for a name
    kind, id : of the resource
    role : kept, named, deleted, watched or evidence
    kinds : the kinds of thyroid hormone in it, a bit each
    medication : the Medication that it refers to, or empty
    otherwise : the kinds that are assumed where that Medication holds none
    reasons : the Conditions for which it is taken, as ``|id|id|``, or empty
    layer : 0 for the base snapshot, 1 for the export
    file, place : where its line begins, in bytes
    body : the line
    """

    bucket: int
    patient: str
    kind: str
    id: str
    role: str
    kinds: int
    medication: str
    otherwise: int
    reasons: str
    layer: int
    file: int
    place: int
    body: bytes


class Tally(msgspec.Struct):
    """What one piece held: every line is kept, passed over, or at fault.

    Attributes
    ----------
    begun : lines that begin in the piece, the empty ones too
    lines, kept, at_fault : lines that hold something; of these, how many are kept, or not read
    types : resource type → how many
    r4, r5 : medicines that have the shape of one version
    faults : the first `MOST_FAULTS` lines at fault, numbered within the piece
    broken : why the piece could not be read to its end, or empty
    """

    begun: int = 0
    lines: int = 0
    kept: int = 0
    at_fault: int = 0
    types: dict[str, int] = {}
    r4: int = 0
    r5: int = 0
    faults: list[InputFault] = []
    broken: str = ""

    def add_fault(self, fault: InputFault) -> None:
        """Count a line that could not be read, and name it while there is room."""
        self.at_fault += 1
        if len(self.faults) < MOST_FAULTS:
            self.faults.append(fault)


Watch = Mapping[str, tuple[str, ...]]
"""The patients of earlier flags → the resources on which those still open rest, as ``Type/id``."""


def bucket_of(patient: str, buckets: int) -> int:
    """The bucket of a patient: the same on every machine and in every run.

    >>> bucket_of("Patient/1", 16), bucket_of("Patient/2", 16)
    (1, 11)
    """
    return zlib.crc32(patient.encode()) % buckets


class Scanner:
    """Scans pieces, for one process."""

    def __init__(self, sieve: Sieve, buckets: int, *, names_too: bool) -> None:
        """`names_too`: keep the name of every resource of an export, for it replaces its base's."""
        self._look = sieve.look
        self._buckets = buckets
        self._names_too = names_too

    def scan(self, chunk: Chunk, tally: Tally) -> Iterator[KeptRow]:
        """The rows that a piece gives; what it held is counted in `tally` on the way."""
        read = self._deletions if chunk.file.deletes else self._resource
        number = empty = 0
        try:
            for number, (place, line) in enumerate(lines_of(chunk), start=1):
                try:
                    rows = read(chunk, place, line, tally)
                except NotRead as wrong:
                    if line and not line.isspace():
                        tally.add_fault(InputFault(chunk.file.name, number, str(wrong)))
                    else:
                        empty += 1
                    continue
                if rows:
                    yield from rows
        except BrokenFile as broken:
            tally.broken = str(broken)
        tally.begun, tally.lines = number, number - empty

    def _resource(self, chunk: Chunk, place: int, line: bytes, tally: Tally) -> Iterable[KeptRow]:
        look = self._look(line)
        tally.types[look.kind] = tally.types.get(look.kind, 0) + 1
        if look.r5 is not None:
            tally.r5 += look.r5
            tally.r4 += not look.r5
        if look.keep:
            tally.kept += 1
            return (self._kept(chunk, place, line, look),)
        if self._names_too and chunk.file.layer and look.id:
            return (_named(chunk, place, look.kind, look.id, NAMED),)
        return ()

    def _kept(self, chunk: Chunk, place: int, line: bytes, look: LineLook) -> KeptRow:
        return KeptRow(
            bucket_of(look.patient, self._buckets),
            look.patient,
            look.kind,
            look.id,
            KEPT,
            look.kinds,
            look.medication,
            look.otherwise,
            look.reasons,
            chunk.file.layer,
            chunk.file_number,
            place,
            line,
        )

    def _deletions(self, chunk: Chunk, place: int, line: bytes, tally: Tally) -> Iterable[KeptRow]:
        """The names in a Bundle of DELETE entries."""
        try:
            bundle: Any = msgspec.json.decode(line)
            urls = [local(str(entry["request"]["url"])) for entry in bundle["entry"]]
        except (msgspec.DecodeError, UnicodeDecodeError, RecursionError, KeyError, TypeError):
            raise NotRead("this line is not a Bundle of deletions") from None
        if not all(url.partition("/")[2] for url in urls):
            raise NotRead("this line deletes something that it does not name")
        tally.kept += 1
        return [_named(chunk, place, *_kind_and_id(url), DELETED) for url in urls]


def watched_rows(watch: Watch, buckets: int) -> Iterator[KeptRow]:
    """A row for each patient who must be judged whatever the record holds by now, and one for
    each resource on which an open flag rests."""
    for patient, evidence in sorted(watch.items()):
        bucket = bucket_of(patient, buckets)
        yield KeptRow(bucket, patient, "", "", WATCHED, 0, "", 0, "", 1, -1, 0, b"")
        for reference in evidence:
            kind, own_id = _kind_and_id(reference)
            yield KeptRow(bucket, patient, kind, own_id, EVIDENCE, 0, "", 0, "", 1, -1, 0, b"")


def _kind_and_id(url: str) -> tuple[str, str]:
    kind, _, own_id = url.partition("/")
    return kind, own_id


def _named(chunk: Chunk, place: int, kind: str, id_: str, role: str) -> KeptRow:
    layer, number = chunk.file.layer, chunk.file_number
    return KeptRow(0, "", kind, id_, role, 0, "", 0, "", layer, number, place, b"")
