"""Judge a drawn sample of a room's mutants, each in a process forked from one collection.

mutmut makes the mutants and its trampolines choose between them; only modules of which a mutant
was drawn are exchanged, so all other code runs at its own speed. One run of the tests notes which
of them meet which function. A mutant then meets those alone, first those that are quick and meet
little else, and the first that fails ends it. What was generated is kept in the copy by the
content of its source.
"""

import json
import os
import pickle
import random
import shutil
import signal
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import redirect_stdout
from dataclasses import dataclass, field
from difflib import unified_diff
from fnmatch import fnmatchcase
from functools import partial
from hashlib import sha256
from pathlib import Path

import pytest
from _pytest.config import _prepareconfig
from mutmut.configuration import config as settings_of_the_tool
from mutmut.mutation.file_mutation import mutate_file_contents
from mutmut.mutation.trampoline import set_mutant_under_test
from mutmut.state import state
from mutmut.utils.format_utils import get_mutant_name, mangled_name_from_mutant_name
from tests.bench.mutation.rooms import Room
from tests.bench.mutation.score import score
from tests.bench.mutation.settled import empty_caches, load_anew, tables_anew

OPTIONS = (
    "--rootdir=.", "-q", "-p", "_hypothesis_pytestplugin", "-p", "tests.bench.mutation.settled",
    "-p", "no:cacheprovider", "-p", "no:doctest", "-o", "addopts=--import-mode=importlib",
)  # fmt: skip
_WAITED = 20
"""How many times its limit on the processor a mutant may take by the clock."""
_say = partial(print, file=sys.__stdout__, flush=True)  # pytest holds the other


@dataclass(frozen=True)
class Generated:
    """A module with all of its mutants in it, and the lines of each."""

    code: str
    names: tuple[str, ...]
    spans: dict[str, tuple[int, int]]

    def change(self, name: str) -> str:
        """What a mutant changes, as a reader of the source sees it."""
        function = name.rpartition(".")[2]
        plain = mangled_name_from_mutant_name(function) + "__mutmut_orig"
        return "\n".join(
            line
            for line in unified_diff(self._lines(plain), self._lines(function), n=2, lineterm="")
            if not line.startswith(("---", "+++")) and "__mutmut_" not in line
        )

    def _lines(self, function: str) -> list[str]:
        start, end = self.spans[function]
        return self.code.splitlines()[start - 1 : end]


def generated(source: Path, kept: Path) -> Generated:
    """All mutants of a module, from what is kept where it has been generated before."""
    text = source.read_text("utf-8")
    place = kept / f"{sha256((str(source) + text).encode()).hexdigest()}.pickle"
    if place.exists():
        return pickle.loads(place.read_bytes())  # type: ignore[no-any-return]  # our own
    made = mutate_file_contents(str(source), text)
    spans = {name: (span.start, span.end) for name, span in made.line_span_by_function_name.items()}
    whole = Generated(made.code, tuple(made.mutant_names), spans)
    kept.mkdir(parents=True, exist_ok=True)
    place.write_bytes(pickle.dumps(whole))
    return whole


@dataclass
class Sample:
    """The mutants that were drawn, of how many, and the modules that they stand in."""

    mutants: int = 0
    drawn: list[str] = field(default_factory=list)
    home: dict[str, Generated] = field(default_factory=dict)


@dataclass(frozen=True)
class Choice:
    """Which mutants: so many drawn by a seed, all (0), or those that patterns name."""

    size: int = 0
    seed: int = 8
    patterns: Sequence[str] = ()

    def of(self, names: Iterable[str]) -> list[str]:
        """In the order drawn, so that a run that is ended early has judged a sample too."""
        every = sorted(names)
        if self.patterns:
            return [n for n in every if any(fnmatchcase(n, p) for p in self.patterns)]
        size = min(self.size or len(every), len(every))
        return random.Random(self.seed).sample(every, size)


def draw(room: Room, copy: Path, choice: Choice) -> Sample:
    """The mutants that are chosen of a room; in the copy their modules hold them."""
    sources = {
        source: generated(source, copy / "generated")
        for folder in room.folders
        for source in sorted(Path("service/crossgrain", folder).rglob("*.py"))
    }
    home = {
        get_mutant_name(source.relative_to("service"), name): source
        for source, whole in sources.items()
        for name in whole.names
    }
    drawn = choice.of(home)
    shutil.rmtree(copy / "src", ignore_errors=True)
    shutil.copytree("service", copy / "src", ignore=shutil.ignore_patterns("docs", "*.pyc"))
    for source in {home[name] for name in drawn}:
        there = copy / "src" / source.relative_to("service")
        there.write_text(sources[source].code, "utf-8")
    return Sample(len(home), drawn, {name: sources[home[name]] for name in drawn})


class Tests:
    """A room's tests, collected once, and which of them meet which function."""

    def __init__(self, room: Room, package: Path) -> None:
        sys.path.insert(0, str(package.resolve()))
        set_mutant_under_test("")
        settings_of_the_tool().track_dependencies = False
        with redirect_stdout((package.parent / "tests.log").open("w")):
            config = _prepareconfig([*OPTIONS, *room.tests])
            config._do_configure()
        self._session = pytest.Session.from_config(config)
        config.hook.pytest_sessionstart(session=self._session)
        config.hook.pytest_collection(session=self._session)
        import crossgrain  # noqa: PLC0415  # only now is the path its own

        assert Path(crossgrain.__file__ or "").is_relative_to(package.resolve())
        self._items = {item.nodeid: item for item in self._session.items}
        self._meeting: dict[str, dict[str, float]] = {}
        self._breadth: Counter[str] = Counter()

    def note(self, place: Path, modules: Iterable[str]) -> None:
        """Run every test once and note the functions that it meets, and how long it takes.

        What only makes a module's tables on import is met by whatever meets the module.
        """
        log = place.with_suffix(".log")
        if code := _forked(lambda: self._note(place, set(modules)), 3600, log):
            sys.exit(f"the tests fail without a mutant ({code}): {log}")
        self._meeting = json.loads(place.read_text("utf-8"))
        self._breadth = Counter(node for met in self._meeting.values() for node in met)

    def _note(self, place: Path, modules: set[str]) -> int:
        set_mutant_under_test("stats")
        meeting: dict[str, dict[str, float]] = defaultdict(dict)
        for item, following in _in_turn(list(self._items.values())):
            state()._stats.clear()
            start = time.process_time()
            item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
            for function in state()._stats:
                meeting[function][item.nodeid] = time.process_time() - start
        for module in modules & set(sys.modules):
            state()._stats.clear()
            tables_anew(sys.modules[module])
            own = [met for name, met in meeting.items() if name.rpartition(".")[0] == module]
            for function in state()._stats - set(meeting):
                meeting[function] = {node: took for met in own for node, took in met.items()}
        place.write_text(json.dumps(meeting), "utf-8")
        return self._session.testsfailed

    def judge(self, mutant: str, log: Path) -> str:
        """How a mutant ends: killed, survived, timeout, or not met by any test."""
        met = self._meeting.get(mangled_name_from_mutant_name(mutant), {})
        if not met:
            return "not met"
        limit = 20 + 3 * sum(met.values())
        in_order = sorted(met, key=lambda node: met[node] * self._breadth[node])
        code = _forked(lambda: self._meet(mutant, in_order), limit, log)
        return "timeout" if code is None else "killed" if code else "survived"

    def _meet(self, mutant: str, nodes: list[str]) -> int:
        set_mutant_under_test(mutant)
        empty_caches()
        try:
            tables_anew(sys.modules[mutant.rpartition(".")[0]])
            load_anew()
        except Exception as error:  # a mutant that keeps the tables from being made is killed
            _say(f"tables: {error!r}")
            return 1
        for item, following in _in_turn([self._items[node] for node in nodes]):
            item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
            if self._session.testsfailed:
                _say(f"killed by {item.nodeid}")
                return 1
        return 0


def _in_turn(items: list[pytest.Item]) -> Iterator[tuple[pytest.Item, pytest.Item | None]]:
    return zip(items, [*items[1:], None], strict=True)


def _forked(work: Callable[[], int], limit: float, log: Path) -> int | None:
    """The exit code of work in a process of its own; None where it took too long.

    Its limit is seconds of the processor, since a busy machine makes no mutant slow.
    """
    if not (child := os.fork()):
        os.setsid()
        with log.open("w") as out:
            os.dup2(out.fileno(), 1)
            os.dup2(out.fileno(), 2)
            signal.setitimer(signal.ITIMER_PROF, limit)
            signal.alarm(int(limit * _WAITED))
            try:
                code = work()
            except BaseException as error:  # whatever ends it, it must not go on as its parent
                _say(f"ended by {error!r}")
                code = 1
            sys.stdout.flush()
            os._exit(min(code, 1))
    ended = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    return None if -ended in {signal.SIGALRM, signal.SIGPROF} else ended


def judge(room: Room, copy: Path, choice: Choice) -> None:
    """Draw, judge and say how each ended; what a survivor changes is printed beside it."""
    sample = draw(room, copy, choice)
    logs = copy / "logs"
    logs.mkdir(exist_ok=True)
    tests = Tests(room, copy / "src")
    tests.note(copy / "meeting.json", (name.rpartition(".")[0] for name in sample.drawn))
    ended = {}
    for mutant in sample.drawn:
        start = time.monotonic()
        ended[mutant] = tests.judge(mutant, logs / f"{mutant}.log")
        _say(f"{ended[mutant]:8} {time.monotonic() - start:5.1f} s {mutant}")
        if ended[mutant] != "killed":
            _say(sample.home[mutant].change(mutant))
    killed = sum(how == "killed" for how in ended.values())
    share = score(killed, len(ended), sample.mutants)
    _say(f"{killed} of {len(ended)}, of {sample.mutants} in all: {share}")
    (copy / "ended.json").write_text(json.dumps(ended, indent=1), "utf-8")
