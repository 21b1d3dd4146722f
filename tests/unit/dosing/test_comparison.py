"""Every basis side by side: what a row carries, and by how much the bases disagree."""

from fractions import Fraction

import pytest
from tests.unit.dosing.switches import BASES, CATALOGUE, COMBINING, GRAIN, regimen

from crossgrain.dosing.bases import Basis, ChartRow, Grade
from crossgrain.dosing.comparison import aim_on, compare, spread
from crossgrain.dosing.targets import Target, TargetDose
from crossgrain.names.errors import Category, DomainError

SHORT = Basis(
    "ours",
    "our chart",
    "our protocol",
    Grade.CLINIC,
    GRAIN,
    rows=tuple(ChartRow(Fraction(m) * 50, Fraction(m), Fraction(m) * 25) for m in (1, 2)),
)


def rows(taken, target=Target.DESICCATED_THYROID, bases=CATALOGUE.bases):
    return {row.basis_id: row for row in compare(taken, bases, target, COMBINING.mixture())}


def test_a_row_carries_its_basis_and_its_target():
    found = rows(regimen(lt4=100))
    assert list(found) == [basis.id for basis in CATALOGUE.bases]
    for row in found.values():
        basis = BASES[row.basis_id]
        assert row.basis is basis
        assert (row.lt4_equivalent_ug, row.refused) == (100, "")
    # practice: 50 µg LT4 a grain (common practice, no source); label: 60 mg = LT4 100 µg
    assert found["practice"].target == TargetDose(grains=Fraction(2))
    assert found["label"].target == TargetDose(grains=Fraction(1))


def test_a_chart_that_does_not_reach_the_dose_says_so_in_its_row():
    beyond = rows(regimen(lt4=125), bases=(SHORT,))["ours"]
    assert beyond.target is None
    assert beyond.refused == (
        "the chart runs from 50 to 100 and does not reach 125; nothing is extrapolated"
    )
    with pytest.raises(DomainError) as refused:
        aim_on("ours", [beyond])
    assert (refused.value.category, refused.value.field) == (Category.OUT_OF_RANGE, "basis")
    assert refused.value.message == beyond.refused


@pytest.mark.parametrize(
    ("basis_id", "says"),
    [
        ("moon", "the basis is one of practice, label, trial, content, ddd"),
        ("ddd", "“ddd” is for comparison only and steers no plan"),
    ],
)
def test_what_cannot_be_aimed_at_is_refused_with_a_reason(basis_id, says):
    with pytest.raises(DomainError) as refused:
        aim_on(basis_id, rows(regimen(lt4=100)).values())
    assert (refused.value.category, refused.value.field) == (Category.INVALID, "basis")
    assert refused.value.message == says


def test_the_chosen_basis_gives_the_aim():
    found = rows(regimen(lt4=100)).values()
    assert aim_on("label", found) == TargetDose(grains=Fraction(1))
    assert aim_on("practice", found) == TargetDose(grains=Fraction(2))


def test_the_bases_disagree_by_a_factor_of_two():
    assert spread(rows(regimen(lt4=100)).values()) == 2
    assert spread(rows(regimen(mg60=60), Target.LEVOTHYROXINE).values()) == 2


def test_of_a_combination_the_medicine_on_which_they_disagree_most_counts():
    found = rows(regimen(lt4=100), Target.DESICCATED_LT3).values()
    targets = [row.target for row in found if row.sets_checkpoint]
    factors = {
        max(doses) / min(doses)
        for doses in ([t.lt3_ug for t in targets], [t.grains for t in targets])
    }
    assert spread(found) == max(factors)


def test_where_no_basis_steers_there_is_no_spread():
    assert spread([rows(regimen(lt4=100))["ddd"]]) is None
    assert spread(rows(regimen(lt4=125), bases=(SHORT,)).values()) is None
