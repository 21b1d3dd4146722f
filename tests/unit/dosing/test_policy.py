"""The planner's numbers: read from the shipped table, refused where they cannot be meant."""

from copy import deepcopy
from fractions import Fraction

import pytest
from tests.unit.dosing.switches import CATALOGUE, GRAIN_60, GRAIN_65, LT3, increment

from crossgrain.dosing.errors import Category, DomainError
from crossgrain.dosing.policy import policy_from

TABLE = {
    "pace": {"standard": {"interval_days": 14, "increment_share": "1", "source": "a"}},
    "taper": {"grid_days": 7, "window_days": 28, "source": "b"},
    "labs": {
        "wait_days": 42,
        "results_days": 7,
        "maintenance_days": [91, 182, 365],
        "steady_within": 0.05,
        "source": "c",
    },
    "lt4_raise": {"largest_ug": "25", "source": "d"},
    "tablets": {"tolerance": "1/20", "source": "e"},
}


def changed(path, value):
    table = deepcopy(TABLE)
    *parents, key = path.split(".")
    entry = table
    for parent in parents:
        entry = entry[parent]
    if value is None:
        del entry[key]
    else:
        entry[key] = value
    return table


@pytest.mark.parametrize(
    ("pace", "days", "share"), [("standard", 14, "1"), ("brisk", 10, "1"), ("cautious", 28, "1/2")]
)
def test_the_paces_are_14_10_and_28_days_and_the_slowest_takes_half_steps(pace, days, share):
    shipped = CATALOGUE.policy.pace(pace)
    assert (shipped.interval_days, shipped.increment_share) == (days, Fraction(share))
    assert shipped.source


def test_an_unknown_pace_is_refused_by_naming_those_there_are():
    with pytest.raises(DomainError, match="standard, brisk, cautious") as refused:
        CATALOGUE.policy.pace("fast")
    assert (refused.value.category, refused.value.field) == (Category.INVALID, "pace")


@pytest.mark.parametrize(
    "path",
    [
        "pace.standard.interval_days",
        "pace.standard.increment_share",
        "taper.grid_days",
        "labs.wait_days",
        "labs.maintenance_days",
        "lt4_raise.largest_ug",
        "tablets.tolerance",
    ],
)
def test_a_missing_number_is_refused_by_its_name(path):
    with pytest.raises(DomainError, match="missing") as refused:
        policy_from(changed(path, None))
    assert refused.value.field == path.rsplit(".", 1)[-1]


@pytest.mark.parametrize(
    ("path", "refused", "usable"),
    [
        ("pace.standard.interval_days", [0, -1], [1]),
        ("pace.standard.increment_share", ["0", "-1/2", "3/2"], ["1/4", "1"]),
        ("taper.grid_days", [0], [1]),
        ("taper.window_days", [-1], [0]),
        ("labs.wait_days", [0], [1]),
        ("labs.results_days", [-1], [0]),
        ("labs.steady_within", [0, 1], [0.01, 0.99]),
        ("tablets.tolerance", ["-1/20", "1"], ["0", "1/2"]),
    ],
)
def test_numbers_that_cannot_be_meant_are_refused_at_their_limits(path, refused, usable):
    for value in refused:
        with pytest.raises(DomainError) as error:
            policy_from(changed(path, value))
        assert error.value.category is Category.INVALID
    for value in usable:
        assert policy_from(changed(path, value)).paces


def test_a_word_where_a_number_belongs_is_refused():
    with pytest.raises(DomainError, match="soon"):
        policy_from(changed("labs.wait_days", "soon"))


@pytest.mark.parametrize("preparation", [LT3, GRAIN_60, GRAIN_65])
def test_the_cautious_pace_rises_by_the_smallest_dose_that_tablets_make(preparation):
    # what heart disease asks for: the smallest first step (labels; ATA 2014, from memory)
    smallest = preparation.strengths[0] * preparation.smallest_piece
    assert increment(preparation, "cautious") == smallest
