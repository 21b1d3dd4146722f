"""A clinic's file: one planted fault at a time, and where it is said to stand."""

import tomllib
from collections.abc import Iterator
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest

from crossgrain.catalogue import load_catalogue
from crossgrain.catalogue.decoding import FileForm, Listed, Positive, Text, decoded, in_file
from crossgrain.names.errors import DomainError

WHOLE = """
[[basis]]
id = "our-chart"
statement = "One grain = LT4 75 micrograms = LT3 25 micrograms"
source = "our protocol"
checkpoint = true
lt4_ug_per_grain = "75"
lt4_ug_per_lt3_ug = "3"

[[basis]]
id = "our-table"
statement = "our table"
source = "our protocol"
row = [
  { lt4_ug = 50, grains = 1, lt3_ug = 25 },
  { lt4_ug = 100, grains = 2, lt3_ug = 50 },
]

[stock]
levothyroxine = ["25", "50", "100"]
[stock.extra]
liothyronine = ["10"]
[stock.scored]
levothyroxine = ["50"]

[[product]]
system = "https://products.example"
code = "T4-75"
preparation = "levothyroxine"
strength = "75"
display = "levothyroxine 75 micrograms"
source = "our formulary"

[[alias]]
text = "Our Blue 75"
preparation = "levothyroxine"
strength = "75"

[[other]]
text = "Our Multivitamin"
source = "our formulary"

[numbers.ratio]
under = "0.85"
[numbers.labs]
wait_days = 56
"""
PARSED = tomllib.loads(WHOLE)
NAMED = {"basis[1]": "our-chart", "basis[2]": "our-table"}
"""Charts are placed by their id, once it is known."""


def tables(node: Any, place: str = "") -> Iterator[tuple[str, dict[str, Any]]]:
    """Every table of the file with its place."""
    if isinstance(node, dict):
        yield place, node
        for key, inner in node.items():
            yield from tables(inner, f"{place}.{key}" if place else key)
    elif isinstance(node, list):
        for number, inner in enumerate(node, start=1):
            yield from tables(inner, f"{place}[{number}]")


def keys(file: dict[str, Any]) -> list[tuple[str, str]]:
    return [(place, key) for place, table in tables(file) for key in table]


def toml(value: Any) -> str:
    """A value as TOML; enough for what these files hold."""
    if isinstance(value, dict):
        return "{" + ", ".join(f'"{key}" = {toml(inner)}' for key, inner in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(toml, value)) + "]"
    return {True: "true", False: "false"}[value] if isinstance(value, bool) else repr(value)


def refused(folder: Path, file: dict[str, Any]) -> tuple[str, str]:
    """Where loading it is said to fail, and why."""
    path = folder / "clinic.toml"
    path.write_text("\n".join(f"{key} = {toml(inner)}" for key, inner in file.items()), "utf-8")
    with pytest.raises(DomainError) as wrong:
        load_catalogue(path)
    return wrong.value.field, wrong.value.message


def as_named(place: str) -> str:
    for numbered, name in NAMED.items():
        if place.startswith(numbered) and place != numbered:
            return place.replace(numbered, name)
    return place


def test_the_file_without_a_fault_is_read(tmp_path: Path) -> None:
    (path := tmp_path / "clinic.toml").write_text(WHOLE, "utf-8")
    read = load_catalogue(path)
    assert [basis.id for basis in read.bases][-2:] == ["our-chart", "our-table"]
    assert read.preparations["levothyroxine"].strengths == (25, 50, 100)
    assert "our blue 75" in read.codes.aliases.whole
    assert "our multivitamin" in read.codes.no_hormone


@pytest.mark.parametrize(("place", "key"), keys(PARSED))
def test_a_misspelt_key_is_refused_by_file_entry_and_key(
    tmp_path: Path, place: str, key: str
) -> None:
    file = deepcopy(PARSED)
    table = dict(tables(file))[place]
    table[f"{key}x"] = table.pop(key)
    field, says = refused(tmp_path, file)
    spot = f"{place}.{key}x" if place else f"{key}x"
    if (place, key) in {("basis[1]", "id"), ("basis[2]", "id")}:
        # Without its name a chart is placed by its number, and what is missing is told first.
        assert (field, says) == (f"clinic.toml: {place}.id", "id is missing")
    else:
        # A misspelt table of numbers is told by the number in it, which is then none there is.
        assert field == f"clinic.toml: {as_named(spot)}" or (
            place == "numbers" and field.startswith(f"clinic.toml: {spot}.")
        )
        assert says.partition(";")[0] in {
            f"{key}x is not known here",
            "no preparation has this id",
            "there is no such number",
        }


@pytest.mark.parametrize(("place", "key"), keys(PARSED))
def test_a_date_where_something_else_belongs_is_refused_by_file_entry_and_key(
    tmp_path: Path, place: str, key: str
) -> None:
    """No key of the file takes a date."""
    file = deepcopy(PARSED)
    dict(tables(file))[place][key] = "DATE"
    path = tmp_path / "clinic.toml"
    lines = (f"{name} = {toml(inner)}" for name, inner in file.items())
    path.write_text("\n".join(lines).replace("'DATE'", "2025-03-03"), "utf-8")
    with pytest.raises(DomainError) as wrong:
        load_catalogue(path)
    spot = f"{place}.{key}" if place else key
    named = spot if key == "id" else as_named(spot)
    assert wrong.value.field in {f"clinic.toml: {named}", f"clinic.toml: {spot}"}
    assert wrong.value.message


class Inner(FileForm):
    amount: Positive
    words: Listed[Text] = ()


class Outer(FileForm):
    inner: Listed[Inner]
    whole: bool = True


@pytest.mark.parametrize(
    ("content", "place", "says"),
    [
        ({}, "here.inner", "inner is missing"),
        ([], "here", "this must be a table"),
        ({"inner": []}, "here.inner", "this must be a list with at least one entry"),
        ({"inner": [{"amount": "1"}, {}]}, "here.inner[2].amount", "amount is missing"),
        (
            {"inner": [{"amount": "1", "colour": 1}]},
            "here.inner[1].colour",
            "colour is not known here; known are amount, words",
        ),
        ({"inner": [{"amount": "0"}]}, "here.inner[1].amount", "this must be above zero"),
        (
            {"inner": [{"amount": "1", "words": ["a", " "]}]},
            "here.inner[1].words[2]",
            "this must be a text, not blank",
        ),
        ({"inner": [{"amount": "1"}], "whole": 1}, "here.whole", "this must be true or false"),
    ],
)
def test_a_fault_is_placed_by_the_path_of_its_keys(content: Any, place: str, says: str) -> None:
    with pytest.raises(DomainError) as wrong, in_file("own.toml"):
        decoded(content, Outer, "here")
    assert (wrong.value.field, wrong.value.message) == (f"own.toml: {place}", says)


def test_a_number_is_read_exactly_whatever_its_form_is_called() -> None:
    (inner,) = decoded({"inner": [{"amount": "115.2/40.3"}]}, Outer).inner
    assert repr(inner.amount) == "Fraction(1152, 403)"
