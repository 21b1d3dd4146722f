"""DEVELOPERS.md names files and folders that exist."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
GUIDE = (ROOT / "DEVELOPERS.md").read_text("utf-8")
WRITTEN_BY_A_RUN = {".work/ready", "report.json"}


def named_paths() -> list[str]:
    """What stands in backquotes outside the blocks of commands and has the form of a path.

    What begins with a slash is an address of the service, and "://" stands in any other.
    """
    prose = re.sub(r"^```.*?^```", "", GUIDE, flags=re.MULTILINE | re.DOTALL)
    words = {word.partition("::")[0] for word in re.findall(r"`([\w.][^`\s]*)`", prose)}
    paths = {
        word
        for word in words
        if ("/" in word and "://" not in word) or re.search(r"\.(py|toml|json|md|txt)$", word)
    }
    return sorted(word for word in paths - WRITTEN_BY_A_RUN if "://" not in word)


def standing() -> set[str]:
    """Every file and folder of the repo, and of its rooms, with a slash before it."""
    tops = ("service", "tests", "fixtures", "openapi", "docker", ".ci")
    below = (path for top in tops for path in (ROOT / top).rglob("*"))
    found = (*ROOT.iterdir(), *below)
    return {f"/{path.relative_to(ROOT)}" for path in found if "node_modules" not in path.parts}


STANDING = standing()


def test_the_guide_names_many_paths() -> None:
    assert len(named_paths()) > 60


@pytest.mark.parametrize("named", named_paths())
def test_a_path_that_the_guide_names_exists(named: str) -> None:
    assert any(path.endswith(f"/{named.rstrip('/')}") for path in STANDING)
