"""The hazard log of DEVELOPERS.md names tests that exist."""

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
TESTS = ROOT / "tests"
_NAMED = re.compile(r"`([\w/]+\.py)?(?:::)?([\w…]*)`")


def hazards() -> list[str]:
    """The rows of the log, one per hazard."""
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    section = text.split("## Hazards", 1)[1].split("\n## ", 1)[0]
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


def test_there_is_a_log() -> None:
    assert len(hazards()) > 20


@pytest.mark.parametrize("row", hazards(), ids=lambda row: row.split("|")[1].strip()[:60])
def test_a_hazard_names_a_test_that_exists(row: str) -> None:
    named = named_tests(row)
    assert named
    for file, function in named:
        assert (TESTS / file).is_file(), file
        if function:
            start, _, end = function.partition("…")
            assert any(
                name.startswith(start) and name.endswith(end) for name in functions_of(file)
            ), function
