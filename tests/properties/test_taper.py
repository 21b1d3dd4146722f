"""The taper that is chosen against every taper there is.

The brute force lays out each sequence of old doses and scores it from the pools' solution
anew: it finds a turn by halving on the slope, where the search has a formula.
"""

from dataclasses import replace
from itertools import pairwise, product
from math import exp, inf, log

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from crossgrain.dosing.kinetics import Intake, Kinetics, Pools
from crossgrain.dosing.taper import TIE, Problem, Score, Segment, best_taper, score

SLACK = 1e-12
"""What two ways of adding the same numbers may differ by."""

# --- brute force -----------------------------------------------------------------------------


def allowed(problem):
    """Every taper that the problem permits, by walking its definition."""
    for taper in product(range(len(problem.old)), repeat=len(problem.segments)):
        if taper[0] not in problem.first or taper[-1] not in problem.last:
            continue
        carried = [
            problem.old[choice].lt3_ug + problem.old[choice].desiccated_t3_ug for choice in taper
        ]
        if any(t3 > s.t3_room_ug + TIE for t3, s in zip(carried, problem.segments, strict=True)):
            continue
        moves = [
            (before, now, problem.segments[number + 1].may_change)
            for number, (before, now) in enumerate(pairwise(taper))
        ]
        if all(
            now in problem.after[before] if free else now == before for before, now, free in moves
        ):
            yield taper


def scored(problem, taper):
    worst = squares = 0.0
    pools = [problem.start.t4, problem.start.lt3, problem.start.desiccated_t3]
    tau4, tau3 = problem.kinetics.t4_tau, problem.kinetics.t3_tau
    taus = [tau4, tau3, tau3]
    for choice, segment in zip(taper, problem.segments, strict=True):
        dose = [a + b for a, b in zip(problem.old[choice], segment.new, strict=True)]
        for weights in problem.weights:
            terms = [
                (weight * target, weight * (pool - target), tau)
                for weight, pool, target, tau in zip(weights, pools, dose, taus, strict=True)
            ]
            days = [segment.days, *turn_between(terms, segment.days)]
            for day in days:
                coverage = sum(level + part * exp(-day / tau) for level, part, tau in terms)
                size = abs(log(coverage)) if coverage > 0 else inf
                worst = max(worst, size)
                squares += size * size
        pools = [
            target + (pool - target) * exp(-segment.days / tau)
            for pool, target, tau in zip(pools, dose, taus, strict=True)
        ]
    return worst, squares, sum(a != b for a, b in pairwise(taper))


def turn_between(terms, days):
    """The moment within a segment at which the slope changes sign, by halving."""

    def slope(day):
        # scaled by the slower decay, so that it does not drown in rounding
        return sum(-part / tau * exp(-day / tau + day / terms[0][2]) for _, part, tau in terms)

    low, high = 0.0, days
    if slope(low) * slope(high) >= 0:
        return []
    for _ in range(200):
        middle = (low + high) / 2
        low, high = (middle, high) if slope(low) * slope(middle) > 0 else (low, middle)
    return [low]


# --- problems --------------------------------------------------------------------------------

doses = st.floats(0, 150).map(lambda dose: round(dose, 2))
half_lives = st.tuples(st.floats(6, 10), st.floats(0.75, 2.5))


@st.composite
def problems(draw):
    """Small problems: up to two old lines, four segments, three bases, limits and all."""
    t4_half, t3_half = draw(half_lives)
    kinetics = Kinetics(t4_half, t3_half, 0.75, 0.95, 0.35)
    lines = draw(st.lists(old_lines(), min_size=1, max_size=2))
    levels = list(product(*lines))
    old = tuple(Intake(*(sum(parts) for parts in zip(*level, strict=True))) for level in levels)
    after = tuple(
        tuple(
            index
            for index, other in enumerate(levels)
            if all(b[n] <= a[n] for a, b in zip(level, other, strict=True) for n in range(3))
        )
        for level in levels
    )
    most = max(o.lt3_ug + o.desiccated_t3_ug for o in old)
    rooms = st.one_of(st.just(inf), st.floats(0, 1.2 * most + 1))
    count = draw(st.integers(1, 4 if len(old) <= 5 else 3))
    segments = tuple(
        Segment(
            draw(st.sampled_from([1, 7, 10, 14, 28, 49])),
            Intake(draw(doses), draw(doses) / 5, draw(doses) / 5),
            draw(rooms),
            number == 0 or draw(st.booleans()),
        )
        for number in range(count)
    )
    everything = frozenset(range(len(old)))
    last = draw(
        st.one_of(st.just(everything), st.sets(st.sampled_from(sorted(everything)), min_size=1))
    )
    weights = st.builds(Intake, st.just(1.0), st.floats(1, 5), st.floats(0.5, 8))
    start = Pools(1 + draw(doses), draw(doses), draw(doses) / 5, draw(doses) / 5)
    return Problem(
        kinetics,
        start,
        segments,
        old,
        after,
        tuple(sorted(everything)),
        frozenset(last),
        tuple(over(bases, start) for bases in draw(st.lists(weights, min_size=1, max_size=3))),
    )


@st.composite
def old_lines(draw):
    """One old medicine: its doses from all of it down to none of it."""
    most = Intake(*draw(st.sampled_from([(100, 0, 0), (0, 40, 0), (76, 0, 18), (50, 12.5, 0)])))
    shares = draw(st.sampled_from([(1, 0), (1, 0.5, 0), (1, 0.7, 0.3, 0), (1, 1, 0)]))
    return [tuple(part * share for part in most) for share in shares]


def over(weights, start):
    """Weights whose sum over the starting pools is one: coverage on a basis."""
    worth = start.t4 + weights.lt3_ug * start.lt3 + weights.desiccated_t3_ug * start.desiccated_t3
    return Intake(*(weight / worth for weight in weights))


@settings(max_examples=150, deadline=None)
@given(problems())
def test_the_chosen_taper_is_the_best_of_all(problem):
    every = {taper: scored(problem, taper) for taper in allowed(problem)}
    if not every:
        with pytest.raises(ValueError, match="no taper fits"):
            best_taper(problem)
        return
    chosen = best_taper(problem)
    assert chosen in every
    least_worst = min(worst for worst, _, _ in every.values())
    near = {t: s for t, s in every.items() if s[0] <= least_worst + TIE + SLACK}
    assert chosen in near
    least_squares = min(squares for _, squares, _ in near.values())
    nearest = {t: s for t, s in near.items() if s[1] <= least_squares + TIE + SLACK}
    assert chosen in nearest
    surely = [s[2] for s in nearest.values() if is_tied(s, least_worst, least_squares)]
    assert nearest[chosen][2] <= min(surely)


def is_tied(fared, least_worst, least_squares):
    """Whether a taper lies within the tie by more than rounding."""
    return fared[0] <= least_worst + TIE - SLACK and fared[1] <= least_squares + TIE - SLACK


@settings(max_examples=100, deadline=None)
@given(problems(), st.data())
def test_a_taper_is_scored_as_by_hand(problem, data):
    every = list(allowed(problem))
    assume(every)
    taper = data.draw(st.sampled_from(every))
    worst, squares, changes = scored(problem, taper)
    found = score(problem, taper)
    assert found == Score(pytest.approx(worst, abs=1e-9), pytest.approx(squares, abs=1e-8), changes)


# --- ties ------------------------------------------------------------------------------------


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
    every = {taper: scored(problem, taper) for taper in allowed(problem)}
    chosen = best_taper(problem)
    assert chosen[1] == 2
    tied = [taper for taper in every if taper[1] == 2]
    assert len({round(every[taper][0], 6) for taper in tied}) == 1
    assert chosen == min(tied, key=lambda taper: every[taper][1]) == (1, 2)


def test_among_equals_the_taper_with_fewer_changes_is_chosen():
    # the first two doses hold the same hormone: going from one to the other changes nothing
    segments = [Segment(14, Intake(0, 0, 0))] * 3
    problem = simple(segments, old=((100, 0, 0), (100, 0, 0), (0, 0, 0)))
    chosen = best_taper(problem)
    assert score(problem, (0, 1, 1)).squares == score(problem, (0, 0, 0)).squares
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
