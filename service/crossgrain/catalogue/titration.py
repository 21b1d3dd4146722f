"""The planner's numbers, from the titration table."""

from collections.abc import Mapping
from fractions import Fraction
from typing import Any

import msgspec

from crossgrain.catalogue.decoding import Exact, FileForm, Text, Whole, below, decoded
from crossgrain.dosing.policy import (
    BranchSizes,
    Draws,
    Onward,
    Pace,
    Policy,
    Supply,
    TaperChoice,
    TodaysTsh,
)
from crossgrain.dosing.preparations import Division, Handful
from crossgrain.dosing.targets import Combining
from crossgrain.names.numbers import refuse
from crossgrain.names.printing import is_finite


class _Section(FileForm):
    source: Text


class _Pace(_Section):
    interval_days: Whole
    increment_share: Exact


class _Choice(_Section):
    tolerance: Exact
    saving_a_strength: Exact
    guard: Exact
    most_changes: Whole
    most_bought: Whole
    too_much_weighs: Exact
    too_little_weighs: Exact


class _Taper(_Section):
    grid_days: Whole
    window_days: Whole
    choice: _Choice


class _Supply(_Section):
    reserve_days: Whole
    dispensed_days: Whole
    fetch_days: Whole


class _BetweenDraws(_Section):
    apart_days: Whole
    earliest_days: Whole
    latest_days: Whole
    stop_days: Whole


class _Maintenance(_Section):
    first: Whole
    second: Whole
    third: Whole


class _Labs(_Section):
    wait_days: Whole
    reuse_days: Whole
    results_days: Whole
    steady_within: Exact
    between: _BetweenDraws
    maintenance_days: _Maintenance


class _Checks(_Section):
    after_step_days: Whole


class _Lt4Raise(_Section):
    largest_ug: Exact


class _Raise(_Section):
    high: Exact
    very_high: Exact
    most_at_once: Exact


class _InRange(_Section):
    to: Exact
    from_: Exact = msgspec.field(name="from")


class _StepBack(_Section):
    low: Exact
    very_low: Exact


class _Branch(_Section):
    in_range: _InRange
    step_back: _StepBack
    raise_: _Raise = msgspec.field(name="raise")


class _Tablets(_Section):
    tolerance: Exact
    lt4_apart: Exact
    most_pieces: Whole
    most_weakest: Whole
    most_bought: Whole


class _Lt3(FileForm):
    undivided_ug: Exact
    most_rise_ug: Exact
    doses: Whole
    most_doses: Whole


class _Need(_Section):
    frankly_high: Exact
    high: Exact
    low: Exact
    suppressed: Exact


class _Guard(_Section):
    ug_per_kg: Exact
    coverage: Exact
    pregnant_ug_per_kg: Exact
    pregnant_coverage: Exact


class _Pair(_Section):
    lowest: Exact
    highest: Exact


class _Exchange(_Section):
    lowest: Exact


class _Weekly(_Section):
    most_apart: Exact


class _Onward(_Section):
    slower: Exact
    gap_days: Whole


class _Titration(FileForm):
    """The file; what no field of `Policy` takes, the rules name by its key."""

    pace: dict[str, dict[str, Any]]
    taper: _Taper
    supply: _Supply
    labs: _Labs
    checks: _Checks
    lt4_raise: _Lt4Raise
    branch: _Branch
    tablets: _Tablets
    lt3: _Lt3
    need: _Need
    guard: _Guard
    pair: _Pair
    exchange: _Exchange
    weekly: _Weekly
    onward: _Onward


def policy_from(
    content: Mapping[str, object], most_t3_ug: Fraction, combining: Combining
) -> Policy:
    """Read and check the titration table, every number's value in the place of its entry.

    `most_t3_ug` is the labelled most of swallowed T3 a day, which rules name as well; `combining`
    is of the other file too.

    Raises
    ------
    DomainError
        with its place, for a key that is missing or unknown, and for a number that is none, or
        that could not be meant.
    """
    file = decoded(content, _Titration)
    between, tablets, lt3 = file.labs.between, file.tablets, file.lt3
    policy = Policy(
        paces={pace_id: _pace(pace_id, entry) for pace_id, entry in file.pace.items()},
        taper_grid_days=file.taper.grid_days,
        taper_window_days=file.taper.window_days,
        taper=_taper_choice(file.taper.choice),
        supply=_supply(file.supply),
        draws=Draws(
            apart_days=between.apart_days,
            earliest_days=between.earliest_days,
            latest_days=between.latest_days,
            stop_days=between.stop_days,
            source=between.source,
        ),
        lab_wait_days=file.labs.wait_days,
        results_days=file.labs.results_days,
        maintenance_days=_each(file.labs.maintenance_days),
        steady_within=float(file.labs.steady_within),
        lt4_raise_ug=file.lt4_raise.largest_ug,
        branches=_branch_sizes(file.branch, most_t3_ug),
        need={says: getattr(file.need, says) for says in TodaysTsh},
        need_source=file.need.source,
        tolerance=tablets.tolerance,
        pair_lowest=file.pair.lowest,
        pair_highest=file.pair.highest,
        lt4_apart=tablets.lt4_apart,
        handful=Handful(tablets.most_pieces, tablets.most_weakest, tablets.most_bought),
        lt3_division=Division(lt3.undivided_ug, lt3.most_rise_ug, lt3.doses),
        lt3_most_doses=lt3.most_doses,
        exchange_lowest=file.exchange.lowest,
        weekly_apart=file.weekly.most_apart,
        weekly_source=file.weekly.source,
        labs_source=file.labs.source,
        combining=combining,
        onward=Onward(file.onward.slower, file.onward.gap_days, file.onward.source),
    )
    _check(policy)
    return policy


def _pace(pace_id: str, entry: Mapping[str, object]) -> Pace:
    pace = decoded(entry, _Pace, place := below("pace", pace_id))
    if not 0 < pace.increment_share <= 1:
        refuse(f"{place}.increment_share", "a step is part of an increment, or a whole one")
    return Pace(pace_id, pace.interval_days, pace.increment_share, pace.source)


def _each(days: _Maintenance) -> tuple[int, ...]:
    return days.first, days.second, days.third


def _taper_choice(entry: _Choice) -> TaperChoice:
    return TaperChoice(
        tolerance=float(entry.tolerance),
        saving_a_strength=float(entry.saving_a_strength),
        guard=float(entry.guard),
        most_changes=entry.most_changes,
        most_bought=entry.most_bought,
        too_much_weighs=float(entry.too_much_weighs),
        too_little_weighs=float(entry.too_little_weighs),
        source=entry.source,
    )


def _branch_sizes(entry: _Branch, most_t3_ug: Fraction) -> BranchSizes:
    return BranchSizes(
        raise_high=float(entry.raise_.high),
        raise_very_high=float(entry.raise_.very_high),
        most_at_once=float(entry.raise_.most_at_once),
        in_range_from=float(entry.in_range.from_),
        in_range_to=float(entry.in_range.to),
        step_back_low=float(entry.step_back.low),
        step_back_very_low=float(entry.step_back.very_low),
        most_t3_ug=most_t3_ug,
    )


def _supply(entry: _Supply) -> Supply:
    return Supply(
        reserve_days=entry.reserve_days,
        dispensed_days=entry.dispensed_days,
        fetch_days=entry.fetch_days,
        source=entry.source,
    )


def _check(policy: Policy) -> None:
    """Refuse numbers that contradict each other or could not be meant, by their section."""
    taper, draws, ordered = policy.taper, policy.draws, _need_by_tsh(policy)
    for place, sound, says in (
        ("labs.steady_within", 0 < policy.steady_within < 1, "a part lies between 0 and 1"),
        ("exchange.lowest", 0 < policy.exchange_lowest < 1, "a part lies between 0 and 1"),
        ("tablets.tolerance", 0 <= policy.tolerance < 1, "a part lies between 0 and 1"),
        (
            "tablets.lt4_apart",
            0 < policy.lt4_apart <= 1,
            "two steps lie apart by part of an increment",
        ),
        ("weekly", policy.weekly_apart > 1, "two tablets differ by a factor above 1"),
        (
            "need",
            ordered == sorted(ordered) and ordered[0] > 0 and all(map(is_finite, ordered)),
            "a higher TSH needs no less, and 1 lies between high and low",
        ),
        (
            "pair",
            0 < policy.pair_lowest <= 1 <= policy.pair_highest,
            "a combination is near from a part of today's dose to more than it",
        ),
        (
            "taper.choice",
            0 <= taper.tolerance <= taper.saving_a_strength < 1 and 0 <= taper.guard < 1,
            "tolerances and the guard are parts of coverage",
        ),
        (
            "taper.choice",
            min(taper.too_much_weighs, taper.too_little_weighs) >= 1,
            "weights are 1 or more",
        ),
        (
            "labs.between",
            draws.latest_days <= draws.earliest_days < min(draws.apart_days, draws.stop_days),
            "a draw lies days before a step, and draws lie further apart",
        ),
        ("onward.slower", policy.onward.slower > 1, "slower is more than once as long"),
    ):
        if not sound:
            refuse(place, says)
    if policy.handful.weakest < policy.handful.pieces:
        refuse("tablets.most_weakest", "of the weakest tablet there are no fewer than of others")
    _check_division(policy)
    _check_branches(policy.branches)


def _need_by_tsh(policy: Policy) -> list[Fraction]:
    """What is needed from the lowest TSH to the highest, with today's dose itself in range."""
    ordered = [policy.need[says] for says in reversed(TodaysTsh)]
    ordered.insert(2, Fraction(1))
    return ordered


def _check_division(policy: Policy) -> None:
    division = policy.lt3_division
    if min(division.undivided, division.most_rise) <= 0:
        refuse("lt3", "a dose is above zero")
    if division.doses > policy.lt3_most_doses:
        refuse("lt3", "doses are no more than the most that may be asked for")


def _check_branches(sizes: BranchSizes) -> None:
    rises = 0 < sizes.raise_high <= sizes.raise_very_high <= sizes.most_at_once < 1
    if not rises or not 0 < sizes.step_back_low <= sizes.step_back_very_low < 1:
        refuse("branch", "a change is a part of the dose, the larger no smaller")
    if not 0 < sizes.in_range_from < 1 < sizes.in_range_to:
        refuse("branch.in_range", "1 lies between the two")
