"""The taper that is chosen against every taper there is.

The brute force lays out each sequence of old doses and scores it from the pools' solution
anew: it finds a turn by halving on the slope, where the search has a formula. Where another dose
than the old one is needed it looks along a fine grid.
"""

from functools import partial
from itertools import pairwise, product
from math import exp, inf, log

from hypothesis import given
from hypothesis import strategies as st
from tests.budget import examples

from crossgrain.dosing.kinetics import Intake, Kinetics, Pools, PoolWeights
from crossgrain.dosing.taper import EQUAL, TIE, Leaning, Level, Problem, Segment, shares_of
from crossgrain.dosing.taper_search import choose_taper

SLACK = 1e-9
"""What two ways of adding the same numbers may differ by."""

# --- brute force -----------------------------------------------------------------------------


def t3_of(level):
    return level.intake.lt3_ug + level.intake.desiccated_t3_ug


def changes_of(taper):
    return sum(a != b for a, b in pairwise((0, *taper)))


def allowed(problem):
    """Every taper that the problem permits, by walking its definition: kits in the answer."""
    for taper in product(range(len(problem.levels)), repeat=len(problem.segments)):
        moves = list(zip((0, *taper), taper, problem.segments, strict=False))
        kits = (1 << len(problem.bought)) - 1
        for level in taper:
            kits &= problem.levels[level].kits if level else kits
        if (
            taper[-1] in problem.last
            and kits
            and changes_of(taper) <= problem.leaning.most_changes
            and all(now == before or now in problem.under[before] for before, now, _ in moves)
            and all(now == before or segment.may_change for before, now, segment in moves)
            and all(t3_of(problem.levels[n]) <= s.t3_room_ug + TIE for _, n, s in moves)
            and not any(now in segment.closed for _, now, segment in moves)
        ):
            yield taper, kits


def extremes(problem, taper):
    """Lowest and highest coverage over all bases, day 0 included."""
    pools = [problem.start.t4, problem.start.lt3, problem.start.desiccated_t3]
    tau4, tau3 = problem.kinetics.t4_tau, problem.kinetics.t3_tau
    taus = [tau4, tau3, tau3]
    seen = [sum(w * p for w, p in zip(ws, pools, strict=True)) for ws in problem.weights]
    for choice, segment in zip(taper, problem.segments, strict=True):
        dose = [a + b for a, b in zip(problem.levels[choice].intake, segment.new, strict=True)]
        for weights in problem.weights:
            terms = [
                (weight * target, weight * (pool - target), tau)
                for weight, pool, target, tau in zip(weights, pools, dose, taus, strict=True)
            ]
            seen += [
                sum(level + part * exp(-day / tau) for level, part, tau in terms)
                for day in [segment.days, *turn_between(terms, segment.days)]
            ]
        pools = [
            target + (pool - target) * exp(-segment.days / tau)
            for pool, target, tau in zip(pools, dose, taus, strict=True)
        ]
    return min(seen), max(seen)


def of_need(problem, taper):
    """Lowest and highest coverage of what is needed: the pools that need times the old dose gives.

    Found along a fine grid, and between the neighbours of its extremes by thirds.
    """
    tau4, tau3 = problem.kinetics.t4_tau, problem.kinetics.t3_tau
    taus = [tau4, tau3, tau3]
    start = [problem.start.t4, problem.start.lt3, problem.start.desiccated_t3]
    seen, pools, begun = [1.0], start, 0.0
    for choice, segment in zip(taper, problem.segments, strict=True):
        dose = [a + b for a, b in zip(problem.levels[choice].intake, segment.new, strict=True)]
        for weights in problem.weights:
            seen += least_and_most(
                partial(over_need, problem, weights, start, pools, dose, taus, begun), segment.days
            )
        pools = [
            target + (pool - target) * exp(-segment.days / tau)
            for pool, target, tau in zip(pools, dose, taus, strict=True)
        ]
        begun += segment.days
    return min(seen), max(seen)


def over_need(problem, weights, start, pools, dose, taus, begun, day):
    need = problem.need
    have = wanted = 0.0
    for weight, first, pool, target, tau in zip(weights, start, pools, dose, taus, strict=True):
        have += weight * (target + (pool - target) * exp(-day / tau))
        wanted += weight * first * (need + (1 - need) * exp(-(begun + day) / tau))
    return have / wanted


def least_and_most(curve, days):
    grid = [days * n / 60 for n in range(61)]
    for sign in (1, -1):
        values = [sign * curve(day) for day in grid]
        place = values.index(min(values))
        low, high = grid[max(place - 1, 0)], grid[min(place + 1, 60)]
        for _ in range(80):
            a, b = low + (high - low) / 3, high - (high - low) / 3
            low, high = (low, b) if sign * curve(a) < sign * curve(b) else (a, high)
        yield sign * min(*values, sign * curve((low + high) / 2))


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


def worst(leaning, lowest, highest):
    if lowest <= 0:
        return inf
    return max(-leaning.below * log(lowest), leaning.above * log(highest), 0.0)


def cheapest(problem, kits):
    return min(more for kit, more in enumerate(problem.bought) if kits >> kit & 1)


def whole_kits(problem, taper, kits):
    for level in taper:
        kits &= problem.levels[level].whole if level else kits
    return kits


def split_days(problem, taper, kits):
    """Days on which a tablet is broken, from the cheapest kit that needs the fewest of them."""
    return min(
        sum(
            segment.days
            for level, segment in zip(taper, problem.segments, strict=True)
            if not problem.levels[level].whole >> kit & 1
        )
        for kit, more in enumerate(problem.bought)
        if kits >> kit & 1 and more == cheapest(problem, kits)
    )


# --- problems --------------------------------------------------------------------------------

doses = st.floats(0, 150).map(lambda dose: round(dose, 2))
half_lives = st.tuples(st.floats(6, 10), st.floats(0.75, 2.5))


@st.composite
def problems(draw):
    """Small problems: up to two old lines, four segments, three bases, kits, limits and all."""
    t4_half, t3_half = draw(half_lives)
    kinetics = Kinetics(t4_half, t3_half, 0.75, 0.95, 0.35)
    lines = draw(st.lists(old_lines(), min_size=1, max_size=2))
    together = list(product(*lines))
    intakes = [Intake(*(sum(parts) for parts in zip(*each, strict=True))) for each in together]
    bought = draw(st.sampled_from([(0,), (0, 1), (0, 1, 1), (1, 1)]))
    every = (1 << len(bought)) - 1
    masks = st.integers(1, every)
    levels = []
    for place, intake in enumerate(intakes):
        kits = every if place in {0, len(intakes) - 1} else draw(masks)
        whole = every if place in {0, len(intakes) - 1} else kits & draw(st.integers(0, every))
        levels.append(Level(intake, kits, whole))
    under = tuple(
        tuple(
            index
            for index, other in enumerate(together)
            if index != place
            and all(b[n] <= a[n] for a, b in zip(each, other, strict=True) for n in range(3))
        )
        for place, each in enumerate(together)
    )
    most = max(t3_of(level) for level in levels)
    rooms = st.one_of(st.just(inf), st.floats(0, 1.2 * most + 1))
    # the least dose, in which a medicine has ended, may not be taken before the last segment
    shut = st.sampled_from([frozenset(), frozenset({len(levels) - 1})])
    count = draw(st.integers(1, 4 if len(levels) <= 5 else 3))
    segments = tuple(
        Segment(
            draw(st.sampled_from([1, 7, 10, 14, 28, 49])),
            Intake(draw(doses), draw(doses) / 5, draw(doses) / 5),
            draw(rooms),
            number == 0 or draw(st.booleans()),
            draw(shut) if number < count - 1 else frozenset(),
        )
        for number in range(count)
    )
    everything = range(len(levels))
    last = draw(
        st.one_of(st.just(set(everything)), st.sets(st.sampled_from(everything), min_size=1))
    )
    weights = st.builds(PoolWeights, st.just(1.0), st.floats(1, 5), st.floats(0.5, 8))
    start = Pools(1 + draw(doses), draw(doses), draw(doses) / 5, draw(doses) / 5)
    leaning = Leaning(
        above=draw(st.sampled_from([1, 2])),
        below=draw(st.sampled_from([1, 2])),
        tolerance=draw(st.sampled_from([0, 0.02])),
        saving=draw(st.sampled_from([0.02, 0.03])),
        guard=draw(st.sampled_from([0, 0.72])),
        most_changes=draw(st.integers(1, 3)),
    )
    return Problem(
        kinetics,
        start,
        segments,
        tuple(levels),
        under,
        frozenset(last),
        bought,
        tuple(over(bases, start) for bases in draw(st.lists(weights, min_size=1, max_size=3))),
        leaning,
        shares_of(levels),
        draw(st.sampled_from([1, 1, 0.8, 0.9, 1.1, 1.2])),
    )


@st.composite
def old_lines(draw):
    """One old medicine: its doses from all of it down to none of it."""
    most = Intake(*draw(st.sampled_from([(100, 0, 0), (0, 40, 0), (76, 0, 18), (50, 12.5, 0)])))
    shares = draw(st.sampled_from([(1, 0), (1, 0.5, 0), (1, 0.7, 0.3, 0), (1, 0.44, 0)]))
    return [tuple(part * share for part in most) for share in shares]


def over(weights, start):
    """Weights whose sum over the starting pools is one: coverage on a basis."""
    worth = start.t4 + weights.lt3 * start.lt3 + weights.desiccated_t3 * start.desiccated_t3
    return PoolWeights(*(weight / worth for weight in weights))


@examples(200)
@given(problems())
def test_the_best_is_the_best_and_the_chosen_is_the_simplest_near_it(problem):
    leaning = problem.leaning
    judged = extremes if problem.need == 1 else of_need
    every = {taper: (kits, *judged(problem, taper)) for taper, kits in allowed(problem)}
    choice = choose_taper(problem)
    if not every:
        assert choice is None
        return
    chosen, best = choice
    assert chosen.path in every
    assert best.path in every
    for taper in choice:
        _, lowest, highest = every[taper.path]
        assert abs(taper.lowest - lowest) < 1e-7
        assert abs(taper.highest - highest) < 1e-7
    reads = extremes if problem.need > 1 else judged  # the guard
    above = {taper: reads(problem, taper)[0] for taper in every}
    guarded = {t: e for t, e in every.items() if above[t] >= leaning.guard}
    open_to = guarded or every
    least = min(worst(leaning, *e[1:]) for e in open_to.values())
    own = worst(leaning, *every[best.path][1:])
    assert least - SLACK <= own <= least + EQUAL + SLACK  # equal to the best of all
    if guarded:
        assert above[chosen.path] >= leaning.guard - SLACK

    # within the tolerance of the best, and of all that are surely within it the simplest
    def price(taper, kits):
        simple = cheapest(problem, kits)
        whole = whole_kits(problem, taper, kits)
        return (
            simple,
            changes_of(taper),
            not any(whole >> k & 1 and more <= simple for k, more in enumerate(problem.bought)),
        )

    def spare(taper, kits):
        saves = cheapest(problem, kits) < best.bought
        return leaning.saving if saves else leaning.tolerance

    def within(taper, slack):
        kits, lowest, highest = every[taper]
        more = spare(taper, kits) + slack
        return (
            -log(lowest) <= own / leaning.below + more
            and log(highest) <= own / leaning.above + more
            if lowest > 0
            else False
        )

    assert chosen.path == best.path or within(chosen.path, 1e-6)
    sure = [price(t, e[0]) for t, e in open_to.items() if within(t, -1e-6)]
    if sure:
        price_of_chosen = price(chosen.path, every[chosen.path][0])
        assert price_of_chosen[:2] <= min(sure)[:2]
        if not chosen.is_whole and chosen.path != best.path:
            assert split_days(problem, chosen.path, every[chosen.path][0]) <= min(
                (
                    split_days(problem, t, e[0])
                    for t, e in open_to.items()
                    if within(t, -1e-6) and price(t, e[0])[:2] == price_of_chosen[:2]
                ),
                default=inf,
            )
