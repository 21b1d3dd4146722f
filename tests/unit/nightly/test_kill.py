"""A run that is killed at any moment goes on and ends with the same bytes."""

import os
import random
import signal
import subprocess
import sys
import time
from contextlib import nullcontext
from pathlib import Path

import pytest
from tests.unit.nightly.exports import AS_OF, ROOT, bytes_of, make, run

from crossgrain.nightly import local as workers
from crossgrain.nightly.plan import RunOptions, RunRefused
from crossgrain.nightly.run import screen_export
from crossgrain.nightly.workdir import REPORT

ENVIRONMENT = {**os.environ, "PYTHONPATH": str(ROOT / "service")}


def started(export: Path, out: Path) -> subprocess.Popen[bytes]:
    """A run in a process of its own, as cron starts it."""
    script = "from crossgrain.cli import main; main()"
    call = ["screen", str(export), "--out", str(out), "--as-of", AS_OF.isoformat(), "--jobs", "2"]
    return subprocess.Popen(
        [sys.executable, "-c", script, *call],
        env=ENVIRONMENT,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


@pytest.fixture(scope="module")
def large(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make(tmp_path_factory.mktemp("killed"), "--seed", "5", patients=1500)


@pytest.fixture(scope="module")
def unharmed(large, tmp_path_factory) -> tuple[Path, float, float]:
    """The outputs of a run that nobody kills; after how many seconds it is at work, and done."""
    out, begun = tmp_path_factory.mktemp("unharmed") / "out", time.monotonic()
    process = started(large, out)
    while not (out / ".work").is_dir():
        assert process.poll() is None
        time.sleep(0.01)
    at_work = time.monotonic() - begun
    assert process.wait() == 0
    return out, at_work, time.monotonic() - begun


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(3))
def test_killed_at_random_points_it_ends_with_the_same_bytes(large, unharmed, tmp_path, seed):
    wanted, at_work, done = unharmed
    dice, out, kills = random.Random(seed), tmp_path / "out", 0
    for _ in range(4):
        process = started(large, out)
        try:
            process.wait(timeout=dice.uniform(at_work, done))
        except subprocess.TimeoutExpired:
            process.send_signal(signal.SIGKILL)
            kills += 1
            process.wait()
    assert started(large, out).wait() == 0
    assert kills
    assert bytes_of(out) == bytes_of(wanted)
    assert not (out / ".work").exists()


def test_what_was_done_before_the_kill_is_not_done_again(large, tmp_path):
    out = tmp_path / "out"
    process = started(large, out)
    tallies = out / ".work" / "tallies"
    while not (tallies.is_dir() and any(tallies.glob("*.json"))):
        assert process.poll() is None
        time.sleep(0.01)
    process.send_signal(signal.SIGKILL)
    process.wait()
    done = {path.name: path.stat().st_mtime_ns for path in tallies.glob("*.json")}
    assert done
    seen: dict[str, int] = {}

    class Watching:
        """Notes the tallies as the grouping begins."""

        def stage(self, name, total, unit):
            if name == "grouping":
                seen.update({p.name: p.stat().st_mtime_ns for p in tallies.glob("*.json")})
            return nullcontext(lambda _: None)

    report = screen_export(RunOptions(large, out, AS_OF, jobs=2), Watching())
    assert report["run"]["resumed"]
    assert {name: seen[name] for name in done} == done


def test_killed_between_two_renames_the_next_run_finishes_the_change(
    export, screened, out, monkeypatch
):
    replace, moved = Path.replace, []

    def dying(self, target):
        if self.parent.name == "ready":
            moved.append(self.name)
            if len(moved) == 3:
                raise KeyboardInterrupt  # stands for the power going
        return replace(self, target)

    with monkeypatch.context() as patched:
        patched.setattr(Path, "replace", dying)
        with pytest.raises(KeyboardInterrupt):
            run(export, out)
    assert REPORT not in moved
    assert not (out / REPORT).exists()
    run(export, out)
    assert bytes_of(out) == bytes_of(screened)


def test_a_worker_that_dies_ends_the_run_with_its_reason(export, out, monkeypatch):
    monkeypatch.setattr(workers, "begin", _die)
    with pytest.raises(RunRefused, match="worker process died"):
        run(export, out, jobs=2)
    assert not (out / REPORT).exists()


def _die(_: object) -> None:
    os._exit(9)
