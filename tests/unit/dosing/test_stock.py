"""A clinic's stocked strengths: which replace the marketed ones, and which are slips."""

from fractions import Fraction

import pytest
from tests.unit.dosing.switches import GRAIN_60, GRAIN_65, LT3, LT4

from crossgrain.catalogue.clinic import stocked
from crossgrain.names.errors import Category, DomainError

SHIPPED = {preparation.id: preparation for preparation in (LT4, LT3, GRAIN_60, GRAIN_65)}
NO_SUCH = (
    "no preparation has this id; there are desiccated-thyroid-60, desiccated-thyroid-65,"
    " levothyroxine, liothyronine"
)
NOT_LISTED = (
    "levothyroxine sodium is not listed in this strength; if it is stocked, name it under"
    " [stock.extra]"
)


def strengths(preparation_id, **stock):
    return stocked(SHIPPED, stock)[preparation_id].strengths


def test_only_the_strengths_that_are_named_are_stocked():
    assert strengths(LT4.id, levothyroxine=["100", "25", "50"]) == (25, 50, 100)
    assert strengths(LT3.id, levothyroxine=["100"]) == LT3.strengths


def test_another_countrys_strengths_stand_beside_the_marketed_ones():
    # 10 and 20 µg LT3 tablets: an NHS England code list (BNF)
    assert strengths(LT3.id, extra={"liothyronine": ["20", "10"]}) == (5, 10, 20, 25, 50)
    both = strengths(LT3.id, liothyronine=["25"], extra={"liothyronine": ["10"]})
    assert both == (10, 25)


def test_the_shipped_preparations_stay_as_they_are():
    before = dict(SHIPPED)
    changed = stocked(SHIPPED, {"levothyroxine": ["100"]})
    assert before == SHIPPED
    assert list(changed) == list(SHIPPED)


@pytest.mark.parametrize(
    ("stock", "field", "says"),
    [
        ({"thyroid": ["60"]}, "stock.thyroid", NO_SUCH),
        ({"extra": {"thyroid": ["60"]}}, "stock.extra.thyroid", NO_SUCH),
        ({"extra": ["10"]}, "stock.extra", "this must be a table"),
        ({LT4.id: "25"}, "stock.levothyroxine", "this must be a list with at least one entry"),
        ({LT4.id: ["25", "30"]}, "stock.levothyroxine[2]", NOT_LISTED),
        ({LT4.id: ["25", "0"]}, "stock.levothyroxine[2]", "this must be above zero"),
        ({LT4.id: ["25", "50", "25"]}, "stock.levothyroxine[3]", "this strength stands twice"),
        (
            {"extra": {LT3.id: ["10", "5"]}},
            "stock.extra.liothyronine[2]",
            "this strength is on the list; name it under [stock]",
        ),
        (
            {"extra": {LT3.id: ["10", "10"]}},
            "stock.extra.liothyronine[2]",
            "this strength stands twice",
        ),
        (
            {"extra": {GRAIN_65.id: ["7.5", "60"]}},
            "stock.extra.desiccated-thyroid-65[2]",
            "this is a strength of desiccated thyroid, 60 mg per grain; the two families never mix",
        ),
    ],
)
def test_a_strength_that_could_not_be_meant_is_refused_by_its_place(stock, field, says):
    with pytest.raises(DomainError) as refused:
        stocked(SHIPPED, stock)
    assert refused.value.category is Category.INVALID
    assert (refused.value.field, refused.value.message) == (field, says)


def test_a_strength_of_desiccated_thyroid_may_be_one_of_levothyroxine_too():
    # 75 is a strength of LT4 in µg, and no strength of either family in mg
    assert Fraction(75) in strengths(GRAIN_60.id, extra={GRAIN_60.id: ["75"]})
    assert Fraction(60) in strengths(LT3.id, extra={LT3.id: ["60"]})
