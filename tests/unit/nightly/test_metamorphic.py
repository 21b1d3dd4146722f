"""The same resources give the same bytes, however the export is written and the work is divided."""

import gzip
import random
from pathlib import Path

import pytest
from tests.unit.nightly.exports import make, run

FLAGS = ("DetectedIssue.ndjson", "needs-review.ndjson", "flags.parquet", "Task.ndjson")
"""The summary also counts files, which differ."""


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make(tmp_path_factory.mktemp("small"), patients=120)


def outputs(export: Path, out: Path, **options: int) -> dict[str, bytes]:
    report = run(export, out, worklist="task", **options)
    assert report["whole"]
    return {name: (out / name).read_bytes() for name in FLAGS}


@pytest.fixture(scope="module")
def plain(small: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    return outputs(small, tmp_path_factory.mktemp("plain") / "out")


def lines_by_type(export: Path) -> dict[str, list[bytes]]:
    found: dict[str, list[bytes]] = {}
    for path in sorted(export.iterdir()):
        kind = path.name.partition(".")[0]
        found.setdefault(kind, []).extend(path.read_bytes().splitlines())
    return found


@pytest.mark.parametrize("seed", range(3))
def test_in_any_order_in_any_number_of_files_packed_or_not(small, plain, tmp_path, seed):
    dice, export = random.Random(seed), tmp_path / "export"
    export.mkdir()
    for kind, every in lines_by_type(small).items():
        dice.shuffle(every)
        parts = dice.randint(1, min(6, len(every)))
        for part in range(parts):
            end = dice.choice([b"\n", b"\r\n"])
            content = b"".join(line + end for line in every[part::parts])
            name = f"{dice.randint(0, 9)}-{part}.{kind}.ndjson"
            if dice.random() < 0.5:
                (export / f"{name}.gz").write_bytes(gzip.compress(content))
            else:
                (export / name).write_bytes(content)
    assert outputs(export, tmp_path / "out") == plain


def test_all_in_one_file(small, plain, tmp_path):
    export = tmp_path / "export"
    export.mkdir()
    every = [line for lines in lines_by_type(small).values() for line in reversed(lines)]
    (export / "everything.ndjson").write_bytes(b"\n".join(every))
    assert outputs(export, tmp_path / "out") == plain


@pytest.mark.parametrize("jobs", [2, 3])
def test_with_any_number_of_workers(small, plain, tmp_path, jobs):
    assert outputs(small, tmp_path / "out", jobs=jobs, memory_mb=128) == plain


def test_a_base_and_nothing_new_is_the_base(small, plain, tmp_path):
    newer = tmp_path / "newer"
    newer.mkdir()
    every = lines_by_type(small)["Patient"]
    (newer / "Patient.ndjson").write_bytes(every[0] + b"\n")
    assert run(newer, tmp_path / "out", base=small, worklist="task")["whole"]
    assert {name: (tmp_path / "out" / name).read_bytes() for name in FLAGS} == plain


def test_what_came_twice_counts_once(small, plain, tmp_path):
    """A download that was repeated beside the first one: the dose is not doubled."""
    export = tmp_path / "export"
    export.mkdir()
    for path in small.iterdir():
        (export / path.name).write_bytes(path.read_bytes())
        (export / f"again.{path.name}.gz").write_bytes(gzip.compress(path.read_bytes()))
    assert outputs(export, tmp_path / "out") == plain
