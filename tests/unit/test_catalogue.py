"""The catalogue: shipped tables, and a clinic's file on top of them."""

from fractions import Fraction
from typing import NamedTuple

import pytest

from crossgrain.catalogue import load_catalogue
from crossgrain.dosing.bases import Grade
from crossgrain.dosing.tablets import can_be_ordered
from crossgrain.names.errors import DomainError

CHART = """
[[basis]]
id = "clinic-x"
statement = "One grain = LT4 75 µg"
source = "our protocol"
lt4_ug_per_grain = "75"
lt4_ug_per_lt3_ug = "3"
"""


class Refused(NamedTuple):
    field: str
    message: str


@pytest.fixture
def clinic(tmp_path):
    """Write a clinic's file."""

    def write(content):
        path = tmp_path / "clinic.toml"
        path.write_text(content, encoding="utf-8")
        return path

    return write


def refused(path):
    """The place in the file, and what is said of it."""
    with pytest.raises(DomainError) as caught:
        load_catalogue(path)
    name, _, place = caught.value.field.partition(": ")
    assert name == path.name
    return Refused(place, caught.value.message)


def test_the_shipped_bases_stand_in_order_and_only_ddd_sets_no_checkpoint():
    bases = load_catalogue().bases
    assert [basis.id for basis in bases] == ["practice", "label", "trial", "content", "ddd"]
    assert [basis.id for basis in bases if not basis.sets_checkpoint] == ["ddd"]


def test_a_basis_is_found_by_its_id_and_an_unknown_one_is_refused():
    catalogue = load_catalogue()
    assert catalogue.basis("trial").grade is Grade.TRIAL
    with pytest.raises(DomainError, match="practice, label, trial, content, ddd") as caught:
        catalogue.basis("guess")
    assert caught.value.field == "basis"


def test_a_clinics_chart_stands_after_the_shipped_ones(clinic):
    catalogue = load_catalogue(clinic(CHART))
    assert [basis.id for basis in catalogue.bases][-2:] == ["ddd", "clinic-x"]
    assert catalogue.basis("clinic-x").lt4_for(Fraction(0), Fraction(0), Fraction(2)) == 150


def test_a_clinics_chart_may_not_take_a_shipped_id(clinic):
    error = refused(clinic(CHART.replace("clinic-x", "practice")))
    assert error.field == "basis[1].id"


def test_a_clinics_faulty_row_is_named(clinic):
    error = refused(
        clinic("""
        [[basis]]
        id = "clinic-x"
        statement = "our table"
        source = "our protocol"
        row = [
          { lt4_ug = 50, grains = 1, lt3_ug = 25 },
          { lt4_ug = 100, grains = 2, lt3_ug = 50 },
          { lt4_ug = 150, grains = "1.5", lt3_ug = 75 },
        ]
        """)
    )
    assert error.field == "clinic-x.row[3].grains"


def test_stocked_strengths_replace_the_marketed_ones(clinic):
    catalogue = load_catalogue(clinic('[stock]\nlevothyroxine = ["100", "25", 50]'))
    stocked = catalogue.preparations["levothyroxine"]
    assert stocked.strengths == (25, 50, 100)
    assert not can_be_ordered(stocked, Fraction(88))
    assert can_be_ordered(load_catalogue().preparations["levothyroxine"], Fraction(88))


def test_a_preparation_that_the_clinic_does_not_name_keeps_its_strengths(clinic):
    catalogue = load_catalogue(clinic('[stock]\nlevothyroxine = ["100"]'))
    shipped = load_catalogue()
    assert catalogue.preparations["liothyronine"] == shipped.preparations["liothyronine"]


def test_strengths_beyond_the_list_are_added_where_the_clinic_vouches_for_them(clinic):
    catalogue = load_catalogue(clinic('[stock.extra]\nliothyronine = ["10", "20"]'))
    assert catalogue.preparations["liothyronine"].strengths == (5, 10, 20, 25, 50)


def test_stocked_and_extra_strengths_stand_together(clinic):
    catalogue = load_catalogue(
        clinic('[stock]\nliothyronine = ["5"]\n[stock.extra]\nliothyronine = ["20"]')
    )
    assert catalogue.preparations["liothyronine"].strengths == (5, 20)


@pytest.mark.parametrize(
    ("content", "field", "message"),
    [
        ("[stocks]", "stocks", "not known"),
        ("stock = 3", "stock", "a table"),
        ('[stock]\nthyroxine = ["25"]', "stock.thyroxine", "no preparation"),
        ('[stock.extra]\nthyroxine = ["25"]', "stock.extra.thyroxine", "no preparation"),
        ("[stock]\nlevothyroxine = []", "stock.levothyroxine", "at least one"),
        ('[stock]\nlevothyroxine = "25"', "stock.levothyroxine", "a list"),
        ('[stock]\nlevothyroxine = ["25", "20"]', "stock.levothyroxine[2]", "[stock.extra]"),
        ('[stock]\nlevothyroxine = ["25", "25"]', "stock.levothyroxine[2]", "stands twice"),
        ("[stock]\nlevothyroxine = [25.0]", "stock.levothyroxine[1]", "as a string"),
        ('[stock]\nlevothyroxine = ["-25"]', "stock.levothyroxine[1]", "above zero"),
        ('[stock]\nlevothyroxine = ["25 µg"]', "stock.levothyroxine[1]", "a number"),
        ('[stock.extra]\nlevothyroxine = ["25"]', "stock.extra.levothyroxine[1]", "on the list"),
        (
            '[stock]\ndesiccated-thyroid-60 = ["65"]',
            "stock.desiccated-thyroid-60[1]",
            "not listed",
        ),
        (
            '[stock.extra]\ndesiccated-thyroid-60 = ["65"]',
            "stock.extra.desiccated-thyroid-60[1]",
            "never mix",
        ),
        ("[stock\n", "", "not TOML: Expected ']' at the end of a table declaration (at line 1"),
        (
            "[safety]\n[colour]",
            "colour",
            "known are alias, basis, numbers, other, product",
        ),
        ("basis = []", "basis", "at least one"),
    ],
)
def test_a_clinics_file_that_could_not_be_meant_is_refused_with_its_place(
    clinic, content, field, message
):
    error = refused(clinic(content))
    assert error.field == field
    assert message in error.message


def test_a_file_that_is_not_there_is_refused(tmp_path):
    error = refused(tmp_path / "nowhere.toml")
    assert error.field == ""
    assert "cannot be read" in error.message


def test_a_file_in_another_encoding_is_refused(tmp_path):
    path = tmp_path / "clinic.toml"
    path.write_bytes(CHART.encode("latin-1"))
    assert "not UTF-8" in refused(path).message


def test_a_clinic_sets_a_number_that_is_our_judgement(clinic):
    catalogue = load_catalogue(clinic('[numbers.ratio]\nunder = "0.85"\n'))
    assert catalogue.rules.judgement["under"].value == Fraction(17, 20)
    assert catalogue.limits.ratio_under == Fraction(17, 20)


@pytest.mark.parametrize(
    ("content", "field", "says"),
    [
        ('[numbers.none]\nunder = "1"\n', "numbers.none.under", "no such number"),
        ('[numbers.ratio]\nnone-such = "1"\n', "numbers.ratio.none-such", "no such number"),
        ("[numbers.ratio]\nunder = 0.85\n", "numbers.ratio.under", "as a string"),
        ('[numbers.ratio]\nunder = "0"\n', "numbers.ratio.under", "above zero"),
        ('[numbers.ratio]\nunder = "1.1"\n', "numbers.ratio", "contradict"),
        ('[numbers.labs]\nfresh_days = "60.5"\n', "numbers.labs.fresh_days", "whole"),
        ('[numbers.t3]\nhighest_ug = "150"\n', "numbers.t3.highest_ug", "may not set"),
        ('[numbers.tsh]\nsuppressed = "0.01"\n', "numbers.tsh.suppressed", "may not set"),
        ("[numbers.labs]\nwait_days = 27\n", "numbers.labs.wait_days", "within 28 and 56"),
        ("[numbers.labs]\nwait_days = 57\n", "numbers.labs.wait_days", "within 28 and 56"),
        ("numbers = 3\n", "numbers", "table"),
        ('[numbers.taper.choice]\nguard = "1"\n', "numbers.taper.choice", "parts of coverage"),
    ],
)
def test_a_slip_in_a_clinics_numbers_is_named(clinic, content, field, says):
    error = refused(clinic(content))
    assert error.field == field
    assert says in error.message


@pytest.mark.parametrize("days", [28, 56])
def test_a_clinic_may_go_to_the_ends_of_the_range_that_a_source_gives(clinic, days):
    # TSH 4 to 8 weeks after a change: ATA 2014, from memory.
    catalogue = load_catalogue(clinic(f"[numbers.labs]\nwait_days = {days}\n"))
    assert catalogue.policy.lab_wait_days == catalogue.limits.labs_settled_days == days
    assert catalogue.rules.before["regimen-changed-recently"].number("steady") == days


def test_a_clinic_that_takes_fewer_tablets_at_once_has_other_doses_and_other_tables(clinic):
    own = load_catalogue(clinic("[numbers.tablets]\nmost_pieces = 2\n"))
    shipped = load_catalogue()
    lt4 = own.preparations["levothyroxine"]
    assert can_be_ordered(shipped.preparations["levothyroxine"], Fraction(900))
    assert not can_be_ordered(lt4, Fraction(900))
    assert can_be_ordered(lt4, Fraction(600))
    assert own.tables_version != shipped.tables_version


EXPOSURE = "t3.highest_exposure"


@pytest.mark.parametrize(
    ("content", "field", "now"),
    [
        ('[safety.judgement]\nunder = "0.85"\n', "safety.judgement.under", "ratio.under"),
        ('[screening.ratio]\nunder = "0.85"\n', "screening.ratio.under", "ratio.under"),
        (
            '[safety.coverage-low]\nlowest = "0.6"\n',
            "safety.coverage-low.lowest",
            "coverage.lowest",
        ),
        (
            "[safety.not-checked-recent-tsh]\nfresh = 60\n",
            "safety.not-checked-recent-tsh.fresh",
            "labs.fresh_days",
        ),
        (
            "[screening.kept]\norder_days = 200\n",
            "screening.kept.order_days",
            "record.order_days",
        ),
        ("[screening.labs]\nsettled_days = 50\n", "screening.labs.settled_days", "labs.wait_days"),
    ],
)
def test_a_number_under_its_former_key_is_refused_with_the_right_one(clinic, content, field, now):
    error = refused(clinic(content))
    assert error.field == field
    assert error.message == f"this number is set as numbers.{now}"


@pytest.mark.parametrize("content", ["[safety.none]\nsuch = 1\n", "[screening.no]\nsuch = 1\n"])
def test_a_former_key_that_never_was_is_refused(clinic, content):
    assert "no such number" in refused(clinic(content)).message
