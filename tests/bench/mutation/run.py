"""Mutate a part of the package in a copy of the tree and see which mutants the tests let live.

``python -m tests.bench.mutation.run COPY [PATTERN …]`` from the repository's root mutates the
domain; a pattern is a mutant's name with wildcards, e.g. ``crossgrain.safety.*``. What was judged
before is kept in the copy and judged again only where the function changed or a pattern names it.
With ``--room ROOM`` it judges another room of `tests.bench.mutation.rooms` instead, by
`tests.bench.mutation.drawn`: ``--sample N`` of its mutants, drawn with ``--seed`` (8), or those
that patterns name.

mutmut does the work. It would collect the tests anew for each mutant, which takes longer than
running them, so here they are collected once and each mutant's process is forked from there.
"""

import argparse
import gc
import os
import shutil
import sys
from collections.abc import Iterable
from pathlib import Path

import pytest
from _pytest.config import _prepareconfig
from mutmut.__main__ import cli
from mutmut.configuration import reset_config
from mutmut.runners.harness import PytestRunner
from mutmut.state import state
from mutmut.utils.file_utils import change_cwd
from mutmut.workers import isolation
from tests.bench.mutation.drawn import Choice, judge
from tests.bench.mutation.rooms import ROOMS
from tests.bench.mutation.settled import empty_caches, load_anew, tables_anew

COPIED = (
    "tests", "fixtures", "openapi", "docker", "service/docs", "pyproject.toml", "DEVELOPERS.md",
    "README.md", ".gitignore",
)  # fmt: skip


class CollectedOnce(PytestRunner):
    """Runs a mutant's tests from a collection that was made before the mutant was there."""

    def warm_up(self) -> None:
        """Collect every test."""
        options = [*self._pytest_add_cli_args, *self._pytest_add_cli_args_test_selection]
        with change_cwd("mutants"):
            config = _prepareconfig(["--rootdir=.", "-q", *options])
            config._do_configure()
            self._session = pytest.Session.from_config(config)
            config.hook.pytest_sessionstart(session=self._session)
            config.hook.pytest_collection(session=self._session)
        gc.freeze()

    def run_tests(self, *, mutant_name: str | None, tests: Iterable[str]) -> int:
        """Zero where every test passes; the first failure ends the run, the quickest begin it."""
        if mutant_name is None:
            return super().run_tests(mutant_name=mutant_name, tests=tests)
        wanted, seconds = set(tests), state().duration_by_test
        items = [item for item in self._session.items if item.nodeid in wanted]
        items.sort(key=lambda item: seconds.get(item.nodeid, 0.0))
        empty_caches()
        try:
            with change_cwd("mutants"):
                tables_anew(sys.modules[mutant_name.rpartition(".")[0]])
                load_anew()
        except Exception:  # a mutant that keeps the tables from being made is killed
            return int(pytest.ExitCode.TESTS_FAILED)
        with change_cwd("mutants"):
            for item, following in zip(items, [*items[1:], None], strict=True):
                item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
                if self._session.testsfailed:
                    return int(pytest.ExitCode.TESTS_FAILED)
        return int(pytest.ExitCode.OK if items else pytest.ExitCode.NO_TESTS_COLLECTED)


def refresh(copy: Path) -> None:
    """Bring the copy up to date; mutmut knows a package under ``src`` by its import name."""
    copy.mkdir(parents=True, exist_ok=True)
    shutil.rmtree(copy / "mutants" / "tests", ignore_errors=True)
    for name, there in {**{name: copy / name for name in COPIED}, "service": copy / "src"}.items():
        if Path(name).is_dir():
            shutil.rmtree(there, ignore_errors=True)  # else what was moved would stand twice
            shutil.copytree(name, there, ignore=shutil.ignore_patterns("node_modules", "*.pyc"))
        else:
            shutil.copy2(name, there)


def main(asked: argparse.Namespace) -> None:
    """Judge a room, or refresh the copy and run mutmut in it."""
    os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"
    if asked.room:
        judge(ROOMS[asked.room], asked.copy, Choice(asked.sample, asked.seed, asked.patterns))
        return
    refresh(asked.copy)
    os.chdir(asked.copy)
    reset_config()  # the tool has read the settings of the folder that it was started in
    isolation.PytestRunner = CollectedOnce  # type: ignore[misc]
    cli(["run", "--max-children", "1", *asked.patterns])


def command_line() -> argparse.Namespace:
    """What is asked for."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.mutation.run")
    parser.add_argument("copy", type=Path)
    parser.add_argument("patterns", nargs="*")
    parser.add_argument("--room", choices=sorted(ROOMS))
    parser.add_argument("--sample", type=int, default=0)
    parser.add_argument("--seed", type=int, default=8)
    return parser.parse_args()


if __name__ == "__main__":
    main(command_line())
