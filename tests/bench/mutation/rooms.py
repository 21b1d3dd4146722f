"""Which part of the package is mutated, and which tests are to notice.

The domain stands in `pyproject.toml`, where the tool looks by itself; these are the other rooms.
Tests that start a process of their own are left out: a mutant lives in one process alone.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class Room:
    """Folders below the package, and the tests that are run on each mutant."""

    folders: tuple[str, ...]
    tests: tuple[str, ...]


READING_TESTS = (
    "tests/unit/reading",
    "tests/unit/screening/test_reading.py",
    "tests/unit/screening/test_said_not_taken.py",
    "tests/unit/screening/test_followed_series.py",
    "tests/published/test_codes.py",
    "tests/properties/test_dosage_reading.py",
    "tests/properties/reading",
)
NIGHTLY_TESTS = tuple(
    f"tests/unit/nightly/test_{part}.py"
    for part in (
        "answers", "completeness", "faulty_input", "issues", "outputs", "planted_truth", "reading",
        "report", "sending",
    )
)  # fmt: skip
ROOMS = {
    "reading": Room(("reading",), READING_TESTS),
    "writing": Room(
        ("writing",),
        (
            "tests/unit/writing",
            "tests/unit/reading/test_series_mark.py",
            "tests/unit/test_propose.py",
            "tests/api/test_answers.py",
            "tests/conformance/test_invariants.py",
            "tests/conformance/test_parse.py",
        ),
    ),
    "screening": Room(
        ("screening",), ("tests/unit/screening", "tests/published/test_screening.py")
    ),
    "nightly": Room(("nightly",), NIGHTLY_TESTS),
    "sheet": Room(("sheet",), ("tests/unit/sheet",)),
    "cds": Room(("cds",), ("tests/unit/cds",)),
    "auth": Room(
        ("auth",),
        ("tests/unit/auth", "tests/api/test_auth_replay.py"),
    ),
}
