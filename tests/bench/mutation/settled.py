"""Make a mutation run repeatable: few examples, and always the same.

A mutant's process begins with empty caches: what was kept before would hide it. While the tool
notes which test meets which function, every test does, else only the first would be noted.
"""

import ast
import gc
import os
import sys
from dataclasses import fields
from functools import _lru_cache_wrapper
from pathlib import Path
from types import ModuleType

import pytest
from hypothesis import settings

settings.register_profile(
    "mutation", derandomize=True, max_examples=30, deadline=None, database=None
)
settings.load_profile("mutation")

OWN = ("crossgrain", "tests")
_CACHES: list["_lru_cache_wrapper[object]"] = []


def pytest_collection_finish() -> None:
    """Find the caches of the package and of the tests, once."""
    found = (cache for cache in gc.get_objects() if isinstance(cache, _lru_cache_wrapper))
    _CACHES[:] = [cache for cache in found if str(cache.__module__).startswith(OWN)]


def empty_caches() -> None:
    """Forget what the package and the tests keep."""
    for cache in _CACHES:
        cache.cache_clear()


def tables_anew(module: ModuleType) -> None:
    """Work out a module's own tables again: they were made on import, before there was a mutant.

    Its functions and classes stay as they are, since others have taken hold of them.
    """
    source = Path(module.__file__ or "")
    for node in ast.parse(source.read_text("utf-8")).body:
        targets = node.targets if isinstance(node, ast.Assign) else [getattr(node, "target", None)]
        names = [target.id for target in targets if isinstance(target, ast.Name)]
        if names and not any(name.startswith("mutants_") for name in names):
            exec(compile(ast.Module([node], []), str(source), "exec"), vars(module))


def load_anew() -> None:
    """Load the catalogue again, for every test module that keeps it or a part of it.

    It was loaded while the tests were collected, before there was a mutant: what reads data files
    would be judged by tables that it did not make. (The package is imported here: a plugin is
    loaded before the path leads to the mutants.)
    """
    from crossgrain.catalogue import Catalogue, load_catalogue  # noqa: PLC0415

    modules = [module for name, module in sys.modules.items() if name.startswith("tests.")]
    kept = [value for module in modules for value in vars(module).values()]
    for old in {id(value): value for value in kept if isinstance(value, Catalogue)}.values():
        new = load_catalogue()
        instead = {id(getattr(old, f.name)): getattr(new, f.name) for f in fields(Catalogue)}
        instead[id(old)] = new
        for module in modules:
            for name, value in list(vars(module).items()):
                if id(value) in instead and not isinstance(value, int | str | None):
                    setattr(module, name, instead[id(value)])


def pytest_runtest_setup() -> None:
    """While tests are noted, empty them for each."""
    if os.environ.get("MUTANT_UNDER_TEST") == "stats":
        empty_caches()


def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    """A mutant that keeps a test module from being imported is killed, not a wrong call."""
    if exitstatus == pytest.ExitCode.USAGE_ERROR and session.testsfailed:
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
