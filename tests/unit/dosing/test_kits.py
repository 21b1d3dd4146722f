"""Which strengths a plan draws on."""

from fractions import Fraction

import pytest
from tests.unit.dosing.switches import GRAIN_60, GRAIN_65, LT3, LT4, stocked

from crossgrain.dosing.kits import smallest_kit
from crossgrain.names.errors import Category, DomainError

NONE = frozenset()


def kit(preparation, *doses, also=(), home=(), largest=None):
    amounts = frozenset(map(Fraction, doses))
    return smallest_kit(
        preparation,
        amounts,
        frozenset(map(Fraction, also)),
        frozenset(map(Fraction, home)),
        Fraction(largest or max(amounts)),
    )


def strengths(*args, **more):
    return [float(strength) for strength in kit(*args, **more).strengths]


def quarters(family, upto):
    return [family.mg_per_grain / 4 * n for n in range(1, upto + 1)]


@pytest.mark.parametrize("family", [GRAIN_60, GRAIN_65])
@pytest.mark.parametrize(("grains", "most"), [(6, 2), (12, 3)])
def test_a_climb_to_a_grain_and_a_half_needs_two_strengths_and_to_three_grains_three(
    family, grains, most
):
    chosen = kit(family, *quarters(family, grains))
    assert len(chosen.strengths) <= most
    for dose in quarters(family, grains):
        day = chosen.day_dose(dose)
        assert day.tablets.amount == dose
        assert not day.tablets.has_half


def test_what_is_at_home_costs_nothing():
    assert strengths(LT4, 75, home=[150], largest=150) == [150]  # half of it
    assert strengths(LT4, 75, home=[25]) == [25]
    assert strengths(LT4, 100, home=[88]) == [100]


def test_no_tablet_is_broken_that_is_stronger_than_the_limit():
    assert strengths(LT4, "12.5", largest=25) == [25]
    with pytest.raises(DomainError, match=r"makes 12\.5 micrograms") as refused:
        kit(LT4, "12.5", largest=24)
    assert (refused.value.category, refused.value.field) == (Category.OUT_OF_RANGE, "stock")


def test_whole_tablets_come_before_broken_ones_of_as_many_strengths():
    assert strengths(stocked(LT4, 50, 75, 150), 75, largest=150) == [75]


def test_a_single_dose_is_one_tablet_where_it_can_be():
    assert strengths(LT4, 100, also=[125, 150]) == [100]


def test_among_equals_the_one_that_makes_the_branches_too_is_chosen():
    assert strengths(GRAIN_60, 15, 30) == [15]
    more = kit(GRAIN_60, *quarters(GRAIN_60, 6), also=[Fraction(105), Fraction(120)])
    assert len(more.strengths) == 2
    assert more.day_dose(Fraction(120)).tablets.amount == 120


def test_a_strength_without_a_verified_code_is_not_chosen_where_another_will_do():
    # 200 and 300 µg have no code that was verified
    assert strengths(LT4, 200) == [100]
    assert strengths(LT4, 300) == [150]
    assert strengths(LT4, 175) == [175]
    assert strengths(stocked(LT4, 200, coded=False), 200) == [200]


def test_lt3_is_made_of_whole_tablets_in_two_doses():
    assert strengths(LT3, 5, 10, 15, 20, 25) == [5]


def test_a_dose_that_the_kit_does_not_make_is_refused():
    with pytest.raises(DomainError, match="makes 44 micrograms"):
        kit(LT4, 100).day_dose(Fraction(44))


def test_a_dose_that_no_strengths_make_is_refused_by_its_amount():
    with pytest.raises(DomainError, match="makes 99 micrograms"):
        kit(LT4, 50, 99)
