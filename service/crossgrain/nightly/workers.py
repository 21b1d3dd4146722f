"""Who does the pieces of work: processes of their own, or this one where one is enough."""

import multiprocessing
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from typing import Protocol

from crossgrain.nightly.faults import RunRefused
from crossgrain.nightly.worker import Setting, begin, prepare

Call = Callable[[], int]
"""One piece of work, which gives back how much it did."""


class Workers(Protocol):
    """Does pieces of work in any order."""

    def each(self, calls: Sequence[Call]) -> Iterator[int]:
        """What each piece did, as it ends; the first that fails ends the run."""


class _Here:
    """This process."""

    def each(self, calls: Sequence[Call]) -> Iterator[int]:
        """One after the other."""
        for call in calls:
            yield call()


class _Pool:
    """Processes of their own."""

    def __init__(self, pool: ProcessPoolExecutor) -> None:
        self._pool = pool

    def each(self, calls: Sequence[Call]) -> Iterator[int]:
        """Side by side."""
        for done in as_completed([self._pool.submit(call) for call in calls]):
            yield done.result()


@contextmanager
def workers_for(setting: Setting) -> Iterator[Workers]:
    """As many as the run asks for; processes are started fresh, so they hold no lock of ours."""
    if setting.options.jobs == 1:
        prepare(setting)
        yield _Here()
        return
    context = multiprocessing.get_context("spawn")
    pool = ProcessPoolExecutor(
        setting.options.jobs, mp_context=context, initializer=begin, initargs=(setting,)
    )
    try:
        yield _Pool(pool)
    except BrokenProcessPool:
        raise RunRefused(
            "a worker process died: it may have run out of memory; fewer --jobs help"
        ) from None
    finally:
        pool.shutdown(wait=True, cancel_futures=True)
