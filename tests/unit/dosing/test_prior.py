"""The old medicine's side: which doses it may taper through, and how it stops."""

from fractions import Fraction

import pytest
from tests.unit.dosing.switches import GRAIN_60, KINETICS, LT3, LT4, stocked

from crossgrain.dosing.climb import Slot
from crossgrain.dosing.kinetics import Intake, PoolWeights, steady
from crossgrain.dosing.moves import Move
from crossgrain.dosing.prior import old_doses, stopped, taper_problem, tapered
from crossgrain.dosing.taper import Leaning

LT4_ALONE = (PoolWeights(1 / 100, 0.02, 0.02),)
AS_BEST = Leaning(most_changes=3)


def falling(preparation, start, goal=0):
    return Move(preparation, Fraction(start), Fraction(goal), preparation.increment)


def old(*medicines, home=None, bought=0):
    strengths = {key: frozenset(map(Fraction, value)) for key, value in (home or {}).items()}
    return old_doses(medicines, strengths, bought)


def levels(*medicines, **more):
    return [tuple(float(a) for a in choice) for choice in old(*medicines, **more).choices]


def test_a_medicine_falls_through_what_the_tablets_at_home_make():
    assert levels(falling(LT4, 150), home={LT4.id: [150]}) == [(150,), (75,), (0,)]
    assert levels(falling(LT4, 100), home={LT4.id: [50]}) == [(100,), (75,), (50,), (25,), (0,)]


def test_no_tablet_is_broken_that_is_stronger_than_the_whole_dose_of_day_one():
    # half of 125 would be a dose below 100
    assert levels(falling(LT4, 100), home={LT4.id: [125]}) == [(100,), (0,)]
    assert (62.5,) in levels(falling(LT4, 125), home={LT4.id: [125]})


def test_an_unscored_tablet_is_never_halved():
    assert levels(falling(GRAIN_60, 60), home={GRAIN_60.id: [60]}) == [(60,), (0,)]
    assert levels(falling(GRAIN_60, 180), home={GRAIN_60.id: [180]}) == [(180,), (90,), (0,)]


@pytest.mark.parametrize("bought", [0, 1, 2])
def test_each_dose_says_which_kits_make_it(bought):
    doses = old(falling(LT4, 100), home={LT4.id: [100]}, bought=bought)
    assert doses.bought[0] == 0
    assert max(doses.bought) == bought
    assert list(doses.bought) == sorted(doses.bought)
    half = next(i for i, c in enumerate(doses.choices) if c == (50,))
    assert doses.levels[half].kits & 1  # half of the 100 at home
    assert not doses.levels[half].whole & 1
    if bought:
        assert doses.levels[half].whole  # a tablet of 50
        quarter = next(i for i, c in enumerate(doses.choices) if c == (25,))
        assert not doses.levels[quarter].kits & 1


def test_what_has_no_code_is_not_bought_for_a_taper():
    only = stocked(LT4, 100, 50, coded=False)
    assert len(old(falling(only, 100), home={LT4.id: [100]}, bought=1).bought) == 2
    with_code = LT4.coded
    assert Fraction(200) not in with_code
    assert len(old(falling(LT4, 300), home={LT4.id: [100]}, bought=1).bought) == len(with_code)


def test_a_medicine_in_both_regimens_falls_no_further_than_its_goal():
    assert levels(falling(GRAIN_60, 120, 75), home={GRAIN_60.id: [15, 30, 60]}) == [
        (120,), (105,), (90,), (75,),
    ]  # fmt: skip


def test_a_medicine_that_keeps_its_dose_has_that_dose_alone():
    assert levels(falling(LT4, 100, 100)) == [(100,)]


def test_a_preparation_without_tablets_ends_at_once():
    assert levels(falling(stocked(LT4), 100)) == [(100,), (0,)]


def test_doses_that_lie_close_together_stay_few():
    many = old(falling(LT4, 600), home={LT4.id: LT4.strengths}, bought=1)
    assert len(many.choices) < 120


@pytest.mark.parametrize(
    "medicines",
    [
        (falling(LT4, 313),),
        (falling(LT4, 600, 25),),
        (falling(LT4, 434), falling(GRAIN_60, 300)),
        (falling(LT4, 323), falling(GRAIN_60, 240), falling(LT3, 75)),
    ],
)
@pytest.mark.parametrize("bought", [0, 1, 2])
def test_above_usual_doses_the_choices_lie_further_apart_and_stay_few(medicines, bought):
    home = {LT4.id: [100, 112, 125], GRAIN_60.id: [60], LT3.id: [5, 25]}
    choices = old(*medicines, home=home, bought=bought).choices
    assert choices[0] == tuple(m.start for m in medicines)
    assert choices[-1] == tuple(m.goal for m in medicines)
    assert 4 < len(choices) <= (32 if len(medicines) == 1 else 64)


def test_several_medicines_share_the_choices_and_the_last_is_all_of_them_ended():
    both = old(falling(LT4, 100), falling(LT3, 20), home={LT4.id: [100], LT3.id: [5]}, bought=1)
    assert both.choices[0] == (100, 20)
    assert both.choices[-1] == (0, 0)
    assert len(both.choices) <= 150


def test_a_goal_that_the_tablets_do_not_make_is_listed_and_asks_for_others():
    doses = old(falling(LT4, 100, 44), home={LT4.id: [100]})
    assert (doses.choices[-1], doses.levels[-1].kits) == ((44,), 0)
    assert old(falling(LT4, 100, 44), home={LT4.id: [100]}, bought=1).levels[-1].kits


def test_nothing_rises_after_a_choice():
    both = old(falling(LT4, 25), falling(LT3, 10), home={LT4.id: [25], LT3.id: [5]})
    for number, (lt4, lt3) in enumerate(both.choices):
        later = {both.choices[index] for index in both.under[number]}
        assert later == {
            (a, b) for a, b in both.choices if a <= lt4 and b <= lt3 and (a, b) != (lt4, lt3)
        }


def test_a_choice_is_amounts_and_hormone():
    both = old(falling(LT4, 25), falling(GRAIN_60, 60))
    assert both.amounts(0) == {LT4.id: 25, GRAIN_60.id: 60}
    assert both.levels[0].intake == pytest.approx(Intake(25 + 38, 0, 9))


def test_stopping_takes_the_goals_from_day_0():
    both = [falling(LT4, 100), falling(GRAIN_60, 120, 60)]
    slots = [Slot(0, 14, {}, Fraction(99)), Slot(14, 49, {}, Fraction(99))]
    assert stopped(slots, both) == [{LT4.id: 0, GRAIN_60.id: 60}] * 2


def test_a_taper_without_anything_new_keeps_what_is_taken():
    doses = old(falling(LT4, 100), home={LT4.id: [25]})
    slots = [Slot(0, 14, {}, Fraction(0)), Slot(14, 49, {}, Fraction(0))]
    start = steady(Intake(100, 0, 0))
    problem = taper_problem(KINETICS, start, slots, {LT4.id: LT4}, doses, LT4_ALONE, AS_BEST)
    taken, choice = tapered(problem, doses)
    assert taken == [{LT4.id: 100}] * 2
    assert (choice.chosen.changes, choice.chosen.bought) == (0, 0)


@pytest.mark.parametrize(("ceiling", "kept"), [("19.9", 15), (20, 20), ("20.1", 20)])
def test_the_old_t3_falls_the_same_day_where_the_new_one_takes_its_room(ceiling, kept):
    # a grain of desiccated thyroid is not there yet: all of the LT3 would be right
    doses = old(falling(LT3, 20), home={LT3.id: [5]})
    slots = [Slot(0, 14, {}, Fraction(ceiling))]
    weights = (PoolWeights(1 / 40, 2 / 40, 2 / 40),)
    start = steady(Intake(0, 20, 0))
    problem = taper_problem(KINETICS, start, slots, {LT3.id: LT3}, doses, weights, AS_BEST)
    assert tapered(problem, doses)[0] == [{LT3.id: kept}]


def test_where_no_dose_fits_the_t3_limit_there_is_no_taper():
    doses = old(falling(LT3, 20, 10), home={LT3.id: [5]})
    slots = [Slot(0, 14, {}, Fraction(5))]
    start = steady(Intake(0, 20, 0))
    problem = taper_problem(KINETICS, start, slots, {LT3.id: LT3}, doses, LT4_ALONE, AS_BEST)
    assert tapered(problem, doses) is None
