"""Make a mutation run repeatable: few examples, and always the same.

A mutant's process begins with empty caches: what was kept before would hide it. While the tool
notes which test meets which function, every test does, else only the first would be noted.
"""

import gc
import os
from functools import _lru_cache_wrapper

import pytest
from hypothesis import settings

settings.register_profile(
    "mutation", derandomize=True, max_examples=30, deadline=None, database=None
)
settings.load_profile("mutation")

_CACHES: list["_lru_cache_wrapper[object]"] = []


def pytest_collection_finish() -> None:
    """Find the package's caches, once."""
    found = (cache for cache in gc.get_objects() if isinstance(cache, _lru_cache_wrapper))
    _CACHES[:] = [cache for cache in found if str(cache.__module__).startswith("crossgrain")]


def empty_caches() -> None:
    """Forget what the package keeps."""
    for cache in _CACHES:
        cache.cache_clear()


def pytest_runtest_setup() -> None:
    """While tests are noted, empty them for each."""
    if os.environ.get("MUTANT_UNDER_TEST") == "stats":
        empty_caches()


def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    """A mutant that keeps a test module from being imported is killed, not a wrong call."""
    if exitstatus == pytest.ExitCode.USAGE_ERROR and session.testsfailed:
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
