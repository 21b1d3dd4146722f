"""Tablets against an independent brute force over every handful of pieces."""

from dataclasses import replace
from fractions import Fraction
from itertools import combinations_with_replacement

from hypothesis import given
from hypothesis import strategies as st
from tests.budget import examples
from tests.unit.dosing.switches import GRAIN_60, GRAIN_65, LT3, LT4

from crossgrain.dosing.tablets import best_day_dose, makings, nearest_doses

HALF = Fraction(1, 2)


@st.composite
def preparations(draw):
    """A product that is taken once a day, with a few of its strengths, some of them scored."""
    preparation = draw(st.sampled_from([LT4, GRAIN_60, GRAIN_65]))
    strengths = draw(st.sets(st.sampled_from(preparation.strengths), min_size=1, max_size=5))
    scored = draw(st.sets(st.sampled_from(sorted(strengths))))
    coded = draw(st.sets(st.sampled_from(sorted(strengths))))
    return replace(
        preparation,
        strengths=tuple(sorted(strengths)),
        scored=frozenset(scored),
        coded=frozenset(coded),
    )


def handfuls(preparation):
    """Every dose, with the fewest broken tablets that any handful makes it of."""
    pieces = [(s, 0) for s in preparation.strengths]
    pieces += [(s * HALF, 1) for s in sorted(preparation.scored)]
    best = {}
    for many in range(1, LT4.handful.pieces + 1):
        for chosen in combinations_with_replacement(pieces, many):
            amount, halves = sum(p for p, _ in chosen), sum(h for _, h in chosen)
            best[amount] = min(best.get(amount, 99), halves)
    return best


@examples(60)
@given(preparations())
def test_every_dose_that_a_handful_makes_is_made_with_the_fewest_broken_tablets(preparation):
    table = makings(preparation)
    by_hand = handfuls(preparation)
    assert {Fraction(steps, table.scale) for steps in table.steps} == set(by_hand)
    for amount, halves in by_hand.items():
        tablets = best_day_dose(preparation, amount).tablets
        assert tablets.amount == amount
        broken = [p.strength for p in tablets.pieces if p.count.denominator == 2]
        assert len(broken) == halves
        assert set(broken) <= preparation.scored
        assert tablets.strengths <= set(preparation.strengths)
        assert sum(int(p.count) + (p.count % 1 > 0) for p in tablets.pieces) <= LT4.handful.pieces


@examples(60)
@given(preparations(), st.sets(st.integers(0, 4)), st.integers(0, 300))
def test_what_is_made_of_some_strengths_alone_needs_no_other_and_breaks_nothing_stronger(
    preparation, places, largest
):
    kept = [s for place, s in enumerate(preparation.strengths) if place in places]
    alone = replace(
        preparation,
        strengths=tuple(kept),
        scored=frozenset(s for s in kept if s in preparation.scored and s <= largest),
        coded=preparation.coded & set(kept),
    )
    table = makings(preparation)
    for amount in (Fraction(steps, table.scale) for steps in table.steps):
        way = table.way(amount, table.mask(kept), Fraction(largest))
        assert (way is not None) is bool(makings(alone).ways(amount))
        if way:
            assert way.halves == makings(alone).ways(amount)[0].halves


@given(st.integers(1, 24))
def test_the_days_two_doses_of_lt3_make_the_whole(fives):
    amount = Fraction(5 * fives)
    dose = best_day_dose(LT3, amount)
    if dose is None:
        return
    assert sum(taken.amount for taken in dose.times) == amount == dose.tablets.amount
    assert len(dose.times) == (1 if amount <= 5 else 2)
    assert all(p.count.denominator == 1 for taken in dose.times for p in taken.pieces)


@examples(80)
@given(
    preparations(),
    st.fractions(Fraction(1, 8), 400, max_denominator=8),
    st.fractions(0, Fraction(1, 2), max_denominator=40),
)
def test_the_nearest_dose_is_the_nearest_of_all_handfuls(preparation, target, tolerance):
    near = nearest_doses(preparation, target, tolerance)
    amounts = handfuls(preparation)
    below = max((a for a in amounts if a <= target), default=None)
    above = min((a for a in amounts if a >= target), default=None)
    assert (near.below, near.above) == (below, above)
    reach = [abs(a - target) for a in amounts if abs(a - target) <= tolerance * target]
    if not reach:
        assert near.within is None
    else:
        assert abs(near.within - target) == min(reach)
