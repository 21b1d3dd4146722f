"""What holds for every test: a busy machine makes none fail, and its place says what is slow."""

from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from tests.api.errors import every_error_is_a_row

__all__ = ["every_error_is_a_row"]

settings.register_profile(
    "any machine", settings(), deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("any machine")

SLOW = (
    "api/faults",
    "api/test_contract.py",
    "api/test_serving.py",
    "bench",
    "browser",
    "conformance",
    "golden",
    "properties/conversation",
    "properties/million",
    "properties/test_any_medicine.py",
    "properties/test_own_orders.py",
    "properties/test_whole_answers.py",
    "unit/nightly",
    "unit/sheet/test_at_home.py",
    "unit/supply",
)
"""Real processes, a browser, another language's tools, or thousands of answers."""
TESTS = Path(__file__).parent
collect_ignore = ["golden/stopped"]  # imported, it stops the clock of whoever imports it


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark by place, so that a new test in one of these is slow from its first day."""
    for item in items:
        if TESTS in item.path.parents and _slow(item.path.relative_to(TESTS).as_posix()):
            item.add_marker(pytest.mark.slow)


def _slow(place: str) -> bool:
    return any(place == named or place.startswith(f"{named}/") for named in SLOW)
