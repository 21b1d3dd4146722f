"""The taper search: its tie rules and its limits, case by case."""

from dataclasses import replace

import pytest
from tests.properties.test_taper import scored

from crossgrain.dosing.kinetics import Intake, Kinetics, Pools
from crossgrain.dosing.taper import Problem, Segment, best_taper


def simple(segments, old=((100, 0, 0), (50, 0, 0), (0, 0, 0)), start=100.0):
    """One basis on which T4 alone counts, over a start of 100 µg."""
    choices = tuple(range(len(old)))
    return Problem(
        Kinetics(7.0, 1.0, 0.75, 0.95, 0.35),
        Pools(start, start, 0, 0),
        tuple(segments),
        tuple(Intake(*dose) for dose in old),
        tuple(tuple(range(choice, len(old))) for choice in choices),
        choices,
        frozenset(choices),
        (Intake(1 / 100, 0.02, 0.02),),
    )


def test_where_the_worst_is_given_the_least_sum_of_squares_is_chosen():
    # the second segment's new dose is so large that it overshoots with no old dose at all;
    # what is taken in the first is then decided by the sum
    problem = simple([Segment(14, Intake(60, 0, 0)), Segment(200, Intake(300, 0, 0))])
    worst, squares, _ = zip(*(scored(problem, (choice, 2)) for choice in (0, 1, 2)), strict=True)
    assert worst[0] == pytest.approx(worst[1]) == pytest.approx(worst[2])
    assert squares[1] < min(squares[0], squares[2])
    assert best_taper(problem) == (1, 2)


def test_among_equals_the_taper_with_fewer_changes_is_chosen():
    # the first two doses hold the same hormone: going from one to the other changes nothing
    segments = [Segment(14, Intake(0, 0, 0))] * 3
    problem = simple(segments, old=((100, 0, 0), (100, 0, 0), (0, 0, 0)))
    chosen = best_taper(problem)
    assert scored(problem, (0, 1, 1))[:2] == scored(problem, (0, 0, 0))[:2]
    assert len(set(chosen)) == 1


def test_a_taper_may_not_change_where_a_segment_says_so():
    falling = [Intake(0, 0, 0), Intake(50, 0, 0), Intake(100, 0, 0)]
    free = simple([Segment(28, new) for new in falling])
    assert best_taper(free) == (0, 1, 2)
    held = replace(
        free,
        segments=(*free.segments[:1], *(replace(s, may_change=False) for s in free.segments[1:])),
    )
    assert len(set(best_taper(held))) == 1


def test_a_forced_last_dose_is_taken_last():
    problem = simple([Segment(28, Intake(0, 0, 0)), Segment(49, Intake(0, 0, 0))])
    assert best_taper(problem) == (0, 0)
    assert best_taper(replace(problem, last=frozenset({2}))) == (0, 2)


def test_no_old_dose_carries_more_t3_than_there_is_room_for():
    old = ((0, 20, 0), (0, 10, 0), (0, 0, 0))
    room = simple([Segment(14, Intake(100, 0, 0), 10.0)], old=old)
    assert best_taper(room)[0] >= 1
    none = simple([Segment(14, Intake(100, 0, 0), -1.0)], old=old)
    with pytest.raises(ValueError, match="no taper fits the T3 limits"):
        best_taper(none)


@pytest.mark.parametrize(("room", "choice"), [(9.99, 2), (10.0, 1), (10.01, 1), (20.0, 0)])
def test_t3_exactly_at_the_limit_is_within_it(room, choice):
    # all of the old dose would be right, so as much as there is room for is taken
    old = ((100, 20, 0), (100, 10, 0), (100, 0, 0))
    problem = replace(
        simple([Segment(14, Intake(0, 0, 0), room)], old=old, start=100.0),
        start=Pools(100, 100, 20, 0),
        weights=(Intake(1 / 140, 2 / 140, 2 / 140),),
    )
    assert best_taper(problem) == (choice,)


def test_a_start_without_hormone_left_has_no_taper_that_scores():
    problem = simple([Segment(14, Intake(0, 0, 0))], old=((0, 0, 0),), start=0.0)
    with pytest.raises(ValueError, match="no taper fits"):
        best_taper(problem)
