"""The logs of hazards and of faults say what is done, and name tests that exist."""

import ast
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
TESTS = ROOT / "tests"
LOGS = ("hazards", "faults")
_BULLET = re.compile(r"- `([\w/]+\.py)((?:::\w+)*)`")


@dataclass(frozen=True)
class Entry:
    """One hazard or fault: its heading, the words below it, and its bullets."""

    log: str
    heading: str
    words: str
    bullets: tuple[str, ...]


def entries_in(log: str, text: str) -> Iterator[Entry]:
    """The entries of a log: whatever stands below a heading of the third level."""
    for section in re.split(r"^### ", text, flags=re.MULTILINE)[1:]:
        heading, _, below = section.partition("\n")
        lines = re.split(r"^#", below, flags=re.MULTILINE)[0].splitlines()
        words = "\n".join(line for line in lines if not line.startswith("- "))
        bullets = tuple(line for line in lines if line.startswith("- "))
        yield Entry(log, heading.strip(), words.strip(), bullets)


def log_of(log: str) -> tuple[Entry, ...]:
    return tuple(entries_in(log, (ROOT / f"service/docs/{log}.md").read_text("utf-8")))


ENTRIES = [entry for log in LOGS for entry in log_of(log)]


def functions_of(file: Path) -> set[str]:
    """The tests of a file, those of a class behind its name, and its classes."""
    names: set[str] = set()
    for node in ast.parse(file.read_text("utf-8")).body:
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            names.add(node.name)
        if isinstance(node, ast.ClassDef):
            methods = (part.name for part in node.body if isinstance(part, ast.FunctionDef))
            names.update(f"{node.name}::{method}" for method in methods)
    return names


def faults_of(entry: Entry) -> Iterator[str]:
    """What an entry lacks, or names though it is not there."""
    if not entry.words:
        yield "no control"
    if entry.log == "faults" and not re.match(r"Seen: .+\n\nLost: ", entry.words, re.DOTALL):
        yield "not what is seen of it, and then what is lost"
    if not entry.bullets:
        yield "no test"
    for bullet in entry.bullets:
        named = _BULLET.fullmatch(bullet)
        if named is None:
            yield f"not one test: {bullet}"
        elif not (TESTS / named[1]).is_file():
            yield f"no such file: {named[1]}"
        elif named[2] and named[2].removeprefix("::") not in functions_of(TESTS / named[1]):
            yield f"no such test: {named[1]}{named[2]}"


@pytest.mark.parametrize("log", LOGS)
def test_there_is_a_log(log: str) -> None:
    headings = [entry.heading for entry in log_of(log)]
    assert len(headings) > 40
    assert len(set(headings)) == len(headings)


@pytest.mark.parametrize("entry", ENTRIES, ids=lambda entry: entry.heading[:60])
def test_an_entry_says_what_is_done_and_names_tests_that_exist(entry: Entry) -> None:
    assert list(faults_of(entry)) == []


HERE = "- `unit/test_hazards.py::test_there_is_a_log`"


@pytest.mark.parametrize(
    ("log", "below", "fault"),
    [
        ("hazards", f"Words.\n\n{HERE}", None),
        ("hazards", f"\n{HERE}", "no control"),
        ("hazards", "Words.\n", "no test"),
        ("hazards", "Words.\n\n- `unit/test_nothing.py`", "no such file: unit/test_nothing.py"),
        (
            "hazards",
            "Words.\n\n- `unit/test_hazards.py::test_gone`",
            "no such test: unit/test_hazards.py::test_gone",
        ),
        ("hazards", f"Words.\n\n{HERE}, `::test_other`", f"not one test: {HERE}, `::test_other`"),
        ("faults", f"Seen: 503.\n\nLost: nothing.\n\n{HERE}", None),
        ("faults", f"Seen: 503.\n\n{HERE}", "not what is seen of it, and then what is lost"),
    ],
)
def test_a_slip_in_an_entry_is_found(log: str, below: str, fault: str | None) -> None:
    (entry,) = entries_in(log, f"# Log\n\n### What happens\n\n{below}\n\n## Another part\n")
    assert list(faults_of(entry)) == ([fault] if fault else [])


def test_every_fault_that_is_tested_stands_in_the_log() -> None:
    named = {bullet for entry in log_of("faults") for bullet in entry.bullets}
    tested = {
        f"- `api/faults/{path.name}::{function}`"
        for path in (TESTS / "api" / "faults").glob("test_*.py")
        for function in functions_of(path)
        if function.rpartition("::")[2].startswith("test_")
    }
    assert tested
    assert tested - named == set()
