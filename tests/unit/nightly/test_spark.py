"""The cluster engine gives the local engine's bytes. Skips where Spark or Java is not installed."""

import os
import shutil
from pathlib import Path

import pytest
from tests.unit.nightly.exports import ROOT, bytes_of, lines, make, run

from crossgrain.nightly import run as nightly_run
from crossgrain.nightly.plan import Engine, RunRefused, Worklist

pytest.importorskip("pyspark", reason="Spark is an extra: pip install 'crossgrain[spark]'")
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(shutil.which("java") is None, reason="Spark needs Java 17 or later"),
]


@pytest.fixture(autouse=True)
def importable(monkeypatch: pytest.MonkeyPatch) -> None:
    """Executors are processes of their own, in folders of their own."""
    monkeypatch.setattr(nightly_run, "_LEAST_BUCKETS", 4)  # each costs Spark a task in every query
    inherited = os.environ.get("PYTHONPATH", "")
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(ROOT / "service"), inherited]))


def test_it_gives_the_same_bytes_over_many_partitions(tmp_path: Path) -> None:
    export = make(tmp_path, "--files", "3", patients=400)
    with (export / "Observation.001.ndjson").open("a") as file:
        file.write("{ not JSON\n")
    local, cluster = tmp_path / "local", tmp_path / "cluster"
    first = run(export, local, worklist=Worklist.TASK)
    second = run(export, cluster, worklist=Worklist.TASK, engine=Engine.SPARK, jobs=4)
    assert bytes_of(local) == bytes_of(cluster)
    assert lines(local / "Task.ndjson") == lines(cluster / "Task.ndjson")
    assert {**first, "run": None} == {**second, "run": None}
    assert not first["whole"]


def test_it_applies_a_base_and_deletions_alike(tmp_path: Path) -> None:
    base = make(tmp_path / "base", patients=60)
    newer = make(tmp_path / "newer", "--seed", "8", patients=30)
    run(newer, tmp_path / "local", base=base)
    run(newer, tmp_path / "cluster", base=base, engine=Engine.SPARK, jobs=2)
    assert bytes_of(tmp_path / "local") == bytes_of(tmp_path / "cluster")


def test_it_carries_what_is_in_doubt_alike(tmp_path: Path) -> None:
    """On the second night half of the flagged patients' orders are gone."""
    export = make(tmp_path, patients=40)
    for out in ("local", "cluster"):
        run(export, tmp_path / out)
    for path in export.glob("MedicationRequest.*"):
        every = path.read_bytes().splitlines(keepends=True)
        path.write_bytes(b"".join(every[::2]))
    first = run(export, tmp_path / "local")
    second = run(export, tmp_path / "cluster", engine=Engine.SPARK, jobs=2)
    assert first["issues"]["carried in doubt"] > 0
    assert first["doubts"]
    assert bytes_of(tmp_path / "local") == bytes_of(tmp_path / "cluster")
    assert {**first, "run": None} == {**second, "run": None}


def test_a_cluster_that_fails_publishes_nothing(tmp_path: Path, monkeypatch) -> None:
    export = make(tmp_path, patients=20)
    monkeypatch.setenv("PYTHONPATH", "")
    monkeypatch.setenv("PYSPARK_PYTHON", shutil.which("false") or "false")
    with pytest.raises(RunRefused, match="the cluster failed"):
        run(export, tmp_path / "out", engine=Engine.SPARK)
    assert not (tmp_path / "out" / "report.json").exists()
