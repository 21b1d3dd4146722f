"""One product of desiccated thyroid in place of another, the family's or the maker's."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crossgrain.dosing.plan import LabReading, PriorTherapy
from crossgrain.dosing.regimens import DoseLine, Regimen
from crossgrain.dosing.steps import SwitchPart
from crossgrain.dosing.targets import Target
from crossgrain.names.errors import Category, DomainError

from .switches import GRAIN_60, GRAIN_65, LT3, amounts, plan, regimen, stocked, tables

DESICCATED, WITH_LT3 = Target.DESICCATED_THYROID, Target.DESICCATED_LT3


def taking(family, mg):
    return Regimen((DoseLine(family, (Fraction(mg),)),))


def other_than(family):
    return GRAIN_65 if family is GRAIN_60 else GRAIN_60


def exchanged(family, mg, **wanted):
    return plan(taking(family, mg), DESICCATED, by=tables(other_than(family)), **wanted)


def refused(taken, target=DESICCATED, by=GRAIN_65, **wanted):
    with pytest.raises(DomainError) as caught:
        plan(taken, target, by=tables(by), **wanted)
    return caught.value


# A labelled grain is 60 mg in one family, 65 mg in the other: US desiccated thyroid labels and
# value set 2.16.840.1.113883.3.464.1003.196.12.1354. Every quarter grain can be ordered in both.
@pytest.mark.parametrize("quarters", range(1, 25))
@pytest.mark.parametrize("family", [GRAIN_60, GRAIN_65], ids=lambda family: family.id)
def test_as_many_labelled_grains_are_taken_after_as_before(family, quarters):
    new = other_than(family)
    planned = exchanged(family, quarters * family.mg_per_grain / 4)
    assert amounts(planned.steps[0]) == {new.id: quarters * new.mg_per_grain / 4}


def test_the_old_product_ends_and_the_new_begins_on_one_day_and_nothing_climbs():
    planned = exchanged(GRAIN_60, 120)
    (step,) = planned.steps
    assert (step.first_day, step.last_day) == (0, 48)
    assert [line.part for line in step.lines] == [SwitchPart.NEW]
    assert planned.prior_therapy is PriorTherapy.STOP


@pytest.mark.parametrize("prior", PriorTherapy)
@pytest.mark.parametrize("pace", ["standard", "brisk", "cautious"])
def test_no_pace_and_no_overlap_ever_puts_both_products_into_one_day(pace, prior):
    planned = exchanged(GRAIN_65, 130, pace_id=pace, prior_therapy=prior)
    for step in (*planned.steps, *(s for b in planned.checkpoint.branches for s in b.steps)):
        assert GRAIN_65.id not in amounts(step)


def test_labs_come_before_the_first_dose_and_six_to_eight_weeks_after_it():
    baseline, check = exchanged(GRAIN_60, 120).labs
    assert baseline.day == 0
    assert 42 <= check.day <= 56  # after a change of dose: levothyroxine label (secondary)


@given(
    family=st.sampled_from([GRAIN_60, GRAIN_65]),
    cycle=st.lists(st.integers(2, 16), min_size=1, max_size=7),
)
def test_no_dose_is_ever_above_todays_labelled_grains_nor_far_below(family, cycle):
    """Whatever the mean of a week is: the nearest orderable dose not above it, or a refusal."""
    quarter = family.mg_per_grain / 4
    line = DoseLine(family, tuple(Fraction(quarters) * quarter for quarters in cycle))
    new = other_than(family)
    below = Fraction(int(line.grains * 4), 4)  # every quarter grain can be ordered
    if below < Fraction(85, 100) * line.grains:
        assert refused(Regimen((line,)), by=new).category is Category.OUT_OF_RANGE
        return
    planned = plan(Regimen((line,)), DESICCATED, by=tables(new))
    grains = new.grains(amounts(planned.steps[0])[new.id])
    assert Fraction(85, 100) * line.grains <= grains <= line.grains
    assert line.grains - grains < Fraction(1, 4)


@pytest.mark.parametrize(("mg", "grain"), [("17.64", True), ("300/17", True), ("17.65", False)])
def test_a_dose_too_far_from_any_tablet_is_refused_with_its_neighbours(mg, grain):
    """In tablets of a quarter grain alone: that is 0.85 of 300/17 mg, the least that it may be."""
    by = tables(stocked(GRAIN_65, "16.25", scored=False))
    if grain:
        (step,) = plan(taking(GRAIN_60, mg), DESICCATED, by=by).steps
        assert amounts(step) == {GRAIN_65.id: Fraction("16.25")}
        return
    with pytest.raises(DomainError, match=r"nearest doses are 16\.25 mg and 32\.5 mg") as caught:
        plan(taking(GRAIN_60, mg), DESICCATED, by=by)
    assert (caught.value.category, caught.value.field) == (Category.OUT_OF_RANGE, "stock")


def test_the_eight_percent_that_no_label_shows_is_said_with_its_direction():
    up = " ".join(s.title + s.arithmetic for s in exchanged(GRAIN_60, 120).rationale)
    assert "120 mg (of 60 mg per grain) becomes 130 mg (of 65 mg per grain)" in up
    assert "the new dose would hold 8 % more" in up
    down = " ".join(s.title + s.arithmetic for s in exchanged(GRAIN_65, 130).rationale)
    assert "the new dose would hold 8 % less" in down


def test_coverage_stays_at_one_on_every_basis():
    for covered in exchanged(GRAIN_60, 180).forecasts[0].coverage:
        assert covered.lowest.value == pytest.approx(1)
        assert covered.highest.value == pytest.approx(1)


def test_the_branches_step_by_a_quarter_grain_of_the_new_product_and_stay_in_range():
    branches = {b.reading: b for b in exchanged(GRAIN_60, 120).checkpoint.branches}
    doses = {reading: amounts(b.steps[-1])[GRAIN_65.id] for reading, b in branches.items()}
    assert doses == {
        LabReading.VERY_HIGH: Fraction("146.25"),
        LabReading.HIGH: Fraction("146.25"),
        LabReading.IN_RANGE: Fraction(130),
        LabReading.SYMPTOMS: Fraction(130),
        LabReading.LOW: Fraction("113.75"),
        LabReading.VERY_LOW: Fraction("97.5"),
    }
    assert "every basis in use calls this dose enough" in branches[LabReading.HIGH].statement


def test_another_product_of_the_same_family_is_ordered_anew_in_the_same_dose():
    planned = plan(regimen(mg60=120), DESICCATED, another_product=True)
    (step,) = planned.steps
    (line,) = step.lines
    assert (line.amount, line.tablets.amount) == (120, 120)
    assert planned.exchange.within_family
    assert "may differ by a tenth" in " ".join(s.arithmetic for s in planned.rationale)


def test_the_branches_of_the_same_family_order_the_new_product_too():
    planned = plan(regimen(mg60=120), DESICCATED, another_product=True)
    for branch in planned.checkpoint.branches:
        assert all(line.tablets for step in branch.steps for line in step.lines)


def test_liothyronine_beside_it_goes_on_as_it_is_taken():
    planned = plan(regimen(mg65=130, lt3=10), WITH_LT3, by=tables(GRAIN_60))
    (step,) = planned.steps
    assert amounts(step) == {GRAIN_60.id: 120, LT3.id: 10}
    (lt3,) = (line for line in step.lines if line.preparation.id == LT3.id)
    assert lt3.tablets is None
    assert planned.aim.lt3_ug == 10


def test_what_is_taken_of_both_families_comes_together_in_one():
    both = regimen(mg60=60, mg65=65)
    (step,) = plan(both, DESICCATED, by=tables(GRAIN_65)).steps
    assert amounts(step) == {GRAIN_65.id: 130}


@pytest.mark.parametrize(
    ("taken", "target", "field"),
    [
        (regimen(mg60=120, lt4=50), DESICCATED, "desiccated-family"),
        (regimen(mg60=120), WITH_LT3, "desiccated-family"),
        (regimen(mg60=120, lt3=10), DESICCATED, "desiccated-family"),
    ],
)
def test_more_than_the_product_at_once_is_refused(taken, target, field):
    error = refused(taken, target)
    assert (error.category, error.field) == (Category.CONFLICT, field)


@pytest.mark.parametrize("target", [Target.LEVOTHYROXINE, DESICCATED])
def test_another_product_of_what_is_not_taken_is_refused(target):
    error = refused(regimen(lt4=100), target, another_product=True)
    assert (error.category, error.field) == (Category.CONFLICT, "another-product")


def test_the_same_product_in_the_same_dose_is_still_nothing_to_do():
    error = refused(regimen(mg65=130))
    assert error.category is Category.NOTHING_TO_DO
