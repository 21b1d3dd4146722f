"""The preparations table: exact content, and what is refused."""

import tomllib
from fractions import Fraction
from importlib.resources import files

import pytest
from tests.unit.dosing.switches import CATALOGUE, GRAIN

from crossgrain.catalogue.pharmacology import preparations_from
from crossgrain.core.proposal import DEFAULT_FAMILY
from crossgrain.dosing.preparations import Kind
from crossgrain.names.errors import Category, DomainError

HANDFUL = CATALOGUE.policy.handful
LEVOTHYROXINE = {
    "id": "levothyroxine",
    "kind": "levothyroxine",
    "name": "levothyroxine sodium",
    "unit": "ug",
    "t4_ug_per_unit": "1",
    "t3_ug_per_unit": "0",
    "strengths": ["25", "50"],
    "scored": ["50"],
    "increment": "12.5",
    "source": "example",
}
DESICCATED = LEVOTHYROXINE | {
    "id": "desiccated",
    "kind": "desiccated-thyroid",
    "unit": "mg",
    "mg_per_grain": "65",
    "usual": True,
}
del DESICCATED["t4_ug_per_unit"], DESICCATED["t3_ug_per_unit"]


def test_a_ratio_written_in_the_file_stays_exact():
    desiccated = preparations_from([DESICCATED], GRAIN, HANDFUL)["desiccated"]
    assert desiccated.t4_ug(Fraction(65)) == 38
    assert desiccated.t3_ug(Fraction(65)) == 9
    assert desiccated.grains(Fraction("16.25")) == Fraction(1, 4)


def test_only_desiccated_thyroid_has_grains():
    levothyroxine = preparations_from([LEVOTHYROXINE], GRAIN, HANDFUL)["levothyroxine"]
    assert levothyroxine.grains(Fraction(100)) == 0
    assert not levothyroxine.carries_t3


@pytest.mark.parametrize("key", list(LEVOTHYROXINE))
def test_an_entry_without_one_of_its_keys_is_refused(key):
    entry = {name: value for name, value in LEVOTHYROXINE.items() if name != key}
    with pytest.raises(DomainError, match=f"^{key} is missing$") as refused:
        preparations_from([entry], GRAIN, HANDFUL)
    assert (refused.value.category, refused.value.field) == (
        Category.INVALID,
        f"preparation[1].{key}",
    )


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"unit": "g"}, "preparation[1].unit"),
        ({"unit_": "ug"}, "preparation[1].unit_"),
        ({"t4_ug_per_unit": "-1"}, "preparation[1].t4_ug_per_unit"),
        ({"t3_ug_per_unit": "-1"}, "preparation[1].t3_ug_per_unit"),
        ({"strengths": ["50", "25"]}, "preparation[1].strengths"),
        ({"strengths": ["25", "25"]}, "preparation[1].strengths"),
        ({"strengths": ["0", "25"]}, "preparation[1].strengths[1]"),
        ({"scored": ["75"]}, "preparation[1].scored"),
        ({"increment": "0"}, "preparation[1].increment"),
        ({"mg_per_grain": "60"}, "preparation[1].mg_per_grain"),
        ({"usual": True}, "preparation[1].usual"),
        ({"t4_to_t3": ["3.9", "4.1"]}, "preparation[1].t4_to_t3"),
        ({"kind": "fixed-ratio"}, "preparation[1].t4_to_t3"),
        (
            {"kind": "desiccated-thyroid", "mg_per_grain": "60"},
            "preparation[1].t4_ug_per_unit",
        ),
        ({"kind": "desiccated-thyroid"}, "preparation[1].mg_per_grain"),
        ({"kind": "thyroxine"}, "preparation[1].kind"),
        ({"t4_ug_per_unit": "one"}, "preparation[1].t4_ug_per_unit"),
    ],
)
def test_an_entry_that_could_not_be_meant_is_refused_with_its_place(change, field):
    with pytest.raises(DomainError) as refused:
        preparations_from([LEVOTHYROXINE | change], GRAIN, HANDFUL)
    assert (refused.value.category, refused.value.field) == (Category.INVALID, field)


@pytest.mark.parametrize(
    "change",
    [
        {"t4_ug_per_unit": "0", "t3_ug_per_unit": "1"},
        {"scored": []},
        {"scored": ["25", "50"]},
        {"strengths": [], "scored": []},
        {"strengths": ["0.5"], "scored": []},
        {"increment": "0.1"},
        {"unit": "mg"},
    ],
)
def test_an_entry_at_the_edge_of_what_can_be_meant_is_read(change):
    (read,) = preparations_from([LEVOTHYROXINE | change], GRAIN, HANDFUL).values()
    for name, value in change.items():
        written = tuple(map(Fraction, value)) if isinstance(value, list) else value
        carried = getattr(read, name)
        if name == "scored":
            assert carried == frozenset(written)
            continue
        assert carried == (Fraction(value) if isinstance(carried, Fraction) else written)


def test_strengths_are_a_list_and_each_entry_is_named_by_its_number():
    with pytest.raises(DomainError) as refused:
        preparations_from([DESICCATED, LEVOTHYROXINE | {"strengths": "25"}], GRAIN, HANDFUL)
    assert (refused.value.category, refused.value.field) == (
        Category.INVALID,
        "preparation[2].strengths",
    )
    assert refused.value.message == "this must be a list with at least one entry"


@pytest.mark.parametrize(
    ("change", "says"), [({"kind": "thyroxine"}, "thyroxine"), ({"increment": "one"}, "16.25")]
)
def test_a_value_that_cannot_be_read_is_named(change, says):
    with pytest.raises(DomainError, match=says):
        preparations_from([LEVOTHYROXINE | change], GRAIN, HANDFUL)


def test_a_preparation_carries_what_its_entry_says():
    read = preparations_from([DESICCATED], GRAIN, HANDFUL)["desiccated"]
    assert (read.kind, read.name, read.unit) == (
        Kind.DESICCATED_THYROID,
        DESICCATED["name"],
        DESICCATED["unit"],
    )
    assert (read.mg_per_grain, read.source) == (65, DESICCATED["source"])
    assert read.carries_t3


def test_an_id_given_twice_is_refused():
    with pytest.raises(DomainError, match=r"^this id stands twice$") as refused:
        preparations_from([LEVOTHYROXINE, LEVOTHYROXINE], GRAIN, HANDFUL)
    assert (refused.value.category, refused.value.field) == (Category.INVALID, "preparation[2].id")


def test_preparations_that_differ_only_in_strengths_are_told_apart():
    one = preparations_from([LEVOTHYROXINE], GRAIN, HANDFUL)["levothyroxine"]
    other = preparations_from([LEVOTHYROXINE | {"strengths": ["50"]}], GRAIN, HANDFUL)[
        "levothyroxine"
    ]
    assert hash(one) == hash(other)
    assert len({one, other}) == 2


def test_every_kind_that_can_be_proposed_is_shipped():
    content = files("crossgrain").joinpath("data", "preparations.toml").read_text("utf-8")
    shipped = preparations_from(tomllib.loads(content)["preparation"], GRAIN, HANDFUL).values()
    assert {Kind.LEVOTHYROXINE, Kind.LIOTHYRONINE, Kind.DESICCATED_THYROID} <= {
        preparation.kind for preparation in shipped
    }


@pytest.mark.parametrize("usual", [(False, False), (True, True)])
def test_a_dose_in_grains_alone_is_read_in_exactly_one_family(usual):
    families = [DESICCATED | {"id": str(n), "usual": each} for n, each in enumerate(usual)]
    with pytest.raises(DomainError, match="exactly one is usual"):
        preparations_from(families, GRAIN, HANDFUL)


def test_the_family_read_without_a_word_is_the_one_that_is_planned_with_without_a_word():
    assert [key for key, line in CATALOGUE.preparations.items() if line.usual] == [DEFAULT_FAMILY]
