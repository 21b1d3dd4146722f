"""Which part of the package is mutated, and which tests are to notice.

The domain stands in `pyproject.toml`, where the tool looks by itself; these are the other rooms.
Tests that start a process of their own are left out: a mutant lives in one process alone.
"""

import json
import random
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from mutmut.mutation.file_mutation import mutate_file_contents
from mutmut.utils.format_utils import get_mutant_name


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
        ("tests/unit/writing", "tests/unit/test_propose.py", "tests/api/test_answers.py"),
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


COPIED_WHOLE = ("fixtures", "DEVELOPERS.md", "README.md", "openapi", "docker", "service/docs")


def settings(room: Room, pyproject: str) -> str:
    """The text of `pyproject.toml` with the tool's section made for one room."""
    start = pyproject.index("[tool.mutmut]")
    end = pyproject.index("\n[", start)
    section = pyproject[start:end]
    head = section[: section.index("only_mutate")]
    tail = section[section.index("pytest_add_cli_args = [") :]
    own = [
        f"only_mutate = {_list(f'src/crossgrain/{folder}/*' for folder in room.folders)}",
        f"also_copy = {_list(COPIED_WHOLE)}",
        f"pytest_add_cli_args_test_selection = {_list(room.tests)}",
    ]
    return pyproject[:start] + head + "\n".join(own) + "\n" + tail + pyproject[end:]


def _list(words: Iterable[str]) -> str:
    return json.dumps(list(words))


def sample(room: Room, size: int, seed: int) -> list[str]:
    """So many of a room's mutants, drawn by a seed; all of them where there are no more.

    It looks at the copy that it is run in.
    """
    names = sorted(_names(room))
    return sorted(random.Random(seed).sample(names, min(size, len(names))))


def _names(room: Room) -> Iterator[str]:
    for folder in room.folders:
        for source in sorted(Path("src/crossgrain", folder).rglob("*.py")):
            mutated = mutate_file_contents(str(source), source.read_text("utf-8"))
            for name in mutated.mutant_names:
                yield get_mutant_name(source, name)
