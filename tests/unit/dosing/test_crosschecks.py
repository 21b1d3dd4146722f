"""Published tables that an answer is held against."""

from fractions import Fraction

import pytest
from tests.unit.dosing.switches import CATALOGUE

from crossgrain.dosing.comparison import HandoutRow, cross_checks_from

CHECKS = CATALOGUE.cross_checks


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


def test_a_missing_entry_is_a_fault_of_the_package():
    with pytest.raises(KeyError):
        cross_checks_from({"desiccated_to_lt4": [{"rows": [], "source": "x"}]})


def test_the_tables_are_read_as_they_are_written():
    row = {"mg": "30", "lt4_ug": "50", "low_ug": "25", "high_ug": "88"}
    checks = cross_checks_from(
        {
            "desiccated_to_lt4": [{"rows": [row], "source": "a handout"}],
            "weight": {"lt4_ug_per_kg": "1.6", "source": "a guideline"},
        }
    )
    assert checks.handout == (HandoutRow(*map(Fraction, (30, 50, 25, 88))),)
    assert (checks.handout_source, checks.weight_source) == ("a handout", "a guideline")
    assert checks.lt4_ug_per_kg == Fraction(8, 5)
