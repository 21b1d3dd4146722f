"""Rows to and from Parquet, and their grouping by patient, out of core.

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
from crossgrain.nightly.scan import KeptRow
from crossgrain.nightly.sql import GROUPED, IN_ORDER, TOTALS, steps
from crossgrain.nightly.workdir import put_whole

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
            kind = "VIEW" if name == "standing" else "TABLE"
            self._db.execute(f"CREATE {kind} {name} AS {query}")

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
