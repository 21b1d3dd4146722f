"""The working: every part is in the published table, in the right number, type and place."""

from decimal import Decimal

import pytest
from tests.unit.writing.answers import written
from tests.unit.writing.plans import EVERY, levothyroxine_to_desiccated

from crossgrain.operations.compare_bases import COMPARISON_PARTS
from crossgrain.writing.rationale import RATIONALE_PARTS


def working(proposal):
    return written(proposal)["entry"][0]["resource"]["contained"][1]["parameter"]


def check(parameters, definitions, place="parameter"):
    known = {definition.name: definition for definition in definitions}
    for parameter in parameters:
        definition = known[parameter["name"]]
        if definition.parts:
            check(parameter["part"], definition.parts, f"{place}.{definition.name}")
        else:
            kind = definition.type[0].upper() + definition.type[1:]
            assert set(parameter) == {"name", f"value{kind}"}
    for definition in definitions:
        count = sum(parameter["name"] == definition.name for parameter in parameters)
        assert count >= definition.minimum, f"{place}.{definition.name}"
        assert definition.maximum == "*" or count <= int(definition.maximum)


@pytest.mark.parametrize("name", EVERY)
def test_the_working_holds_the_published_parts_and_no_other(name):
    check(working(EVERY[name]()), RATIONALE_PARTS)


@pytest.mark.parametrize("table", [RATIONALE_PARTS, COMPARISON_PARTS])
def test_every_published_part_says_where_its_value_is(table):
    def silent(definitions):
        for definition in definitions:
            if definition.value is None:
                yield definition.name
            yield from silent(definition.parts)

    assert list(silent(table)) == []


def parts_of(parameter):
    return {
        part["name"]: next((v for k, v in part.items() if k.startswith("value")), part.get("part"))
        for part in parameter["part"]
    }


def test_both_prior_therapies_are_forecast_the_chosen_one_first():
    forecasts = [
        parts_of(p) for p in working(levothyroxine_to_desiccated()) if p["name"] == "forecast"
    ]
    assert [(f["prior-therapy"], f["chosen"]) for f in forecasts] == [
        ("overlap", True),
        ("stop", False),
    ]
    lowest = [parts_of({"part": f["coverage"]})["lowest"] for f in forecasts]
    assert lowest == [Decimal("0.940"), Decimal("0.310")]
    assert parts_of({"part": forecasts[0]["band"]})["lowest-coverage-from"] == Decimal("0.840")
    assert "band" not in forecasts[1]


def test_every_basis_is_compared_and_the_chosen_one_marked():
    bases = [parts_of(p) for p in working(levothyroxine_to_desiccated()) if p["name"] == "basis"]
    assert [(b["id"], b["chosen"], b["sets-checkpoint"]) for b in bases] == [
        ("practice", True, True),
        ("label", False, True),
        ("ddd", False, False),
    ]
    assert bases[0]["grains"] == Decimal("1.136")  # 100 / 88
    assert bases[0]["lt4-equivalent"]["value"] == Decimal("100.0")


def test_statements_keep_their_order_and_their_inputs():
    statements = [
        parts_of(p) for p in working(levothyroxine_to_desiccated()) if p["name"] == "statement"
    ]
    assert [s["title"] for s in statements] == ["LT4-equivalent now", "Where the climb waits"]
    assert statements[0]["input"] == "Bundle.entry[1].resource.dosageInstruction[0]"
