"""Rows to and from Parquet, and their grouping by patient, out of core.

Each step is a name and a SELECT; an engine runs them in order, and a later one may read from an
earlier one. ``every`` holds the rows of the whole run.

Rows lie in one file per piece of input. DuckDB takes from them, within a fixed memory, what
belongs to patients who can have been switched, applies what an export replaces or deletes of
its base, and writes one file per bucket of patients; what does not fit in memory goes to disk.
"""

from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby, islice
from operator import itemgetter
from pathlib import Path

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq

from crossgrain.nightly.judging import JudgedPatient, record_of
from crossgrain.nightly.scan import DELETED, EVIDENCE, KEPT, NAMED, WATCHED, KeptRow
from crossgrain.nightly.sieve import OURS, UNSURE
from crossgrain.nightly.workdir import put_whole

Step = tuple[str, str]

_GONE = f"SELECT DISTINCT kind, id FROM every WHERE role = '{DELETED}'"
_NEWER = f"""
SELECT DISTINCT kind, id FROM every
WHERE layer = 1 AND role IN ('{KEPT}', '{NAMED}') AND id <> ''
"""
_NOT_GONE = """
NOT EXISTS (SELECT 1 FROM gone WHERE gone.kind = r.kind AND gone.id = r.id)
AND NOT EXISTS (
    SELECT 1 FROM gone WHERE gone.kind = 'Patient' AND r.patient = concat('Patient/', gone.id)
)
"""
_STANDING = f"""
SELECT bucket, patient, kind, id, kinds, medication, otherwise, reasons, layer, file, place
FROM every AS r WHERE role = '{KEPT}' AND {_NOT_GONE}
"""
"""Without the lines themselves: those of a few are looked up at the end, by file and place."""
_STANDING_LAYERED = f"""
{_STANDING} AND layer = 1
UNION ALL
{_STANDING} AND layer = 0
AND NOT EXISTS (SELECT 1 FROM newer WHERE newer.kind = r.kind AND newer.id = r.id)
"""
_PRODUCTS = """
SELECT concat('Medication/', id) AS medication, bit_or(kinds) AS kinds
FROM standing WHERE kind = 'Medication' GROUP BY id
"""
_HORMONAL = f"""
SELECT patient, kinds FROM (
    SELECT patient, bit_or(kinds) AS kinds FROM (
        SELECT s.patient, CASE
            WHEN p.kinds IS NULL THEN s.kinds WHEN p.kinds = 0 THEN s.otherwise ELSE p.kinds
        END AS kinds
        FROM standing AS s LEFT JOIN products AS p ON p.medication = s.medication
        WHERE s.patient <> '' AND s.kind IN ('MedicationStatement', 'MedicationRequest')
        UNION ALL
        SELECT s.patient, {UNSURE} AS kinds FROM standing AS s
        JOIN standing AS c ON c.patient = s.patient AND c.kind = 'Condition' AND c.kinds > 0
        LEFT JOIN products AS p ON p.medication = s.medication
        WHERE s.reasons LIKE concat('%|', c.id, '|%') AND coalesce(p.kinds, 0) = 0
        AND s.kind IN ('MedicationStatement', 'MedicationRequest')
        UNION ALL
        SELECT s.patient, coalesce(p.kinds, s.kinds) & {UNSURE - 1} AS kinds
        FROM standing AS s LEFT JOIN products AS p ON p.medication = s.medication
        WHERE s.patient <> '' AND s.kind = 'MedicationDispense'
    ) AS single
    GROUP BY patient
) AS found
WHERE kinds > 0
"""
"""What a medicine is: what its Medication holds, where that is in a file; and in doubt where it is
taken for a condition of the thyroid and is none that is known. A hand-over counts where it is
sure what it was: it may be all that tells of a second preparation."""
_MATTERING = f"""
SELECT patient FROM hormonal WHERE bit_count(kinds) > 1 OR kinds >= {UNSURE}
UNION
SELECT patient FROM standing WHERE kinds >= {OURS} AND patient <> ''
UNION
SELECT w.patient FROM every AS w WHERE w.role = '{WATCHED}'
AND w.patient IN (SELECT patient FROM standing)
"""
_LOST = f"""
SELECT e.bucket, e.patient, e.kind, e.id FROM every AS e
WHERE e.role = '{EVIDENCE}' AND e.patient IN (SELECT patient FROM standing)
AND NOT EXISTS (
    SELECT 1 FROM standing AS s
    WHERE s.kind = e.kind AND s.id = e.id AND s.patient = e.patient
)
AND NOT EXISTS (SELECT 1 FROM gone WHERE gone.kind = e.kind AND gone.id = e.id)
"""


def steps(*, layered: bool) -> list[Step]:
    """The steps of a run; `layered` where an export builds on a base snapshot."""
    first = [("newer", _NEWER)] if layered else []
    standing = _STANDING_LAYERED if layered else _STANDING
    return [
        *first,
        ("gone", _GONE),
        ("standing", standing),
        ("products", _PRODUCTS),
        ("hormonal", _HORMONAL),
        ("mattering", _MATTERING),
        ("lost", _LOST),
    ]


TOTALS = f"""
SELECT
    (SELECT count(*) FROM (
        SELECT patient FROM standing WHERE kind = 'Patient'
        UNION SELECT patient FROM hormonal
        UNION SELECT patient FROM mattering
    )) AS patients,
    (SELECT count(*) FROM hormonal
        WHERE patient NOT IN (SELECT patient FROM mattering)) AS of_one_kind,
    (SELECT count(*) FROM mattering) AS to_judge,
    (SELECT count(DISTINCT patient) FROM every WHERE role = '{EVIDENCE}'
        AND patient NOT IN (SELECT patient FROM standing)
        AND patient NOT IN (SELECT concat('Patient/', id) FROM gone WHERE kind = 'Patient')
    ) AS absent,
    (SELECT count(DISTINCT patient) FROM lost) AS with_lost_evidence
"""
"""How many patients there are; how many of them take one kind of hormone, so that no change of
preparation is there; and how many the judgement looks at: those with two kinds, those of whom
it is not sure, those with a plan of ours, and those who had a flag. Then, of the patients with an
open flag: of how many nothing came, and for how many some of what the flag rests on did not."""

_LINES = """
SELECT s.* FROM standing AS s
WHERE s.patient IN (SELECT patient FROM mattering)
AND (s.medication NOT IN (SELECT medication FROM products WHERE kinds = 0)
    OR s.otherwise <> 0 OR s.reasons <> '')
"""
GROUPED = f"""
SELECT c.bucket, c.patient, c.kind, c.id, c.layer, c.file, c.place, e.role, e.body
FROM (
    SELECT bucket, patient, kind, id, layer, file, place FROM ({_LINES}) AS lines
    UNION ALL
    SELECT n.bucket, n.patient, m.kind, m.id, m.layer, m.file, m.place
    FROM (
        SELECT DISTINCT bucket, patient, medication FROM ({_LINES}) AS pointing
        WHERE medication <> ''
    ) AS n
    JOIN standing AS m ON m.kind = 'Medication' AND n.medication = concat('Medication/', m.id)
) AS c
JOIN every AS e ON e.role = '{KEPT}' AND e.file = c.file AND e.place = c.place
UNION ALL
SELECT l.bucket, l.patient, l.kind, l.id, 1, -1, 0, '{EVIDENCE}', NULL FROM lost AS l
"""
"""The rows of the patients that matter, each with the Medications that it refers to, and the
names of what an open flag rests on that is no longer there."""

IN_ORDER = ("patient", "kind", "id", "layer", "file", "place")
"""What the rows are sorted by before they are read: it depends on nothing but the input."""


_FIELDS = {
    "bucket": pa.int32(),
    "patient": pa.string(),
    "kind": pa.string(),
    "id": pa.string(),
    "role": pa.string(),
    "kinds": pa.int32(),
    "medication": pa.string(),
    "otherwise": pa.int32(),
    "reasons": pa.string(),
    "layer": pa.int8(),
    "file": pa.int32(),
    "place": pa.int64(),
    "body": pa.binary(),
}
SCHEMA = pa.schema(list(_FIELDS.items()))


_ROWS_AT_ONCE = 20_000


def write_rows(path: Path, rows: Iterable[KeptRow]) -> None:
    """Write rows as one Parquet file, whole or not at all, holding a few of them at a time."""

    def fill(beside: Path) -> None:
        waiting = iter(rows)
        with pq.ParquetWriter(beside, SCHEMA, compression="lz4") as writer:
            while some := list(islice(waiting, _ROWS_AT_ONCE)):
                writer.write_table(_table(some))

    put_whole(path, fill)


def _table(rows: Sequence[KeptRow]) -> pa.Table:
    columns = [
        pa.array([getattr(row, name) for row in rows], type=kind) for name, kind in _FIELDS.items()
    ]
    return pa.Table.from_arrays(columns, schema=SCHEMA)


class Grouping:
    """The rows of a run, grouped."""

    def __init__(self, rows: Path, scratch: Path, *, memory_mb: int, threads: int) -> None:
        self._db = duckdb.connect(
            config={
                "memory_limit": f"{memory_mb}MB",
                "temp_directory": str(scratch),
                "threads": str(threads),
                "preserve_insertion_order": "false",
            }
        )
        self._db.execute(
            f"CREATE VIEW every AS SELECT * FROM read_parquet('{_quoted(rows / '*.parquet')}')"
        )

    def resolve(self, *, layered: bool) -> None:
        """Decide which rows stand, what Medications hold, and which patients matter."""
        for name, query in steps(layered=layered):
            self._db.execute(f"CREATE TABLE {name} AS {query}")

    def totals(self) -> tuple[int, ...]:
        """The counts that `sql.TOTALS` names."""
        found = self._db.execute(TOTALS).fetchone()
        assert found is not None  # an aggregate gives one row
        return tuple(map(int, found))

    def write_buckets(self, folder: Path) -> None:
        """Write the rows of the patients that matter, one folder per bucket."""
        self._db.execute(
            f"COPY ({GROUPED}) TO '{_quoted(folder)}'"
            " (FORMAT parquet, PARTITION_BY (bucket), OVERWRITE_OR_IGNORE)"
        )

    def close(self) -> None:
        """Let go of the memory and of the scratch files."""
        self._db.close()


def _quoted(path: Path) -> str:
    return str(path).replace("'", "''")


def patients_in(folder: Path) -> Iterator[tuple[str, JudgedPatient]]:
    """Each patient of a bucket with what is there, in the order of `IN_ORDER`."""
    table = pq.read_table(sorted(folder.glob("*.parquet")), partitioning=None)
    columns = [table.column(name).to_pylist() for name in (*IN_ORDER, "role", "body")]
    rows = sorted(zip(*columns, strict=True), key=lambda row: row[: len(IN_ORDER)])
    for patient, found in groupby(rows, key=itemgetter(0)):
        yield (
            patient,
            record_of((kind, own_id, role, body) for _, kind, own_id, *_, role, body in found),
        )
