"""A patient's answer on its way from the worker to the files keeps its numbers exact."""

from fractions import Fraction

import pytest

from crossgrain.nightly.judging import DECODE, ENCODE, answer_of
from crossgrain.screening.course import Screened, ScreeningOutcome


@pytest.mark.parametrize("number", ["249/2500", "1/10", "22/25", "1/3"])
def test_tsh_and_ratios_arrive_as_they_were(number):
    exact = Fraction(number)
    screened = Screened(next(iter(ScreeningOutcome)), ratios={"practice": exact}, tsh_after=exact)
    arrived = DECODE(ENCODE(answer_of("Patient/p", screened)))
    assert Fraction(arrived.tsh_after) == exact
    assert Fraction(arrived.ratios["practice"]) == exact
