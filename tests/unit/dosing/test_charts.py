"""Charts: what is read, and what is refused with which place."""

from fractions import Fraction

import pytest
from tests.unit.dosing.switches import GRAIN

from crossgrain.catalogue.charts import bases_from, clinic_bases_from
from crossgrain.dosing.bases import ChartRow, Grade
from crossgrain.names.errors import Category, DomainError

HEAD = {"id": "clinic-x", "statement": "our chart", "source": "our protocol"}
PROPORTIONAL = HEAD | {"lt4_ug_per_grain": "75", "lt4_ug_per_lt3_ug": "3"}


def rows(*cells):
    return [dict(zip(("lt4_ug", "grains", "lt3_ug"), row, strict=True)) for row in cells]


TABLE = HEAD | {"row": rows(("50", "1/2", "15"), ("100", "1", "25"), ("200", "2.5", "60"))}


def refused(entry, shipped=("practice", "label")):
    with pytest.raises(DomainError) as caught:
        clinic_bases_from([entry], shipped, GRAIN)
    assert caught.value.category is Category.INVALID
    return caught.value


def test_a_clinics_chart_is_graded_clinic_and_sets_a_checkpoint_by_default():
    (basis,) = clinic_bases_from([PROPORTIONAL], (), GRAIN)
    assert basis.grade is Grade.CLINIC
    assert basis.sets_checkpoint
    assert basis.weights.lt4_ug_per_grain == 75


def test_a_clinic_may_keep_its_chart_from_setting_a_checkpoint():
    (basis,) = clinic_bases_from([PROPORTIONAL | {"checkpoint": False}], (), GRAIN)
    assert not basis.sets_checkpoint


def test_content_weighs_a_grain_by_what_it_contains():
    (basis,) = clinic_bases_from([PROPORTIONAL | {"lt4_ug_per_grain": "content"}], (), GRAIN)
    assert basis.weights.lt4_ug_per_grain == 38 + 9 * 3


def test_a_table_keeps_its_rows_exactly():
    (basis,) = clinic_bases_from([TABLE], (), GRAIN)
    assert basis.weights is None
    assert basis.rows[0] == ChartRow(Fraction(50), Fraction(1, 2), Fraction(15))


def test_integers_are_exact_and_welcome():
    (basis,) = clinic_bases_from([HEAD | {"row": rows((50, 1, 25), (100, 2, 50))}], (), GRAIN)
    assert basis.rows[1].lt4_ug == 100


def test_a_first_row_of_zeros_lets_the_line_run_from_zero():
    (basis,) = clinic_bases_from([HEAD | {"row": rows((0, 0, 0), (100, 1, 25))}], (), GRAIN)
    assert basis.lt4_for(Fraction(0), Fraction(5), Fraction(0)) == 20


@pytest.mark.parametrize("lt3_ug", ["14.99", "60.01"])
def test_nothing_is_extrapolated_below_the_first_row_or_above_the_last(lt3_ug):
    (basis,) = clinic_bases_from([TABLE], (), GRAIN)
    with pytest.raises(DomainError, match="nothing is extrapolated") as caught:
        basis.lt4_for(Fraction(0), Fraction(lt3_ug), Fraction(0))
    assert caught.value.category is Category.OUT_OF_RANGE
    assert caught.value.field == "clinic-x"


@pytest.mark.parametrize(("lt3_ug", "lt4_ug"), [(15, 50), (20, 75), (25, 100), (60, 200)])
def test_a_table_is_interpolated_between_its_rows_and_met_on_them(lt3_ug, lt4_ug):
    (basis,) = clinic_bases_from([TABLE], (), GRAIN)
    assert basis.lt4_for(Fraction(0), Fraction(lt3_ug), Fraction(0)) == lt4_ug


def test_a_tables_weights_are_the_secant_at_one_dose_and_say_so():
    (basis,) = clinic_bases_from([TABLE], (), GRAIN)
    weights = basis.weights_at(Fraction(200))
    assert (weights.lt4_ug_per_grain, weights.lt4_ug_per_lt3_ug) == (80, Fraction(10, 3))
    assert weights.secant


@pytest.mark.parametrize("key", ["id", "statement", "source"])
def test_a_chart_without_its_particulars_is_refused(key):
    error = refused({name: value for name, value in PROPORTIONAL.items() if name != key})
    assert error.field == ("basis[1].id" if key == "id" else f"clinic-x.{key}")
    assert error.message == f"{key} is missing"


@pytest.mark.parametrize("key", ["lt4_ug_per_grain", "lt4_ug_per_lt3_ug"])
def test_a_proportional_chart_without_one_of_its_weights_is_refused(key):
    error = refused({name: value for name, value in PROPORTIONAL.items() if name != key})
    assert error.field == f"clinic-x.{key}"


@pytest.mark.parametrize(
    ("change", "field", "message"),
    [
        ({"id": " "}, "basis[1].id", "not blank"),
        ({"id": "Clinic X"}, "basis[1].id", "lower-case"),
        ({"id": "label"}, "basis[1].id", "stands already"),
        ({"statement": ""}, "clinic-x.statement", "not blank"),
        ({"source": 7}, "clinic-x.source", "a text"),
        ({"grade": "label"}, "clinic-x.grade", "graded clinic"),
        ({"grade": "gold"}, "clinic-x.grade", "known are arithmetic, clinic"),
        ({"checkpoint": "yes"}, "clinic-x.checkpoint", "true or false"),
        ({"lt4_ug_per_grian": "75"}, "clinic-x.lt4_ug_per_grian", "not known"),
        ({"lt4_ug_per_grain": "37.99"}, "clinic-x.lt4_ug_per_grain", "T3 would be negative"),
        ({"lt4_ug_per_grain": "0"}, "clinic-x.lt4_ug_per_grain", "above zero"),
        ({"lt4_ug_per_grain": "-75"}, "clinic-x.lt4_ug_per_grain", "above zero"),
        ({"lt4_ug_per_grain": 75.5}, "clinic-x.lt4_ug_per_grain", "as a string"),
        ({"lt4_ug_per_grain": "lots"}, "clinic-x.lt4_ug_per_grain", "must be a number"),
        ({"lt4_ug_per_grain": True}, "clinic-x.lt4_ug_per_grain", "must be a number"),
        ({"lt4_ug_per_grain": "nan"}, "clinic-x.lt4_ug_per_grain", "must be a number"),
        ({"lt4_ug_per_grain": "75/0"}, "clinic-x.lt4_ug_per_grain", "divides by zero"),
        ({"lt4_ug_per_lt3_ug": "0"}, "clinic-x.lt4_ug_per_lt3_ug", "above zero"),
        ({"lt4_ug_per_lt3_ug": "-3"}, "clinic-x.lt4_ug_per_lt3_ug", "above zero"),
        ({"row": rows((50, 1, 25), (100, 2, 50))}, "clinic-x.row", "not both"),
    ],
)
def test_a_proportional_chart_that_could_not_be_meant_is_refused(change, field, message):
    error = refused(PROPORTIONAL | change)
    assert error.field == field
    assert message in error.message


def test_a_grain_that_weighs_just_its_t4_is_accepted():
    (basis,) = clinic_bases_from([PROPORTIONAL | {"lt4_ug_per_grain": "38"}], (), GRAIN)
    assert basis.weights.lt4_ug_per_desiccated_t3_ug == 0


@pytest.mark.parametrize(
    ("cells", "field", "message"),
    [
        ([(50, 1, 25)], "row", "at least two rows"),
        ([], "row", "at least one entry"),
        ([(50, 1, 25), (100, 2, -50)], "row[2].lt3_ug", "not negative"),
        ([(50, 1, 25), (100, "-2", 50)], "row[2].grains", "not negative"),
        ([(50, 1, 25), (100, 2, "?")], "row[2].lt3_ug", "must be a number"),
        ([(50, 1, 25), (100, 2.0, 50)], "row[2].grains", "as a string"),
        ([(50, 1, 25), (100, 2, 50), (100, 2, 50)], "row[3]", "repeats row 2"),
        ([(50, 1, 25), (100, 2, 50), (50, 1, 25)], "row[3]", "repeats row 1"),
        ([(50, 1, 25), (100, 2, 50), (150, 1.5, 75)], "row[3].grains", "as a string"),
        ([(50, 1, 25), (100, 2, 50), (150, "1.5", 75)], "row[3].grains", "does not rise"),
        ([(50, 1, 25), (100, 1, 50)], "row[2].grains", "does not rise"),
        ([(100, 2, 50), (50, 1, 25)], "row[2].lt4_ug", "does not rise"),
        ([(50, 1, 25), (100, 2, 24)], "row[2].lt3_ug", "does not rise"),
        ([(50, 1, 25), (0, 0, 0)], "row[2].lt4_ug", "does not rise"),
        ([(50, 0, 25), (100, 2, 50)], "row[1].grains", "row of zeros"),
        ([(0, 0, 0), (0, 1, 25)], "row[2].lt4_ug", "row of zeros"),
        ([(50, 1, 25), (75, 2, 50)], "row[2].lt4_ug", "T3 would be negative"),
        ([(37, 1, 25), (76, 2, 50)], "row[1].lt4_ug", "T3 would be negative"),
    ],
)
def test_a_table_that_could_not_be_meant_is_refused_with_its_row(cells, field, message):
    error = refused(HEAD | {"row": rows(*cells)})
    assert error.field == f"clinic-x.{field}"
    assert message in error.message


@pytest.mark.parametrize("column", ["lt4_ug", "grains", "lt3_ug"])
def test_a_row_without_one_of_its_doses_is_refused(column):
    cells = rows((50, 1, 25), (100, 2, 50), (150, 3, 75))
    del cells[2][column]
    error = refused(HEAD | {"row": cells})
    assert error.field == f"clinic-x.row[3].{column}"
    assert error.message == f"{column} is missing"


def test_an_unknown_column_is_refused():
    cells = rows((50, 1, 25), (100, 2, 50))
    cells[1]["lt2_ug"] = 3
    assert refused(HEAD | {"row": cells}).field == "clinic-x.row[2].lt2_ug"


@pytest.mark.parametrize("entries", [{}, [], "chart"])
def test_charts_are_a_list_with_something_in_it(entries):
    with pytest.raises(DomainError) as caught:
        clinic_bases_from(entries, (), GRAIN)
    assert caught.value.field == "basis"


@pytest.mark.parametrize("row", [["rows"], [[50, 1, 25]]])
def test_a_row_is_a_table(row):
    assert refused(HEAD | {"row": row}).field == "clinic-x.row[1]"


def test_a_chart_is_a_table():
    with pytest.raises(DomainError) as caught:
        clinic_bases_from([PROPORTIONAL, "ours"], (), GRAIN)
    assert (caught.value.field, caught.value.message) == ("basis[2]", "this must be a table")


def test_an_id_given_twice_in_one_file_is_refused_at_the_second():
    with pytest.raises(DomainError, match="stands already") as caught:
        clinic_bases_from([PROPORTIONAL, TABLE], (), GRAIN)
    assert caught.value.field == "basis[2].id"


def test_a_shipped_chart_must_carry_its_grade():
    with pytest.raises(DomainError) as caught:
        bases_from([PROPORTIONAL], GRAIN)
    assert caught.value.field == "clinic-x.grade"
