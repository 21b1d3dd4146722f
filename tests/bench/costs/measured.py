"""What one call costs, each measured in a process of its own.

The processes are forks of one that has loaded the service and answered nothing: none finds room
that another left, so growth of the resident set is what the call itself took. Parsing is measured
beside it, in the same process or in another like it: `orjson` on the same bytes, and the service's
own reading of JSON on an innocent body of the same size.
"""

import gc
import multiprocessing
import re
import resource
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from math import inf
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TypeVar

import orjson
from fastapi import FastAPI
from fastapi.testclient import TestClient
from tests.bench.costs.calls import PATHS, body, media_type
from tests.bench.costs.shapes import order, ordinary, record, shape

from crossgrain.app.factory import create_app
from crossgrain.catalogue import load_catalogue
from crossgrain.http.settings import Settings
from crossgrain.reading.json import parse

_FORK = multiprocessing.get_context("fork")
_STATUS = Path("/proc/self/status")
_FORGET_PEAK = Path("/proc/self/clear_refs")
_MB = 1e6
_LARGEST = 8.3e6
_MOST_MB_OVER_PARSING = 64
_LONG_ENOUGH_SECONDS = 0.05
_MOST_SECONDS = 60
_MOST_BYTES = 4 * 1024**3
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Cost:
    """What a call cost.

    Attributes
    ----------
    size : bytes of the body
    status : of the answer; 0 where the call was ended, at a minute or 4 GiB
    ms, parsing_ms, ordinary_ms : processor time of the call, of decoding the same bytes, and of
        reading as many bytes of an innocent record's JSON
    small_ms : of a call with a small record
    mb, parsing_mb : growth of the resident set at its peak, 10^6 bytes; of decoding alone
    """

    shape: str
    operation: str
    size: int
    status: int
    ms: float
    parsing_ms: float
    ordinary_ms: float
    small_ms: float
    mb: float
    parsing_mb: float

    @property
    def mb_over_parsing(self) -> float:
        """Memory that the call took beyond what its bytes take when decoded."""
        return self.mb - self.parsing_mb

    @property
    def is_dear(self) -> bool:
        """Whether it costs more than a second, or 64 MB over parsing.

        The second is one of a machine that reads the JSON of an innocent body of the largest size
        that is taken in 100 ms: ten times that.
        """
        second_ms = 10 * self.ordinary_ms * max(1, _LARGEST / self.size)
        return self.ms > second_ms or self.mb_over_parsing > _MOST_MB_OVER_PARSING


def costs(pairs: Iterable[tuple[str, str]], sizes: Sequence[int]) -> Iterator[Cost]:
    """The cost of every pair of a shape and an operation, at every size."""
    app = create_app(Settings(), load_catalogue())
    cells = [(name, size, operation) for name, operation in pairs for size in sizes]
    with TemporaryDirectory() as folder:
        sent = Path(folder, "body")
        for name, size, operation in cells:
            apart(lambda: sent.write_bytes(body(operation, shape(name, size))))  # noqa: B023
            parsing_mb = apart(lambda: grown(lambda: decode(sent.read_bytes())))
            try:
                yield apart(lambda: _cost(app, name, operation, sent, parsing_mb))  # noqa: B023
            except EOFError:
                yield Cost(name, operation, sent.stat().st_size, 0, inf, 1, 1, 1, inf, parsing_mb)


def apart(work: Callable[[], T]) -> T:
    """Do it in a process of its own."""
    here, there = _FORK.Pipe(duplex=False)
    process = _FORK.Process(target=lambda: there.send(_bounded(work)))
    process.start()
    there.close()
    try:
        done: T = here.recv()
    finally:
        process.join()
    return done


def _bounded(work: Callable[[], T]) -> T:
    """Let no call take the machine with it: it ends its process instead."""
    resource.setrlimit(resource.RLIMIT_CPU, (_MOST_SECONDS, _MOST_SECONDS))
    resource.setrlimit(resource.RLIMIT_AS, (_MOST_BYTES, _MOST_BYTES))
    return work()


def _cost(app: FastAPI, name: str, operation: str, sent: Path, parsing_mb: float) -> Cost:
    content = sent.read_bytes()
    headers = {"content-type": media_type(operation)}
    with TestClient(app, raise_server_exceptions=False) as client:
        small = body(operation, shape("results", 2000))

        def post(content: bytes) -> int:
            answer = client.post(PATHS[operation], content=content, headers=headers)
            return answer.status_code

        for loads in (small, body(operation, record(order(1)))):
            post(loads)  # what is loaded when it is first asked for is no cost of a body
        small_ms = 1000 * mean(lambda: post(small))
        spent: list[float] = []
        status: list[int] = []

        def call() -> None:
            start = time.process_time()
            status.append(post(content))
            spent.append(time.process_time() - start)

        mb = grown(call)
    same, plain = mean(lambda: decode(content)), mean(partial(parse, ordinary(len(content))))
    return Cost(
        name, operation, len(content), status[0], spent[0] * 1000, same * 1000, plain * 1000,
        small_ms, mb, parsing_mb,
    )  # fmt: skip


def decode(content: bytes) -> object:
    """Bytes to objects by the quickest decoder there is, whatever they are."""
    with suppress(orjson.JSONDecodeError):
        return orjson.loads(content)
    return None


def mean(work: Callable[[], object]) -> float:
    """The mean processor time, in seconds: once is too short for a clock that ticks coarsely."""
    start, times = time.process_time(), 0
    while (spent := time.process_time() - start) < _LONG_ENOUGH_SECONDS:
        work()
        times += 1
    return spent / times


def grown(work: Callable[[], object]) -> float:
    """By how many 10^6 bytes the resident set has grown at its peak."""
    gc.collect()
    _FORGET_PEAK.write_text("5")
    before = _kilobytes("VmRSS")
    work()
    return (_kilobytes("VmHWM") - before) * 1024 / _MB


def _kilobytes(which: str) -> int:
    found = re.search(rf"^{which}:\s+(\d+) kB$", _STATUS.read_text(), re.M)
    assert found is not None
    return int(found[1])
