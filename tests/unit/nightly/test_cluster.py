"""Spark where it is meant to run: a standalone master and two workers, one of them killed.

All of it listens on this machine alone. Skips where Spark or Java is not installed.
"""

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from tests.unit.nightly.clusters import PATIENCE_SECONDS, Cluster, Member, standalone
from tests.unit.nightly.exports import AS_OF, ROOT, bytes_of, make, run

pyspark = pytest.importorskip(
    "pyspark", reason="Spark is an extra: pip install 'crossgrain[spark]'"
)
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(shutil.which("java") is None, reason="Spark needs Java 17 or later"),
    pytest.mark.skipif(sys.platform != "linux", reason="its processes end with ours by prctl"),
]
HOME = Path(pyspark.__file__).parent


@pytest.fixture(scope="module")
def environment(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """What every process of the cluster and every driver is told."""
    settings = tmp_path_factory.mktemp("settings")
    (settings / "spark-defaults.conf").write_text(
        "spark.driver.memory 512m\nspark.executor.memory 512m\n"
        "spark.sql.shuffle.partitions 4\nspark.master.rest.enabled false\n"
    )
    return {
        **{name: text for name, text in os.environ.items() if not name.startswith("SPARK_")},
        "PYTHONPATH": str(ROOT / "service"),
        "PYSPARK_PYTHON": sys.executable,
        "SPARK_CONF_DIR": str(settings),
        "SPARK_LOCAL_IP": "127.0.0.1",
    }


@pytest.fixture(scope="module")
def cluster(environment, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    with standalone(HOME, tmp_path_factory.mktemp("cluster"), environment) as members:
        members.start()
        members.add_worker()
        yield members


@pytest.fixture
def victim(cluster: Cluster) -> Member:
    """A worker that a test may kill."""
    return cluster.add_worker()


@pytest.fixture(scope="module")
def export(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make(tmp_path_factory.mktemp("spread"), patients=60)


@pytest.fixture(scope="module")
def alone(export: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The outputs of the local engine."""
    out = tmp_path_factory.mktemp("alone") / "out"
    run(export, out)
    return out


def submitted(cluster: Cluster, export: Path, out: Path) -> list[str]:
    submit = [str(HOME / "bin" / "spark-submit"), "--master", cluster.address]
    return [*submit, str(ROOT / "docker" / "nightly-spark.py"), *options(export, out)]


def called(cluster: Cluster, export: Path, out: Path) -> list[str]:
    call = [sys.executable, "-c", "from crossgrain.cli import main; main()", "screen"]
    return [*call, *options(export, out), "--engine", "spark", "--master", cluster.address]


def options(export: Path, out: Path) -> list[str]:
    # Executors work in folders of their own, so a path that is not absolute must do as well.
    return [os.path.relpath(export), "--out", str(out), "--as-of", AS_OF.isoformat()]


@contextmanager
def one_run_of_spark(cluster: Cluster, out: Path, alone: Path) -> Iterator[None]:
    """What is done runs once on the cluster, and gives the local engine's bytes."""
    log = cluster.members[0].log
    before = log.read_text().count("Registered app crossgrain screen")
    yield
    assert log.read_text().count("Registered app crossgrain screen") == before + 1
    assert bytes_of(out) == bytes_of(alone)
    assert json.loads((out / "report.json").read_text())["run"]["engine"] == "spark"


def test_submitted_it_runs_on_the_master_that_spark_chose(
    cluster, environment, export, alone, tmp_path
):
    command = submitted(cluster, export, tmp_path / "out")
    with one_run_of_spark(cluster, tmp_path / "out", alone):
        subprocess.run(command, env=environment, check=True, timeout=2 * PATIENCE_SECONDS)


def test_called_it_runs_on_the_master_that_is_named_and_a_worker_that_is_killed_changes_no_byte(
    cluster, victim, environment, export, alone, tmp_path
):
    with one_run_of_spark(cluster, tmp_path / "out", alone):
        run_and_kill(cluster, victim, environment, export, tmp_path)


def run_and_kill(
    cluster: Cluster, victim: Member, environment: dict[str, str], export: Path, tmp_path: Path
) -> None:
    driver = subprocess.Popen(
        called(cluster, export, tmp_path / "out"), env=environment, stderr=subprocess.DEVNULL
    )
    try:
        victim.said(r"Running (task) ", "work/app-*/*/stderr")
        assert driver.poll() is None
        victim.kill()
        assert driver.wait(timeout=3 * PATIENCE_SECONDS) == 0
    finally:
        driver.kill()
        driver.wait()


def test_a_master_that_is_none_ends_with_one(environment, export, tmp_path):
    call = [sys.executable, "-c", "from crossgrain.cli import main; main()", "screen"]
    call += [*options(export, tmp_path / "out"), "--engine", "spark", "--master", "nonsense"]
    ran = subprocess.run(call, env=environment, capture_output=True, text=True, check=False)
    assert ran.returncode == 1
    assert "the cluster failed" in ran.stderr
    assert "Traceback" not in ran.stderr
    assert not (tmp_path / "out" / "report.json").exists()
