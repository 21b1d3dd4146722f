"""Published tables that an answer is held against."""

from fractions import Fraction

import pytest
from tests.unit.dosing.switches import CATALOGUE

from crossgrain.dosing.crosschecks import cross_checks_from

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
