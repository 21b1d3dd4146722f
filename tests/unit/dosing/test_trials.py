"""The table of published comparisons: what it must hold, and where a fault is said to be."""

import tomllib
from copy import deepcopy
from importlib.resources import files

import pytest
from tests.unit.dosing.switches import GRAIN

from crossgrain.catalogue.charts import evidence_from
from crossgrain.names.errors import DomainError

SHIPPED = tomllib.loads(files("crossgrain").joinpath("data", "evidence.toml").read_text("utf-8"))


def refused(change):
    """The place and the message with which a changed table is refused."""
    content = deepcopy(SHIPPED)
    change(content)
    with pytest.raises(DomainError) as caught:
        evidence_from(content, GRAIN)
    return caught.value.field, caught.value.message


def without(*path):
    """A change that takes one key away."""

    def change(content):
        *way, last = path
        for step in way:
            content = content[step]
        del content[last]

    return change


def with_value(value, *path):
    """A change that puts another value in one place."""

    def change(content):
        *way, last = path
        for step in way:
            content = content[step]
        content[last] = value

    return change


def test_the_shipped_table_is_read():
    read = evidence_from(SHIPPED, GRAIN)
    assert len(read.comparisons) == len(SHIPPED["comparison"])
    assert len(read.left_out) == len(SHIPPED["left_out"])


@pytest.mark.parametrize("key", ["source", "where", "grade", "n", "read", "design", "tsh", "gland"])
def test_a_comparison_without_it_is_refused_with_its_place(key):
    place, message = refused(without("comparison", 2, key))
    assert place == f"comparison[3].{key}"
    assert message == f"{key} is missing"


def test_a_dose_without_a_unit_is_refused_with_its_place():
    assert refused(without("comparison", 0, "second", "lt3", "unit"))[0] == (
        "comparison[1].second.lt3.unit"
    )


def test_a_serum_value_without_a_unit_is_refused_with_its_place():
    assert refused(without("comparison", 0, "first", "tsh", "unit"))[0] == (
        "comparison[1].first.tsh.unit"
    )


@pytest.mark.parametrize(
    ("value", "path", "place"),
    [
        (0, ("comparison", 0, "n"), "comparison[1].n"),
        (True, ("comparison", 0, "n"), "comparison[1].n"),
        ("10", ("comparison", 0, "n"), "comparison[1].n"),
        ("excellent", ("comparison", 0, "grade"), "comparison[1].grade"),
        ("from memory", ("comparison", 0, "read"), "comparison[1].read"),
        (" ", ("comparison", 0, "source"), "comparison[1].source"),
        ("mcg/d", ("comparison", 0, "first", "lt4", "unit"), "comparison[1].first.lt4.unit"),
        ("ug/d", ("comparison", 1, "second", "desiccated", "unit"),
         "comparison[2].second.desiccated.unit"),
        ("0", ("comparison", 0, "first", "lt4", "mean"), "comparison[1].first.lt4.mean"),
        (115.2, ("comparison", 0, "first", "lt4", "mean"), "comparison[1].first.lt4.mean"),
        ("celi-2010", ("comparison", 1, "id"), "comparison[2].id"),
        ("trial", ("comparison", 0, "made"), "comparison[1].made"),
        ("yes", ("comparison", 3, "first", "t4", "free"), "comparison[4].first.t4.free"),
        ("1", ("comparison", 0, "first", "lt4", "sem"), "comparison[1].first.lt4"),
        ("x", ("comparison", 0, "sourcee"), "comparison[1].sourcee"),
        ("0", ("same_tsh", "within"), "same_tsh.within"),
        ("", ("left_out", 0, "why"), "left_out[1].why"),
        ("ug/kg/d", ("comparison", 0, "second", "lt3", "unit"), "comparison[1].second"),
    ],
)  # fmt: skip
def test_a_value_that_could_not_be_meant_is_refused_with_its_place(value, path, place):
    assert refused(with_value(value, *path))[0] == place


@pytest.mark.parametrize(
    ("change", "place"),
    [
        (without("comparison", 0, "first", "lt4"), "comparison[1].first"),
        (without("comparison", 0, "second", "lt3"), "comparison[1].second"),
        (without("comparison", 2, "second", "lt3"), "comparison[3].second"),
        (with_value({"mean": "5", "unit": "ug/d"}, "comparison", 0, "first", "lt3"),
         "comparison[1].first"),
        (without("same_tsh"), "same_tsh"),
        (without("same_tsh", "source"), "same_tsh.source"),
        (without("graded_by"), "graded_by"),
        (without("comparison"), "comparison"),
        (without("left_out"), "left_out"),
    ],
)  # fmt: skip
def test_a_table_that_compares_nothing_is_refused_with_its_place(change, place):
    assert refused(change)[0] == place
