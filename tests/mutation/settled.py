"""Make a mutation run repeatable: few examples, always the same, the quick tests first."""

import pytest
from hypothesis import settings

settings.register_profile(
    "mutation", derandomize=True, max_examples=30, deadline=None, database=None
)
settings.load_profile("mutation")

_QUICK_FIRST = ("tests/unit/", "tests/published/", "tests/properties/")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """What is quick and near goes first: most mutants die there."""
    items.sort(key=lambda item: [item.nodeid.startswith(p) for p in _QUICK_FIRST].index(True))


def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    """A mutant that keeps a test module from being imported is killed, not a wrong call."""
    if exitstatus == pytest.ExitCode.USAGE_ERROR and session.testsfailed:
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
