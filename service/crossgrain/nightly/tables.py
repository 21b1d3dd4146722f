"""Rows to and from Parquet, and their grouping by patient, out of core.

Rows lie in one file per piece of input. DuckDB takes from them, within a fixed memory, what
belongs to patients with thyroid hormone, applies what an export replaces or deletes of its base,
and writes one file per bucket of patients; what does not fit in memory goes to the disk.
"""

from collections.abc import Iterator, Sequence
from pathlib import Path

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq

from crossgrain.nightly.atomic import put_whole
from crossgrain.nightly.scan import DELETED, KEPT, NAMED, Row

_FIELDS = {
    "bucket": pa.int32(),
    "patient": pa.string(),
    "kind": pa.string(),
    "id": pa.string(),
    "role": pa.string(),
    "hormone": pa.bool_(),
    "medication": pa.string(),
    "layer": pa.int8(),
    "file": pa.int32(),
    "offset": pa.int64(),
    "body": pa.binary(),
}
SCHEMA = pa.schema(list(_FIELDS.items()))


def write_rows(path: Path, rows: Sequence[Row]) -> None:
    """Write rows as one Parquet file, whole or not at all."""
    columns = [
        pa.array([getattr(row, name) for row in rows], type=kind) for name, kind in _FIELDS.items()
    ]
    table = pa.Table.from_arrays(columns, schema=SCHEMA)
    put_whole(path, lambda beside: pq.write_table(table, beside, compression="lz4"))


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
        """Decide which rows stand, whose Medications are hormone, and which patients matter."""
        self._db.execute(_LAYERED if layered else _PLAIN)
        self._db.execute(_MATTERING)

    def totals(self) -> tuple[int, int]:
        """How many patients there are, and how many of them the judgement has to look at."""
        found = self._db.execute(_TOTALS).fetchone()
        assert found is not None  # an aggregate gives one row
        return int(found[0]), int(found[1])

    def write_buckets(self, folder: Path) -> None:
        """Write the rows of the patients that matter, one folder per bucket."""
        self._db.execute(
            f"COPY ({_GROUPED}) TO '{_quoted(folder)}'"
            " (FORMAT parquet, PARTITION_BY (bucket), OVERWRITE_OR_IGNORE)"
        )

    def close(self) -> None:
        """Let go of the memory and of the scratch files."""
        self._db.close()


def _quoted(path: Path) -> str:
    return str(path).replace("'", "''")


_PLAIN = f"""
CREATE VIEW gone AS SELECT DISTINCT kind, id FROM every WHERE role = '{DELETED}';
CREATE VIEW standing AS
    SELECT * FROM every AS r WHERE role = '{KEPT}'
    AND NOT EXISTS (SELECT 1 FROM gone WHERE gone.kind = r.kind AND gone.id = r.id)
    AND NOT EXISTS (
        SELECT 1 FROM gone WHERE gone.kind = 'Patient' AND r.patient = 'Patient/' || gone.id
    )
"""
_LAYERED = f"""
CREATE TABLE newer AS
    SELECT DISTINCT kind, id FROM every
    WHERE layer = 1 AND role IN ('{KEPT}', '{NAMED}') AND id <> '';
CREATE VIEW gone AS SELECT DISTINCT kind, id FROM every WHERE role = '{DELETED}';
CREATE VIEW standing AS
    SELECT * FROM every AS r WHERE role = '{KEPT}'
    AND (layer = 1 OR NOT EXISTS (
        SELECT 1 FROM newer WHERE newer.kind = r.kind AND newer.id = r.id
    ))
    AND NOT EXISTS (SELECT 1 FROM gone WHERE gone.kind = r.kind AND gone.id = r.id)
    AND NOT EXISTS (
        SELECT 1 FROM gone WHERE gone.kind = 'Patient' AND r.patient = 'Patient/' || gone.id
    )
"""
_MATTERING = """
CREATE TABLE products AS
    SELECT 'Medication/' || id AS medication, bool_or(hormone) AS hormone
    FROM standing WHERE kind = 'Medication' GROUP BY id;
CREATE TABLE mattering AS
    SELECT DISTINCT patient FROM standing
    LEFT JOIN products USING (medication)
    WHERE patient <> '' AND kind IN ('MedicationStatement', 'MedicationRequest')
    AND coalesce(products.hormone, standing.hormone);
"""
_TOTALS = """
SELECT
    (SELECT count(*) FROM (
        SELECT patient FROM standing WHERE kind = 'Patient'
        UNION SELECT patient FROM mattering
    )),
    (SELECT count(*) FROM mattering)
"""
_GROUPED = """
SELECT bucket, patient, kind, id, layer, file, "offset", body FROM standing
WHERE patient IN (SELECT patient FROM mattering)
AND medication NOT IN (SELECT medication FROM products WHERE NOT hormone)
UNION ALL
SELECT needed.bucket, needed.patient, 'Medication', product.id, product.layer, product.file,
    product."offset", product.body
FROM (
    SELECT DISTINCT bucket, patient, medication FROM standing
    WHERE medication <> '' AND patient IN (SELECT patient FROM mattering)
) AS needed
JOIN standing AS product
    ON product.kind = 'Medication' AND needed.medication = 'Medication/' || product.id
WHERE product.hormone
"""


def patients_in(folder: Path) -> Iterator[tuple[str, list[bytes]]]:
    """Each patient of a bucket with its resources, both in a fixed order.

    The order is that of kind, id and place in the input, so it depends on nothing else.
    """
    table = pq.read_table(sorted(folder.glob("*.parquet")), partitioning=None)
    columns = [table.column(name).to_pylist() for name in _ORDER]
    found: list[bytes] = []
    current = ""
    for patient, *_, body in sorted(zip(*columns, strict=True), key=lambda row: row[:-1]):
        if patient != current and found:
            yield current, found
            found = []
        current = patient
        found.append(body)
    if found:
        yield current, found


_ORDER = ("patient", "kind", "id", "layer", "file", "offset", "body")
