"""Coverage of what was ordered, computed a second time, beside the floor that an answer forecasts.

The pools are those of the service's own model (labels, from memory): T4 and T3 leave with
half-lives of 7 days and 1 day. They are followed by day in closed form, in the daily dose that each
stands for, so that what is absorbed cancels out; T3 that is made from T4 is in T4's worth.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import exp, log
from typing import Final

from tests.properties.course.answer import Json, parts_of, values_of
from tests.properties.titration.figures import CHARTS, GRAIN_T3_UG, PER_GRAIN, PER_LT3
from tests.properties.titration.reading import Amounts, grains, t4, worth

STAYS_T4, STAYS_T3 = exp(-log(2) / 7), exp(-log(2) / 1)
"""Of a pool, from one day to the next."""
ROUNDED: Final = 0.01
"""By which a day may lie below the floor: the service looks within the day, and prints three
decimals."""


@dataclass(frozen=True, slots=True)
class Promise:
    """What one answer forecasts, from its day to the next answer that forecasts."""

    day: int
    lowest: dict[str, float]
    """Coverage by chart, beside what was taken before day one."""
    beside: Amounts | None = None
    """What it is measured against instead: where no plan runs, what is taken on its day."""
    until: int | None = None
    """The first day of which it tells nothing, where no other answer comes before."""


def promise_of(
    bundle: Json, day: int, *, beside: Amounts | None = None, until: int | None = None
) -> Promise | None:
    """What an answer forecasts of the way that it chose; nothing where it has no forecast."""
    for forecast in parts_of(bundle, "forecast"):
        if forecast["chosen"]:
            rows = [values_of(part) for part in forecast["coverage"]]
            return Promise(day, {row["basis"]: row["lowest"] for row in rows}, beside, until)
    return None


def meanwhile(bundle: Json, day: int, *, beside: Amounts | None = None) -> Promise | None:
    """What an answer that asks or stops says of today's dose for as long as it goes on."""
    for step in parts_of(bundle, "next-step"):
        rows = [values_of(part) for part in step.get("while-waiting", ())]
        if rows:
            return Promise(day, {row["basis"]: row["lowest"] for row in rows}, beside)
    return None


def coverage(before: Amounts, taken: Sequence[Amounts]) -> list[dict[str, float]]:
    """By day and chart, at the day's end, beside the steady state of what was taken before."""
    pools = list(_worth(before))
    found = []
    for amounts in taken:
        now = _worth(amounts)
        stays = (STAYS_T4, STAYS_T3, STAYS_T3)
        pools = [new + (old - new) * s for old, new, s in zip(pools, now, stays, strict=True)]
        found.append({chart: _sum(chart, pools) / worth(chart, before) for chart in CHARTS})
    return found


def _worth(amounts: Amounts) -> tuple[float, float, float]:
    """Daily µg of T4, of T3 as liothyronine, and of T3 in desiccated thyroid."""
    return t4(amounts), amounts.get("lt3", 0.0), GRAIN_T3_UG * grains(amounts)


def _sum(chart: str, pools: Sequence[float]) -> float:
    gland = (PER_GRAIN[chart] - 38) / GRAIN_T3_UG
    return pools[0] + PER_LT3[chart] * pools[1] + gland * pools[2]


def below(before: Amounts, taken: Sequence[Amounts], promises: Sequence[Promise]) -> Iterator[str]:
    """The first day on each chart that lies below what the answer in force forecasts."""
    by_day = coverage(before, taken)
    for at, promise in enumerate(promises):
        following = promises[at + 1].day if at + 1 < len(promises) else len(taken)
        end = following if promise.until is None else min(following, promise.until)
        beside = promise.beside or before
        for chart, lowest in promise.lowest.items():
            for day in range(promise.day, end):
                covered = by_day[day][chart] * worth(chart, before) / worth(chart, beside)
                if covered < lowest - ROUNDED:
                    yield f"{chart} {covered:.3f} on day {day}, forecast {lowest:.3f}"
                    break
