"""The taper's choice: what simplicity may cost, in which order, and which limits hold."""

from dataclasses import replace
from math import exp, log

import pytest

from crossgrain.dosing.kinetics import Intake, Kinetics, Pools, PoolWeights
from crossgrain.dosing.taper import Leaning, Level, Problem, Segment, shares_of
from crossgrain.dosing.taper_search import choose_taper

ALL = 0b11
HOME, BOUGHT = 0b11, 0b10
"""A dose that the tablets at home make (so that any kit does), and one that needs another."""


def simple(segments, doses=((100, HOME), (50, HOME), (0, HOME)), start=100.0, **leaning):
    """One basis on which T4 alone counts, over a start of 100 µg; doses that break no tablet."""
    levels = tuple(Level(Intake(dose, 0, 0), kits, kits) for dose, kits in doses)
    return Problem(
        Kinetics(7.0, 1.0, 0.75, 0.95, 0.35),
        Pools(start, start, 0, 0),
        tuple(segments),
        levels,
        tuple(tuple(range(level + 1, len(levels))) for level in range(len(levels))),
        frozenset(range(len(levels))),
        (0, 1),
        (PoolWeights(1 / 100, 0.02, 0.02),),
        Leaning(**{"most_changes": 3, **leaning}),
        shares_of(levels),
    )


def held(new, days=400):
    """Long enough that the pools forget what was before."""
    return Segment(days, Intake(new, 0, 0))


def chosen(problem):
    return choose_taper(problem).chosen


def test_a_strength_is_bought_only_where_it_gains_more_than_the_saving():
    # held at 60 µg of the new: 50 makes 1.10, 40 makes 1.00 and must be bought
    gains = log(1.1)
    doses = ((100, HOME), (50, HOME), (40, BOUGHT), (0, HOME))
    for saving, bought in ((gains + 0.001, 0), (gains - 0.001, 1)):
        problem = simple([held(60)], doses, tolerance=0.0, saving=saving)
        assert chosen(problem).bought == bought
        assert choose_taper(problem).best.bought == 1


def test_two_medicines_of_one_composition_are_searched_as_two():
    # 50 + 50 of either falls to 0 + 50, 25 + 50, 50 + 0, ...: not from the largest to the smallest
    doses = tuple((dose, HOME) for dose in (100, 50, 75, 25, 50, 0))
    problem = simple([held(25)], doses)
    under = ((1, 2, 3, 4, 5), (3, 5), (3, 4, 5), (5,), (5,), ())
    assert choose_taper(replace(problem, under=under)).best.path == (2,)


@pytest.mark.parametrize(("tolerance", "changes"), [(0.09, 2), (0.11, 1)])
def test_a_change_of_dose_is_saved_only_within_the_tolerance(tolerance, changes):
    # two falls keep coverage at 1; one fall must be 10 % off on one side
    segments = [held(0, 28), held(50), held(60)]
    doses = ((100, HOME), (50, HOME), (40, HOME))
    two = choose_taper(simple(segments, doses, tolerance=0.0)).best
    assert (two.path, two.changes) == ((0, 1, 2), 2)
    assert chosen(simple(segments, doses, tolerance=tolerance, saving=1)).changes == changes


def test_whole_tablets_are_preferred_among_as_many_changes():
    levels = [
        Level(Intake(100, 0, 0), ALL, ALL),
        Level(Intake(50, 0, 0), ALL, 0),  # a broken tablet
        Level(Intake(49, 0, 0), ALL, ALL),
    ]
    problem = replace(
        simple([held(50)], tolerance=0.02), levels=tuple(levels), shares=shares_of(levels)
    )
    assert choose_taper(problem).best.path == (1,)
    assert chosen(problem).path == (2,)
    assert chosen(replace(problem, leaning=Leaning(most_changes=3))).path == (1,)


@pytest.mark.parametrize(
    ("one_broken", "path"),
    [(ALL, (0, 1, 1)), (0, (0, 2, 2))],  # two broken tablets a day are no better than twice one
)
def test_among_as_many_changes_those_with_the_fewest_broken_tablets_are_taken(one_broken, path):
    levels = [
        Level(Intake(100, 0, 0), ALL, ALL),
        Level(Intake(50, 0, 0), ALL, 0, one_broken),
        Level(Intake(49, 0, 0), ALL, 0),
        Level(Intake(0, 0, 0), ALL, ALL),
    ]
    segments = [held(0, 28), held(50, 28), held(50)]
    problem = replace(
        simple(segments, tolerance=0.05),
        levels=tuple(levels),
        shares=shares_of(levels),
        under=((1, 2, 3), (2, 3), (3,), ()),
        last=frozenset({1, 2}),
    )
    assert chosen(problem).path == path


def test_a_day_less_with_a_broken_tablet_is_worth_a_worse_coverage_within_the_tolerance():
    levels = (
        Level(Intake(100, 0, 0), ALL, ALL),
        Level(Intake(50, 0, 0), ALL, 0),
    )
    # a day of both doses together raises coverage by 4.7 %
    segments = [Segment(1, Intake(50, 0, 0)), held(50)]
    problem = replace(
        simple(segments, tolerance=0.05),
        levels=levels,
        shares=shares_of(levels),
        under=((1,), ()),
        last=frozenset({1}),
    )
    assert choose_taper(problem).best.path == (1, 1)
    assert chosen(problem).path == (0, 1)
    assert chosen(replace(problem, leaning=Leaning(tolerance=0.04, most_changes=3))).path == (1, 1)


def test_among_tapers_of_equal_price_the_smallest_worst_is_taken():
    doses = ((100, HOME), (52, HOME), (50.5, HOME), (49, HOME))
    assert chosen(simple([held(50)], doses, tolerance=0.05)).path == (2,)


def test_where_the_worst_is_given_the_least_sum_of_squares_is_chosen():
    # the last segment overshoots with no old dose at all; the sum decides when it ends
    new = (60, 60, 300)
    days = (14, 14, 400)
    segments = [Segment(d, Intake(dose, 0, 0)) for d, dose in zip(days, new, strict=True)]
    problem = replace(simple(segments, ((100, HOME), (0, HOME))), last=frozenset({1}))

    def squares(kept):
        pool, total = 100.0, 0.0
        for number, (d, dose) in enumerate(zip(days, new, strict=True)):
            level = dose + (100 if number < kept else 0)
            pool = level + (pool - level) * exp(-d / problem.kinetics.t4_tau)
            total += log(pool / 100) ** 2
        return total

    kept = min(range(3), key=squares)
    assert kept == 1
    assert chosen(problem).path == (0,) * kept + (1,) * (3 - kept)


def test_a_taper_may_not_change_where_a_segment_says_so():
    falling = [Intake(0, 0, 0), Intake(50, 0, 0), Intake(100, 0, 0)]
    free = simple([Segment(28, new) for new in falling])
    assert choose_taper(free).best.path == (0, 1, 2)
    stuck = replace(
        free,
        segments=(*free.segments[:1], *(replace(s, may_change=False) for s in free.segments[1:])),
    )
    assert len(set(choose_taper(stuck).best.path)) == 1


@pytest.mark.parametrize("most", [1, 2, 3])
def test_the_dose_changes_no_more_often_than_it_may(most):
    segments = [Segment(28, Intake(new, 0, 0)) for new in (0, 25, 50, 75)]
    doses = tuple((dose, HOME) for dose in (100, 75, 50, 25, 0))
    best = choose_taper(simple(segments, doses, most_changes=most)).best
    assert best.changes == most


def test_a_forced_last_dose_is_taken_last():
    problem = simple([Segment(28, Intake(0, 0, 0)), Segment(49, Intake(0, 0, 0))])
    assert choose_taper(problem).best.path == (0, 0)
    assert choose_taper(replace(problem, last=frozenset({2}))).best.path == (0, 2)


def test_where_the_t3_limit_leaves_no_dose_there_is_no_taper():
    problem = simple([Segment(28, Intake(0, 0, 0), t3_room_ug=-1)])
    assert choose_taper(problem) is None


# --- leaning and guard -----------------------------------------------------------------------

BETWEEN = ((100, HOME), (60, HOME), (40, HOME), (20, HOME))


@pytest.mark.parametrize(
    ("above", "below", "dose"), [(1, 1, 40), (2, 1, 20), (1, 2, 40), (1, 4, 60)]
)
def test_what_weighs_more_is_kept_further_from(above, below, dose):
    # on one basis the new medicine is worth 40 µg, on the other 80: the old one must hedge
    problem = replace(
        simple([held(0)], BETWEEN, above=above, below=below),
        segments=(Segment(400, Intake(0, 0, 20)),),
        weights=(Intake(0.01, 0.02, 0.02), Intake(0.01, 0.02, 0.04)),
    )
    assert BETWEEN[choose_taper(problem).best.path[0]][0] == dose


@pytest.mark.parametrize(("guard", "dose"), [(0.0, 20), (0.59, 20), (0.61, 40), (0.99, 60)])
def test_a_weight_acts_within_the_guard(guard, dose):
    problem = replace(
        simple([held(0)], BETWEEN, above=2, guard=guard),
        segments=(Segment(400, Intake(0, 0, 20)),),
        weights=(Intake(0.01, 0.02, 0.02), Intake(0.01, 0.02, 0.04)),
    )
    assert BETWEEN[choose_taper(problem).best.path[0]][0] == dose


def test_where_no_taper_keeps_the_guard_the_best_is_chosen_all_the_same():
    problem = simple([held(10)], ((100, HOME), (0, HOME)), guard=0.72)
    problem = replace(problem, last=frozenset({1}))
    assert choose_taper(problem).best.lowest == pytest.approx(0.1, abs=1e-6)
