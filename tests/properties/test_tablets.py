"""Tablet combinations against an independent brute force over every handful of pieces."""

from dataclasses import replace
from fractions import Fraction
from functools import cache
from itertools import combinations_with_replacement

from hypothesis import given
from hypothesis import strategies as st

from crossgrain.catalogue import load_catalogue
from crossgrain.dosing.tablets import (
    MOST_PIECES,
    MOST_STRENGTHS,
    exact_tablets,
    half_dose,
    search_tablets,
)

MARKETED = [p for p in load_catalogue().preparations.values() if p.strengths]
ALL_STRENGTHS = {family.id: set(family.strengths) for family in MARKETED}


@st.composite
def stocked(draw):
    """A marketed preparation of which a few strengths are stocked, split or not."""
    preparation = draw(st.sampled_from(MARKETED))
    strengths = draw(
        st.lists(st.sampled_from(preparation.strengths), min_size=1, max_size=4, unique=True)
    )
    piece = draw(st.sampled_from([Fraction(1), Fraction(1, 2), Fraction(1, 4)]))
    return replace(preparation, strengths=tuple(sorted(strengths)), smallest_piece=piece)


targets = st.fractions(min_value="1/8", max_value=700, max_denominator=64)
grid = st.integers(min_value=1, max_value=320).map(lambda steps: Fraction(5 * steps, 4))
amounts_asked = st.one_of(targets, grid)
"""Any amount, and the multiples of 1.25 on which marketed tablets lie."""

tolerances = st.fractions(min_value=0, max_value="1/2", max_denominator=100)


@cache
def handfuls(strengths, smallest_piece):
    """Every amount that up to four pieces make -> the fewest (pieces, strengths) for it."""
    parts = [
        part for part in (Fraction(1), Fraction(1, 2), Fraction(1, 4)) if part >= smallest_piece
    ]
    pieces = [(strength, part) for strength in strengths for part in parts]
    fewest = {}
    for many in range(1, 5):
        for handful in combinations_with_replacement(pieces, many):
            kinds = len({strength for strength, _ in handful})
            if kinds <= 2:
                amount = sum(strength * part for strength, part in handful)
                fewest[amount] = min(fewest.get(amount, (9, 9)), (many, kinds))
    return fewest


def size(tablets, preparation):
    """(pieces, strengths), counted by taking the largest allowed part again and again."""
    pieces = 0
    for piece in tablets.pieces:
        left = piece.count
        for part in (Fraction(1), Fraction(1, 2), Fraction(1, 4)):
            while part >= preparation.smallest_piece and left >= part:
                left -= part
                pieces += 1
        assert left == 0
    return pieces, len(tablets.pieces)


def check_made_of_what_exists(tablets, preparation):
    assert {piece.strength for piece in tablets.pieces} <= set(preparation.strengths)
    assert all(piece.count > 0 for piece in tablets.pieces)
    assert all(
        (piece.count / preparation.smallest_piece).denominator == 1 for piece in tablets.pieces
    )
    pieces, strengths = size(tablets, preparation)
    assert pieces <= MOST_PIECES
    assert strengths == len({piece.strength for piece in tablets.pieces}) <= MOST_STRENGTHS


@given(stocked(), targets, tolerances)
def test_every_dose_found_is_made_of_stocked_strengths_and_allowed_pieces(
    preparation, target, tolerance
):
    search = search_tablets(preparation, target, tolerance)
    found = [t for t in (search.within, search.below, search.above) if t]
    assert found
    for tablets in found:
        check_made_of_what_exists(tablets, preparation)


@given(stocked(), targets, tolerances)
def test_the_search_agrees_with_brute_force(preparation, target, tolerance):
    amounts = handfuls(preparation.strengths, preparation.smallest_piece)
    search = search_tablets(preparation, target, tolerance)
    below = max((a for a in amounts if a <= target), default=None)
    above = min((a for a in amounts if a >= target), default=None)
    assert (search.below and search.below.amount) == below
    assert (search.above and search.above.amount) == above
    distances = [abs(a - target) for a in amounts if abs(a - target) <= tolerance * target]
    if distances:
        assert abs(search.within.amount - target) == min(distances)
    else:
        assert search.within is None


@given(stocked(), st.data())
def test_a_dose_that_a_handful_makes_is_made_in_the_fewest_pieces_then_strengths(preparation, data):
    amounts = handfuls(preparation.strengths, preparation.smallest_piece)
    amount = data.draw(st.sampled_from(sorted(amounts)))
    tablets = exact_tablets(preparation, amount)
    assert tablets.amount == amount
    assert size(tablets, preparation) == amounts[amount]


@given(stocked(), amounts_asked)
def test_a_dose_is_made_exactly_or_not_at_all(preparation, amount):
    tablets = exact_tablets(preparation, amount)
    made = amount in handfuls(preparation.strengths, preparation.smallest_piece)
    assert (tablets is not None) is made
    assert tablets is None or tablets.amount == amount


@given(stocked(), amounts_asked)
def test_two_half_doses_make_the_day(preparation, amount):
    half = half_dose(preparation, amount)
    if half:
        check_made_of_what_exists(half, preparation)
        assert half.amount + half.amount == amount
    else:
        assert amount / 2 not in handfuls(preparation.strengths, preparation.smallest_piece)


@given(
    st.sampled_from([p for p in MARKETED if p.mg_per_grain]),
    st.integers(min_value=1, max_value=40),
    tolerances,
)
def test_the_two_grain_families_never_mix(family, eighths, tolerance):
    other = next(p for p in MARKETED if p.mg_per_grain and p.id != family.id)
    target = eighths * other.mg_per_grain / 8  # a dose on the other family's own grid
    search = search_tablets(family, target, tolerance)
    for tablets in filter(None, (search.within, search.below, search.above)):
        strengths = {piece.strength for piece in tablets.pieces}
        assert strengths <= ALL_STRENGTHS[family.id]
        assert strengths.isdisjoint(ALL_STRENGTHS[other.id])
