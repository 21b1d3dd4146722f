"""How fast doses move and when bloods are drawn: the numbers the planner works by."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from fractions import Fraction
from typing import Any

from crossgrain.dosing.preparations import Division
from crossgrain.names.errors import Category, DomainError
from crossgrain.names.printing import is_finite


@dataclass(frozen=True, slots=True)
class Pace:
    """Days between steps, and the part of a full increment that one step is."""

    id: str
    interval_days: int
    increment_share: Fraction
    source: str


@dataclass(frozen=True, slots=True)
class TaperChoice:
    """What a simpler taper may cost, and what none may.

    `tolerance` and `saving_a_strength` are in ln coverage, `guard` is coverage; `too_much_weighs`
    and `too_little_weighs` are the weights where a patient's risk lies on that side.
    """

    tolerance: float
    saving_a_strength: float
    guard: float
    most_changes: int
    too_much_weighs: float
    too_little_weighs: float
    source: str


@dataclass(frozen=True, slots=True)
class Supply:
    """How long a prescription lasts at most, and how far it reaches past the decision, days."""

    reserve_days: int
    dispensed_days: int
    source: str


class TodaysTsh(StrEnum):
    """What today's TSH says of today's dose, by the patient's own limits."""

    FRANKLY_HIGH = "frankly_high"
    HIGH = "high"
    LOW = "low"
    SUPPRESSED = "suppressed"


@dataclass(frozen=True, slots=True)
class Draws:
    """How far apart blood is drawn while doses change, and how long before a step, days.

    Attributes
    ----------
    apart_days : most between two draws
    earliest_days, latest_days : how long before a step one is drawn, the most and the least
    stop_days : the last day of the draw that follows a medicine that ends on day one
    source : on whose word
    """

    apart_days: int
    earliest_days: int
    latest_days: int
    stop_days: int
    source: str


@dataclass(frozen=True, slots=True)
class BranchSizes:
    """How far the dose changes once the labs are back, as parts of the dose of the hold.

    `raise_high`, `raise_very_high`, `step_back_low` and `step_back_very_low` are the least on every
    basis left open; `in_range_from` and `in_range_to` are the coverage that labs in range leave
    open; a raise above `most_at_once` is made in another way where there is one; `most_t3_ug` is
    the most swallowed T3 a day that a raise goes to while LT4 can rise instead.
    """

    raise_high: float
    raise_very_high: float
    most_at_once: float
    in_range_from: float
    in_range_to: float
    step_back_low: float
    step_back_very_low: float
    most_t3_ug: Fraction


@dataclass(frozen=True, slots=True)
class Onward:
    """How a course goes on that is under way.

    Attributes
    ----------
    slower : times as long as an interval of the climb, where it is slowed down
    gap_days : after so many days without hormone a step begins anew
    source : on whose word
    """

    slower: Fraction
    gap_days: int
    source: str


@dataclass(frozen=True, slots=True)
class Policy:
    """The planner's numbers; `data/titration.toml` gives each with its source.

    Attributes
    ----------
    paces : by id
    taper_grid_days, taper_window_days : when old T3 may fall in a move without a climb
    taper : how a taper is chosen
    supply : how much is ordered at a time
    draws : when blood is drawn on the way
    lab_wait_days : from a dose that will be kept to its TSH
    results_days : from the draw to the decision
    maintenance_days : draws after the last stable dose's own
    steady_within : part of the larger of old and new within which a pool counts as steady
    lt4_raise_ug : the largest rise of LT4 between two labs that its label names
    branches : how far the dose changes once the labs are back
    need : what is needed, as a part of today's dose, where today's TSH is out of range
    need_source : on whose word
    tolerance : part of a target by which tablets may miss it
    weekly_apart : by what factor two tablets of LT4 that share a week may differ
    weekly_source : on whose word
    pair_lowest, pair_highest : between which parts of today's dose a combination that keeps its
        ratio is near enough to it
    lt4_apart : least part of an increment of LT4 that two steps lie apart
    lt3_division : how a day's LT3 is divided
    lt3_most_doses : in how many doses at the most, where asked for
    exchange_lowest : least part of today's labelled grains that another product may hold
    labs_source : on whose word the labs are timed so
    onward : how a course goes on that is under way
    """

    paces: Mapping[str, Pace]
    taper_grid_days: int
    taper_window_days: int
    taper: TaperChoice
    supply: Supply
    draws: Draws
    lab_wait_days: int
    results_days: int
    maintenance_days: tuple[int, ...]
    steady_within: float
    lt4_raise_ug: Fraction
    branches: BranchSizes
    need: Mapping[TodaysTsh, Fraction]
    need_source: str
    tolerance: Fraction
    pair_lowest: Fraction
    pair_highest: Fraction
    lt4_apart: Fraction
    lt3_division: Division
    lt3_most_doses: int
    exchange_lowest: Fraction
    weekly_apart: Fraction
    weekly_source: str
    labs_source: str
    onward: Onward = field(repr=False)
    """Not of a first plan, which is the same whatever these are: its tables keep their version."""

    def pace(self, pace_id: str) -> Pace:
        """The pace of that id, or a `DomainError` that names the ones there are."""
        if pace_id not in self.paces:
            known = ", ".join(self.paces)
            raise DomainError(Category.INVALID, "pace", f"the pace is one of {known}")
        return self.paces[pace_id]


def policy_from(table: Mapping[str, Any], most_t3_ug: Fraction) -> Policy:
    """Read and check the titration table.

    `most_t3_ug` is the labelled most of swallowed T3 a day, which rules name as well.

    Raises
    ------
    DomainError
        for a missing key, or a number that is not positive.
    """
    try:
        policy = Policy(
            paces={
                pace_id: Pace(
                    pace_id,
                    int(entry["interval_days"]),
                    Fraction(entry["increment_share"]),
                    str(entry["source"]),
                )
                for pace_id, entry in table["pace"].items()
            },
            taper_grid_days=int(table["taper"]["grid_days"]),
            taper_window_days=int(table["taper"]["window_days"]),
            taper=_taper_choice(table["taper"]["choice"]),
            supply=Supply(
                int(table["supply"]["reserve_days"]),
                int(table["supply"]["dispensed_days"]),
                str(table["supply"]["source"]),
            ),
            draws=_draws(table["labs"]["between"]),
            lab_wait_days=int(table["labs"]["wait_days"]),
            results_days=int(table["labs"]["results_days"]),
            maintenance_days=tuple(
                int(day)
                for name, day in table["labs"]["maintenance_days"].items()
                if name != "source"
            ),
            steady_within=float(table["labs"]["steady_within"]),
            lt4_raise_ug=Fraction(table["lt4_raise"]["largest_ug"]),
            branches=_branch_sizes(table["branch"], most_t3_ug),
            need={says: Fraction(table["need"][says]) for says in TodaysTsh},
            need_source=str(table["need"]["source"]),
            tolerance=Fraction(table["tablets"]["tolerance"]),
            pair_lowest=Fraction(table["pair"]["lowest"]),
            pair_highest=Fraction(table["pair"]["highest"]),
            lt4_apart=Fraction(table["tablets"]["lt4_apart"]),
            lt3_division=Division(
                Fraction(table["lt3"]["undivided_ug"]),
                Fraction(table["lt3"]["most_rise_ug"]),
                int(table["lt3"]["doses"]),
            ),
            lt3_most_doses=int(table["lt3"]["most_doses"]),
            exchange_lowest=Fraction(table["exchange"]["lowest"]),
            weekly_apart=Fraction(table["weekly"]["most_apart"]),
            weekly_source=str(table["weekly"]["source"]),
            labs_source=str(table["labs"]["source"]),
            onward=Onward(
                Fraction(table["onward"]["slower"]),
                int(table["onward"]["gap_days"]),
                str(table["onward"]["source"]),
            ),
        )
    except KeyError as missing:
        raise DomainError(Category.INVALID, str(missing.args[0]), "this key is missing") from None
    except ValueError as wrong:
        raise DomainError(Category.INVALID, "titration", str(wrong)) from None
    _check(policy)
    return policy


def _draws(entry: Mapping[str, Any]) -> Draws:
    return Draws(
        apart_days=int(entry["apart_days"]),
        earliest_days=int(entry["earliest_days"]),
        latest_days=int(entry["latest_days"]),
        stop_days=int(entry["stop_days"]),
        source=str(entry["source"]),
    )


def _taper_choice(entry: Mapping[str, Any]) -> TaperChoice:
    return TaperChoice(
        tolerance=float(entry["tolerance"]),
        saving_a_strength=float(entry["saving_a_strength"]),
        guard=float(entry["guard"]),
        most_changes=int(entry["most_changes"]),
        too_much_weighs=float(entry["too_much_weighs"]),
        too_little_weighs=float(entry["too_little_weighs"]),
        source=str(entry["source"]),
    )


def _branch_sizes(entry: Mapping[str, Any], most_t3_ug: Fraction) -> BranchSizes:
    return BranchSizes(
        raise_high=float(entry["raise"]["high"]),
        raise_very_high=float(entry["raise"]["very_high"]),
        most_at_once=float(entry["raise"]["most_at_once"]),
        in_range_from=float(entry["in_range"]["from"]),
        in_range_to=float(entry["in_range"]["to"]),
        step_back_low=float(entry["step_back"]["low"]),
        step_back_very_low=float(entry["step_back"]["very_low"]),
        most_t3_ug=most_t3_ug,
    )


def _check(policy: Policy) -> None:
    for pace in policy.paces.values():
        if pace.interval_days < 1 or not 0 < pace.increment_share <= 1:
            raise DomainError(
                Category.INVALID, f"pace.{pace.id}", "a step takes days and part of an increment"
            )
    positive = min(policy.taper_grid_days, policy.lab_wait_days) >= 1
    if not positive or min(policy.results_days, policy.taper_window_days) < 0:
        raise DomainError(Category.INVALID, "titration", "periods are positive numbers of days")
    parts = (policy.steady_within, policy.exchange_lowest)
    if not all(0 < part < 1 for part in parts) or not 0 <= policy.tolerance < 1:
        raise DomainError(Category.INVALID, "titration", "a part lies between 0 and 1")
    if policy.weekly_apart <= 1:
        raise DomainError(Category.INVALID, "weekly", "two tablets differ by a factor above 1")
    ordered = [policy.need[says] for says in reversed(TodaysTsh)]
    ordered.insert(2, Fraction(1))
    if ordered != sorted(ordered) or not ordered[0] > 0 or not all(map(is_finite, ordered)):
        raise DomainError(
            Category.INVALID, "need", "a higher TSH needs no less, and 1 lies between high and low"
        )
    _check_tablets(policy)
    taper, supply = policy.taper, policy.supply
    if not 0 <= taper.tolerance <= taper.saving_a_strength < 1 or not 0 <= taper.guard < 1:
        raise DomainError(
            Category.INVALID, "taper.choice", "tolerances and the guard are parts of coverage"
        )
    if min(taper.too_much_weighs, taper.too_little_weighs) < 1 or taper.most_changes < 1:
        raise DomainError(Category.INVALID, "taper.choice", "weights and changes are 1 or more")
    draws = policy.draws
    if not 1 <= draws.latest_days <= draws.earliest_days < min(draws.apart_days, draws.stop_days):
        raise DomainError(
            Category.INVALID,
            "labs.between",
            "a draw lies days before a step, and draws lie further apart",
        )
    if supply.reserve_days < 0 or supply.dispensed_days < 1:
        raise DomainError(Category.INVALID, "supply", "supply is a positive number of days")
    _check_branches(policy.branches)
    if policy.onward.slower <= 1 or policy.onward.gap_days < 1:
        raise DomainError(Category.INVALID, "onward", "slower is more than once as long")


def _check_branches(sizes: BranchSizes) -> None:
    rises = 0 < sizes.raise_high <= sizes.raise_very_high <= sizes.most_at_once < 1
    if not rises or not 0 < sizes.step_back_low <= sizes.step_back_very_low < 1:
        raise DomainError(
            Category.INVALID, "branch", "a change is a part of the dose, the larger no smaller"
        )
    if not 0 < sizes.in_range_from < 1 < sizes.in_range_to:
        raise DomainError(Category.INVALID, "branch.in_range", "1 lies between the two")


def _check_tablets(policy: Policy) -> None:
    if not 0 < policy.lt4_apart <= 1:
        words = "two steps lie apart by part of an increment"
        raise DomainError(Category.INVALID, "titration", words)
    if not 0 < policy.pair_lowest <= 1 <= policy.pair_highest:
        words = "a combination is near from a part of today's dose to more than it"
        raise DomainError(Category.INVALID, "titration", words)
    division = policy.lt3_division
    doses = 1 <= division.doses <= policy.lt3_most_doses
    if min(division.undivided, division.most_rise) <= 0 or not doses:
        words = "a dose is above zero, and doses are no more than the most that may be asked for"
        raise DomainError(Category.INVALID, "titration", words)
