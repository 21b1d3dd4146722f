"""What holds over the standard grid of moves, counted."""

from statistics import mean

import pytest
from tests.bench.plans.__main__ import measure
from tests.bench.plans.grid import MOVES, cases


@pytest.fixture(scope="module")
def plans():
    """Every move at the standard pace, without risk weights."""
    found = [measure(case) for move in MOVES for case in cases(*move, "standard")]
    assert len(found) > 140
    return [plan for plan in found if plan]


# The figures are our own aims for what a prescriber signs and a pharmacy fills: no source.


def test_at_most_a_third_of_the_days_have_a_split_tablet(plans):
    assert mean(plan.split_share for plan in plans) <= 1 / 3


def test_of_the_old_medicine_one_strength_is_bought_at_the_most_in_95_of_100_plans(plans):
    assert mean(plan.not_at_home <= 1 for plan in plans) >= 0.95


def test_the_new_medicine_needs_three_strengths_at_the_most(plans):
    assert max(plan.new for plan in plans) <= 3
