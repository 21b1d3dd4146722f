"""Published tables that an answer is held against."""

from fractions import Fraction

import pytest
from tests.unit.dosing.switches import CATALOGUE

from crossgrain.catalogue.charts import cross_checks_from
from crossgrain.dosing.comparison import HandoutRow
from crossgrain.names.errors import DomainError

CHECKS = CATALOGUE.cross_checks
ROW = {"mg": "30", "lt4_ug": "50", "low_ug": "25", "high_ug": "88"}
WEIGHT = {"lt4_ug_per_kg": "1.6", "source": "a guideline"}


@pytest.mark.parametrize(
    ("mg", "limits"),
    [
        (30, (25, 88)),
        (60, (88, 112)),
        (125, (175, 300)),
        (45, (25, 112)),  # between two rows: from the lower one's low to the upper one's high
        ("97.5", (112, 300)),
    ],
)
def test_a_dose_has_the_range_of_its_row_or_of_the_rows_around_it(mg, limits):
    assert CHECKS.lt4_range(Fraction(mg)) == limits


@pytest.mark.parametrize("mg", ["29.9", "125.1", 240, 0])
def test_a_dose_outside_the_table_has_no_range(mg):
    assert CHECKS.lt4_range(Fraction(mg)) is None


def test_every_range_of_the_table_holds_its_own_dose():
    assert all(row.low_ug <= row.lt4_ug <= row.high_ug for row in CHECKS.handout)
    assert CHECKS.handout_source
    assert CHECKS.weight_source


def test_a_table_without_rows_or_weight_is_refused_by_its_place():
    handout = {"id": "a", "rows": [], "source": "x"}
    with pytest.raises(DomainError) as refused:
        cross_checks_from({"desiccated_to_lt4": [handout], "weight": WEIGHT})
    assert refused.value.field == "desiccated_to_lt4[1].rows"
    with pytest.raises(DomainError) as refused:
        cross_checks_from({"desiccated_to_lt4": [handout | {"rows": [ROW]}]})
    assert refused.value.field == "weight"


def test_the_tables_are_read_as_they_are_written():
    checks = cross_checks_from(
        {
            "desiccated_to_lt4": [{"id": "a", "rows": [ROW], "source": "a handout"}],
            "weight": WEIGHT,
        }
    )
    assert checks.handout == (HandoutRow(*map(Fraction, (30, 50, 25, 88))),)
    assert (checks.handout_source, checks.weight_source) == ("a handout", "a guideline")
    assert checks.lt4_ug_per_kg == Fraction(8, 5)
