"""How fast doses move and when bloods are drawn: the numbers the planner works by."""

from collections.abc import Mapping
from dataclasses import field
from enum import StrEnum
from fractions import Fraction

from crossgrain.dosing.preparations import Division, Handful
from crossgrain.dosing.targets import Combining
from crossgrain.names.errors import Category, DomainError
from crossgrain.names.values import frozen


@frozen
class Pace:
    """Days between steps, and the part of a full increment that one step is."""

    id: str
    interval_days: int
    increment_share: Fraction
    source: str


@frozen
class TaperChoice:
    """What a simpler taper may cost, and what none may.

    `tolerance` and `saving_a_strength` are in ln coverage, `guard` is coverage; `too_much_weighs`
    and `too_little_weighs` are the weights where a patient's risk lies on that side; `most_bought`
    is how many strengths beyond those at home are looked through at the most.
    """

    tolerance: float
    saving_a_strength: float
    guard: float
    most_changes: int
    too_much_weighs: float
    too_little_weighs: float
    source: str
    most_bought: int = field(repr=False)


@frozen
class Supply:
    """How long a prescription lasts and may be dispensed, days.

    Attributes
    ----------
    reserve_days : how far it reaches past the decision
    dispensed_days : how long it lasts at most
    fetch_days : how long before its first dose it may be dispensed
    """

    reserve_days: int
    dispensed_days: int
    fetch_days: int
    source: str


class TodaysTsh(StrEnum):
    """What today's TSH says of today's dose, by the patient's own limits."""

    FRANKLY_HIGH = "frankly_high"
    HIGH = "high"
    LOW = "low"
    SUPPRESSED = "suppressed"


@frozen
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


@frozen
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


@frozen
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


@frozen
class Policy:
    """The planner's numbers; `data/titration.toml` gives each with its source, and
    `data/numbers.toml` those that others read as well.

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
    handful : how many tablets are taken at once
    lt3_most_doses : in how many doses at the most, where asked for
    exchange_lowest : least part of today's labelled grains that another product may hold
    labs_source : on whose word the labs are timed so
    combining : within what, and how where nobody says, T3 is combined
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
    handful: Handful = field(repr=False)
    lt3_most_doses: int
    exchange_lowest: Fraction
    weekly_apart: Fraction
    weekly_source: str
    labs_source: str
    combining: Combining = field(repr=False)
    onward: Onward = field(repr=False)
    """Not of a first plan, which is the same whatever these are: its tables keep their version."""

    def pace(self, pace_id: str) -> Pace:
        """The pace of that id, or a `DomainError` that names the ones there are."""
        if pace_id not in self.paces:
            known = ", ".join(self.paces)
            raise DomainError(Category.INVALID, "pace", f"the pace is one of {known}")
        return self.paces[pace_id]
