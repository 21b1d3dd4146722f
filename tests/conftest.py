"""What holds for every test: how many examples it has, and that its place says what is slow."""

from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings
from tests import budget
from tests.api.errors import every_error_is_a_row
from xdist.scheduler import LoadFileScheduling

__all__ = ["budget", "every_error_is_a_row"]

settings.load_profile("ordinary")

SLOW = (
    "api/faults",
    "api/test_contract.py",
    "api/test_serving.py",
    "bench",
    "browser",
    "conformance",
    "golden",
    "properties/conversation",
    "properties/course/test_course.py",
    "properties/million",
    "properties/test_any_medicine.py",
    "properties/test_own_orders.py",
    "properties/test_whole_answers.py",
    "unit/nightly",
    "unit/sheet/test_at_home.py",
    "unit/supply",
)
"""Real processes, a browser, another language's tools, or thousands of answers."""
PROCESSES = "start"
"""The fixture that starts real servers: what asks for it is slow wherever it stands."""
TESTS = Path(__file__).parent
collect_ignore = ["golden/stopped"]  # imported, it stops the clock of whoever imports it


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> LoadFileScheduling:
    """With ``-n``, what the tests of a file share is made in one process.

    As an option (``--dist``) it would hold without ``-n`` too, and pytest-benchmark would measure
    nothing.
    """
    return LoadFileScheduling(config, log)


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    """Import nothing of the slow places where all the rest is asked for: it takes as long again."""
    if config.option.file_or_dir or config.option.markexpr != "not slow":
        return None
    return _slow(collection_path.relative_to(TESTS).as_posix()) or None


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark by place, so that a new test in one of these is slow from its first day."""
    for item in items:
        if TESTS not in item.path.parents:
            continue
        asked = getattr(item, "fixturenames", ())
        if PROCESSES in asked or _slow(item.path.relative_to(TESTS).as_posix()):
            item.add_marker(pytest.mark.slow)


def _slow(place: str) -> bool:
    return any(place == named or place.startswith(f"{named}/") for named in SLOW)
