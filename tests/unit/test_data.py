"""What every data file holds: a source on each entry, and doses that are exact."""

import tomllib
from collections.abc import Iterator
from importlib.resources import files
from typing import Any

import pytest

FILES = sorted(
    file.name for file in (files("crossgrain") / "data").iterdir() if file.name.endswith(".toml")
)


def content(name: str) -> dict[str, Any]:
    return tomllib.loads((files("crossgrain") / "data" / name).read_text("utf-8"))


def entries(table: dict[str, Any], place: str = "") -> Iterator[tuple[str, dict[str, Any]]]:
    """The outermost tables with a value of their own, each with its place."""
    if any(not isinstance(value, dict | list) for value in table.values()):
        yield place, table
        return
    for name, inner in table.items():
        for number, one in enumerate(inner if isinstance(inner, list) else [inner], start=1):
            if isinstance(one, dict):
                yield from entries(one, f"{place}.{name}[{number}]")


def floats(node: Any, place: str) -> Iterator[str]:
    if isinstance(node, float):
        yield place
    elif isinstance(node, dict):
        for name, inner in node.items():
            yield from floats(inner, f"{place}.{name}")
    elif isinstance(node, list):
        for inner in node:
            yield from floats(inner, place)


@pytest.mark.parametrize("name", FILES)
def test_every_entry_names_its_source(name: str) -> None:
    found = dict(entries(content(name)))
    assert found
    words = ("source", "whose", "graded_by")
    # The thresholds of the verdicts are names of numbers, whose sources stand with them.
    found.pop(".judgement[1]", None)
    silent = [at for at, entry in found.items() if not any(map(entry.get, words))]
    assert silent == []


def test_only_what_the_model_reckons_with_is_a_binary_float() -> None:
    found = {place for name in FILES for place in floats(content(name), name)}
    assert found
    assert all(place.startswith("kinetics.toml.") for place in found)
