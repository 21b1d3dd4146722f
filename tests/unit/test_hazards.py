"""The logs of hazards and of faults in DEVELOPERS.md name tests that exist."""

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
TESTS = ROOT / "tests"
LOGS = ("Hazards", "Faults")
_NAMED = re.compile(r"`([\w/]+\.py)?(?:::)?([\w…]*)`")


def rows_of(log: str) -> list[str]:
    """The rows of a log, one per hazard or fault."""
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    section = text.split(f"\n## {log}\n", 1)[1].split("\n## ", 1)[0]
    rows = [line for line in section.splitlines() if line.startswith("| ")]
    return [row for row in rows[1:] if not row.startswith(("| **", "| ---"))]


def named_tests(row: str) -> list[tuple[str, str]]:
    """File and function of each test in the row's last cell; a file alone has no function."""
    found: list[tuple[str, str]] = []
    file = ""
    for named_file, function in _NAMED.findall(row.rsplit("|", 2)[1]):
        file = named_file or file
        found.append((file, function))
    return found


def functions_of(file: str) -> set[str]:
    """The test functions of a file, and its classes of tests."""
    tree = ast.parse((TESTS / file).read_text("utf-8"))
    return {
        node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef | ast.ClassDef)
    }


@pytest.mark.parametrize("log", LOGS)
def test_there_is_a_log(log: str) -> None:
    assert len(rows_of(log)) > 20


@pytest.mark.parametrize(
    "row", [row for log in LOGS for row in rows_of(log)], ids=lambda row: row.split("|")[1][1:60]
)
def test_a_row_names_a_test_that_exists(row: str) -> None:
    named = named_tests(row)
    assert named
    for file, function in named:
        assert (TESTS / file).is_file(), file
        if function:
            start, _, end = function.partition("…")
            assert any(
                name.startswith(start) and name.endswith(end) for name in functions_of(file)
            ), function


def test_every_fault_that_is_tested_stands_in_the_log() -> None:
    named = {function for row in rows_of("Faults") for _, function in named_tests(row)}
    tested = {
        function
        for path in (TESTS / "api" / "faults").glob("test_*.py")
        for function in functions_of(f"api/faults/{path.name}")
        if function.startswith("test_")
    }
    assert tested
    assert tested - named == set()
