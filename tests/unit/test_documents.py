"""The documents name files and folders that exist, link to each other, and stay readable."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
FRONT = {"README.md": 150, "DEVELOPERS.md": 200}
"""The documents at the top, and how many lines they may have."""
DOCUMENTS = {
    path.relative_to(ROOT).as_posix(): path.read_text("utf-8")
    for path in (*(ROOT / name for name in FRONT), *sorted((ROOT / "service/docs").glob("*.md")))
}
WRITTEN_BY_A_RUN = {".work/ready", "report.json"}


def named_paths() -> list[str]:
    """What stands in backquotes outside the blocks of commands and has the form of a path.

    What begins with a slash is an address of the service, and "://" stands in any other.
    """
    text = "\n".join(DOCUMENTS.values())
    prose = re.sub(r"^```.*?^```", "", text, flags=re.MULTILINE | re.DOTALL)
    words = {word.partition("::")[0] for word in re.findall(r"`([\w.][^`\s]*)`", prose)}
    paths = {
        word
        for word in words
        if ("/" in word and "://" not in word) or re.search(r"\.(py|toml|json|md|txt)$", word)
    }
    return sorted(
        word for word in paths - WRITTEN_BY_A_RUN if not re.match(r"[\d.]+/[\d.]+$", word)
    )


def standing() -> set[str]:
    """Every file and folder of the repo, and of its rooms, with a slash before it."""
    tops = ("service", "tests", "fixtures", "openapi", "docker", ".ci")
    below = (path for top in tops for path in (ROOT / top).rglob("*"))
    found = (*ROOT.iterdir(), *below)
    return {f"/{path.relative_to(ROOT)}" for path in found if "node_modules" not in path.parts}


STANDING = standing()


def test_the_documents_name_many_paths() -> None:
    assert len(named_paths()) > 150


@pytest.mark.parametrize("named", named_paths())
def test_a_path_that_a_document_names_exists(named: str) -> None:
    assert any(path.endswith(f"/{named.rstrip('/')}") for path in STANDING)


def links() -> Iterator[tuple[str, str]]:
    """Each document and what it links to, addresses of the web aside."""
    for name, text in DOCUMENTS.items():
        for target in re.findall(r"\]\(([^)\s]+)\)", text):
            if "://" not in target:
                yield name, target


@pytest.mark.parametrize(("name", "target"), list(links()))
def test_a_link_leads_to_a_file_that_exists(name: str, target: str) -> None:
    assert (ROOT / name).parent.joinpath(target).is_file()


def test_every_document_is_reached_from_the_front() -> None:
    linked = {(ROOT / name).parent.joinpath(target).resolve() for name, target in links()}
    assert {ROOT / name for name in DOCUMENTS} - linked == {ROOT / "README.md"} - linked


@pytest.mark.parametrize(("name", "most"), list(FRONT.items()))
def test_a_document_at_the_top_is_short(name: str, most: int) -> None:
    lines = DOCUMENTS[name].splitlines()
    assert len(lines) < most
    assert [line for line in lines if len(line) > 200] == []


def test_the_glossary_gives_each_word_one_meaning() -> None:
    rows = re.findall(r"^\| (.+?) \| .+ \|$", DOCUMENTS["service/docs/glossary.md"], re.MULTILINE)
    words = [word for row in rows for word in row.split(", ") if row not in {"word", "---"}]
    assert len(words) > 40
    assert len(words) == len(set(words))
