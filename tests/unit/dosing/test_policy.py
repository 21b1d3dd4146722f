"""The planner's numbers: read from the shipped table, refused where they cannot be meant."""

from copy import deepcopy
from dataclasses import replace
from fractions import Fraction

import pytest
from tests.unit.dosing.switches import CATALOGUE, COMBINING, GRAIN_60, GRAIN_65, LT3, increment

from crossgrain.catalogue.titration import policy_from
from crossgrain.dosing.policy import TodaysTsh
from crossgrain.dosing.preparations import Handful
from crossgrain.names.errors import Category, DomainError

TABLE = {
    "pace": {"standard": {"interval_days": "14", "increment_share": "1", "source": "a"}},
    "taper": {
        "grid_days": "7",
        "window_days": "28",
        "source": "b",
        "choice": {
            "tolerance": "0.02",
            "saving_a_strength": "0.03",
            "guard": "0.72",
            "most_changes": "3",
            "most_bought": "2",
            "too_much_weighs": "2",
            "too_little_weighs": "2",
            "source": "f",
        },
    },
    "supply": {"reserve_days": "14", "dispensed_days": "98", "fetch_days": "7", "source": "g"},
    "labs": {
        "wait_days": "42",
        "reuse_days": "28",
        "results_days": "7",
        "maintenance_days": {"first": "91", "second": "182", "third": "365", "source": "c"},
        "steady_within": "0.05",
        "between": {
            "apart_days": "56",
            "earliest_days": "7",
            "latest_days": "3",
            "stop_days": "28",
            "source": "i",
        },
        "source": "c",
    },
    "checks": {"after_step_days": "7", "source": "j"},
    "lt4_raise": {"largest_ug": "25", "source": "d"},
    "need": {
        "frankly_high": "1.2",
        "high": "1.1",
        "low": "0.9",
        "suppressed": "0.8",
        "source": "i",
    },
    "branch": {
        "raise": {"high": "0.08", "very_high": "0.12", "most_at_once": "0.25", "source": "k"},
        "in_range": {"from": "0.85", "to": "1.18", "source": "k"},
        "step_back": {"low": "0.1", "very_low": "0.2", "source": "k"},
        "source": "k",
    },
    "tablets": {
        "tolerance": "1/20",
        "lt4_apart": "9/10",
        "most_pieces": "3",
        "most_weakest": "4",
        "most_bought": "6",
        "source": "e",
    },
    "lt3": {"undivided_ug": "5", "most_rise_ug": "5", "doses": "2", "most_doses": "3"},
    "guard": {
        "ug_per_kg": "2",
        "coverage": "1.25",
        "pregnant_ug_per_kg": "2.4",
        "pregnant_coverage": "1.5",
        "source": "l",
    },
    "pair": {"lowest": "0.85", "highest": "1.18", "source": "m"},
    "exchange": {"lowest": "0.85", "source": "f"},
    "weekly": {"most_apart": "2", "source": "h"},
    "onward": {"slower": "2", "gap_days": "7", "source": "j"},
}


def read(table):
    """The policy of a table, T3 at most 75 micrograms a day as its label says."""
    return policy_from(table, Fraction(75), COMBINING)


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
        "pace.standard.source",
        "taper.grid_days",
        "taper.window_days",
        "labs.wait_days",
        "labs.results_days",
        "labs.maintenance_days",
        "labs.steady_within",
        "labs.source",
        "labs.between.apart_days",
        "labs.between.earliest_days",
        "labs.between.latest_days",
        "labs.between.stop_days",
        "labs.between.source",
        "lt4_raise.largest_ug",
        "need.frankly_high",
        "need.suppressed",
        "need.source",
        "branch.raise.high",
        "branch.raise.very_high",
        "branch.raise.most_at_once",
        "branch.in_range.from",
        "branch.in_range.to",
        "branch.step_back.low",
        "branch.step_back.very_low",
        "tablets.tolerance",
        "tablets.lt4_apart",
        "tablets.most_pieces",
        "tablets.most_weakest",
        "tablets.most_bought",
        "lt3.undivided_ug",
        "lt3.most_rise_ug",
        "lt3.doses",
        "lt3.most_doses",
        "pair.lowest",
        "pair.highest",
        "exchange.lowest",
        "weekly.most_apart",
        "weekly.source",
        "onward.slower",
        "onward.gap_days",
        "onward.source",
    ],
)
def test_a_missing_number_is_refused_by_its_place(path):
    with pytest.raises(DomainError) as refused:
        read(changed(path, None))
    assert (refused.value.category, refused.value.field) == (Category.INVALID, path)
    assert refused.value.message == f"{path.rsplit('.', 1)[-1]} is missing"


@pytest.mark.parametrize("section", [*(name for name in TABLE if name != "pace"), "pace.standard"])
def test_a_number_that_nothing_reads_is_refused_by_its_place(section):
    with pytest.raises(DomainError, match="not known here") as refused:
        read(changed(f"{section}.colour", "1"))
    assert refused.value.field == f"{section}.colour"


@pytest.mark.parametrize(
    ("path", "refused", "usable"),
    [
        ("pace.standard.interval_days", ["0", "-1", "1.5"], ["1"]),
        ("pace.standard.increment_share", ["0", "-1/2", "3/2"], ["1/4", "1"]),
        ("taper.grid_days", ["0"], ["1"]),
        ("taper.window_days", ["-1"], ["1"]),
        ("labs.wait_days", ["0"], ["1"]),
        ("labs.results_days", ["-1"], ["1"]),
        ("labs.steady_within", ["0", "1"], ["0.01", "0.99"]),
        ("tablets.tolerance", ["-1/20", "1"], ["0", "1/2"]),
        ("tablets.lt4_apart", ["0", "11/10"], ["1/100", "1"]),
        ("lt3.undivided_ug", ["0"], ["1/100"]),
        ("lt3.most_rise_ug", ["0"], ["1/100"]),
        ("lt3.doses", ["0", "4"], ["1", "3"]),
        ("tablets.most_pieces", ["0", "5"], ["1", "4"]),
        ("tablets.most_bought", ["0"], ["1"]),
        ("pair.highest", ["99/100"], ["1"]),
        ("exchange.lowest", ["0", "1"], ["1/100", "99/100"]),
        ("onward.slower", ["1"], ["1.01"]),
        ("onward.gap_days", ["0"], ["1"]),
    ],
)
def test_numbers_that_cannot_be_meant_are_refused_at_their_limits(path, refused, usable):
    for value in refused:
        with pytest.raises(DomainError) as error:
            read(changed(path, value))
        assert error.value.category is Category.INVALID
        assert path.startswith(error.value.field.replace("most_weakest", "most_pieces"))
    for value in usable:
        assert read(changed(path, value)).paces


def test_a_word_where_a_number_belongs_is_refused():
    with pytest.raises(DomainError, match="must be a number") as refused:
        read(changed("labs.wait_days", "soon"))
    assert refused.value.field == "labs.wait_days"


def test_every_number_of_the_table_is_read_where_it_stands():
    policy = read(TABLE)
    pace = policy.pace("standard")
    assert (pace.id, pace.interval_days, pace.increment_share, pace.source) == (
        "standard",
        14,
        1,
        "a",
    )
    assert (policy.taper_grid_days, policy.taper_window_days) == (7, 28)
    assert (policy.lab_wait_days, policy.results_days) == (42, 7)
    assert (policy.maintenance_days, policy.labs_source) == ((91, 182, 365), "c")
    assert (policy.steady_within, policy.lt4_raise_ug) == (0.05, 25)
    branches = policy.branches
    assert (branches.raise_high, branches.raise_very_high) == (0.08, 0.12)
    assert (branches.most_at_once, branches.most_t3_ug) == (0.25, 75)
    assert (branches.in_range_from, branches.in_range_to) == (0.85, 1.18)
    assert (branches.step_back_low, branches.step_back_very_low) == (0.1, 0.2)
    assert policy.tolerance == Fraction(1, 20)
    assert policy.exchange_lowest == Fraction(17, 20)
    assert policy.weekly_apart == 2
    assert (policy.pair_lowest, policy.pair_highest) == (Fraction(17, 20), Fraction(59, 50))
    assert policy.lt4_apart == Fraction(9, 10)
    division = policy.lt3_division
    assert (division.undivided, division.most_rise, division.doses) == (5, 5, 2)
    assert policy.lt3_most_doses == 3
    assert policy.handful == Handful(pieces=3, weakest=4, bought=6)
    taper = policy.taper
    assert (taper.tolerance, taper.saving_a_strength, taper.guard) == (0.02, 0.03, 0.72)
    assert (taper.most_changes, taper.too_much_weighs, taper.too_little_weighs) == (3, 2, 2)
    supply = policy.supply
    assert (supply.reserve_days, supply.dispensed_days, supply.fetch_days) == (14, 98, 7)
    assert (taper.source, supply.source) == ("f", "g")
    onward = policy.onward
    assert (onward.slower, onward.gap_days, onward.source) == (2, 7, "j")


@pytest.mark.parametrize(
    ("path", "refused", "usable"),
    [
        ("taper.choice.tolerance", ["-0.01", "0.031"], ["0", "0.03"]),
        ("taper.choice.saving_a_strength", ["0.019", "1"], ["0.02", "0.99"]),
        ("taper.choice.guard", ["-0.1", "1"], ["0", "0.99"]),
        ("taper.choice.most_changes", ["0"], ["1"]),
        ("taper.choice.too_much_weighs", ["0.99"], ["1"]),
        ("taper.choice.too_little_weighs", ["0.99"], ["1"]),
        ("supply.reserve_days", ["0"], ["1"]),
        ("supply.dispensed_days", ["0"], ["1"]),
        ("branch.raise.high", ["0", "0.121"], ["0.01", "0.12"]),
        ("branch.raise.very_high", ["0.079", "0.251"], ["0.08", "0.25"]),
        ("branch.raise.most_at_once", ["0.119", "1"], ["0.12", "0.99"]),
        ("branch.in_range.from", ["0", "1"], ["0.01", "0.99"]),
        ("branch.in_range.to", ["1", "0.99"], ["1.01"]),
        ("branch.step_back.low", ["0", "0.21"], ["0.01", "0.2"]),
        ("branch.step_back.very_low", ["0.09", "1"], ["0.1", "0.99"]),
    ],
)
def test_numbers_of_the_taper_the_supply_and_the_branches_are_refused_at_their_limits(
    path, refused, usable
):
    for value in refused:
        with pytest.raises(DomainError) as wrong:
            read(changed(path, value))
        assert wrong.value.category is Category.INVALID
    for value in usable:
        read(changed(path, value))


@pytest.mark.parametrize("preparation", [LT3, GRAIN_60, GRAIN_65])
def test_the_cautious_pace_rises_by_the_smallest_dose_that_tablets_make(preparation):
    # what heart disease asks for: the smallest first step (labels; ATA 2014, from memory)
    smallest = preparation.strengths[0]
    assert increment(preparation, "cautious") == smallest
    scored = replace(preparation, scored=frozenset({smallest}))
    assert increment(scored, "cautious") == smallest / 2


@pytest.mark.parametrize(
    ("name", "refused", "usable"),
    [
        ("frankly_high", "1.05", "1.1"),
        ("high", "0.99", "1"),
        ("high", "1.21", "1.2"),
        ("low", "1.01", "1"),
        ("low", "0.79", "0.8"),
        ("suppressed", "0.91", "0.9"),
        ("suppressed", "2/3", "0.66"),
    ],
)
def test_a_higher_tsh_never_needs_less_and_in_range_is_between(name, refused, usable):
    with pytest.raises(DomainError, match="a higher TSH needs no less") as wrong:
        read(changed(f"need.{name}", refused))
    assert wrong.value.field == "need"
    assert read(changed(f"need.{name}", usable)).need[TodaysTsh(name)] == Fraction(usable)
