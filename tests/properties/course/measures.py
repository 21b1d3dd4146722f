"""What is measured of a course, and a table of many.

"In range" counts draws from a dose that had been held for five weeks, so that what is drawn on the
way up counts for nothing. "Truly" is by the simulated body itself, without the laboratory's error.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import fmean, median

from tests.properties.course.clinic import Result
from tests.properties.course.floor import below
from tests.properties.course.life import Life
from tests.properties.course.physiology import daily
from tests.properties.titration.figures import EXACT
from tests.properties.titration.reading import Amounts, t3, worth

SETTLED_DAYS = 35
MOST_T3_UG = 75.0
"""Labels: liothyronine 75 µg a day is the end of the usual range."""
MOST_T3_RISE_UG, RISE_WITHIN_DAYS = 5.0, 7
"""One increment at a step: 5 µg, the label's step in the older or cardiac; days ours."""
FAR = (0.05, 20.0)
"""mIU/L that must not stay unanswered."""
ANSWERED_WITHIN_DAYS = 28
YEAR, WEEK = 364, 7


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of one course."""

    number: int
    move: str
    basis: str
    potency: float
    """What is truly worth of the T3 that is moved to or from, from 0 (least) to 1 (most)."""
    reached: int | None
    """Day of the second settled draw in a row in range."""
    truly: tuple[bool, bool]
    """Whether TSH is truly in range after 52 and after 104 weeks."""
    highest: float
    lowest: float
    """True TSH, mIU/L, from day one on."""
    days_far: int
    """Days with a true TSH above 10 or below 0.1."""
    unanswered: tuple[str, ...]
    t3_cap: tuple[str, ...]
    below_floor: tuple[str, ...]
    flaws: tuple[str, ...]
    """What cannot be carried out: days on which nothing is ordered, answers that are refused."""
    visits: int
    draws: int
    changes: int
    asks: int

    @property
    def faults(self) -> tuple[str, ...]:
        """Everything that must not be."""
        return (*self.unanswered, *self.t3_cap, *self.below_floor, *self.flaws)

    def reached_by(self, day: int) -> bool:
        """Whether two in a row were in range by a day."""
        return self.reached is not None and self.reached <= day


def measure(life: Life) -> Outcome:
    """Everything that is measured of one course."""
    true = [day.tsh for day in life.days]
    low, high = life.patient.tsh_range
    taken = [daily(day.ordered) for day in life.days]
    return Outcome(
        number=life.patient.number,
        move=_move(life),
        basis=life.patient.case.basis,
        potency=potency(life),
        reached=_reached(life, taken),
        truly=(low <= true[YEAR - 1] <= high, low <= true[-1] <= high),
        highest=max(true),
        lowest=min(true),
        days_far=sum(tsh > 10 or tsh < 0.1 for tsh in true),
        unanswered=tuple(_unanswered(life, taken)),
        t3_cap=tuple(_t3_cap(life, taken)),
        below_floor=tuple(below(_before(life), taken, life.clinic.promises)),
        flaws=(*life.clinic.flaws, *_without(taken)),
        visits=len(life.clinic.visits),
        draws=len(life.clinic.results),
        changes=sum(before != after for before, after in pairwise([_before(life), *taken])),
        asks=sum(deed.act == "ask" for deed in life.clinic.deeds),
    )


def _before(life: Life) -> Amounts:
    return {one.medicine: one.amount for one in life.patient.case.taken}


def _move(life: Life) -> str:
    before = " + ".join(one.medicine for one in life.patient.case.taken)
    return f"{before} to {life.patient.case.target}"


def potency(life: Life) -> float:
    """Where the truth lies between the charts, for the T3 of this move."""
    own = life.patient.traits
    involved = {one.medicine for one in life.patient.case.taken} | {life.patient.case.target}
    if involved & {"d60", "desiccated-thyroid"}:
        return (own.grain_worth - 50) / 50
    return (own.lt3_worth - 2) / 2


def _reached(life: Life, taken: Sequence[Amounts]) -> int | None:
    before: Result | None = None
    for result in life.clinic.results:
        since = range(max(result.day - SETTLED_DAYS, 0), result.day)
        settled = result.day >= SETTLED_DAYS and all(
            taken[day] == taken[result.day - 1] for day in since
        )
        if settled and not life.clinic.outside(result.found.tsh):
            if before:
                return result.day
            before = result
        elif settled:
            before = None
    return None


def _unanswered(life: Life, taken: Sequence[Amounts]) -> Iterable[str]:
    """Results far out after which the dose goes nowhere, nobody asks, and no blood is drawn."""
    for result in life.clinic.results:
        tsh, until = result.found.tsh, result.back + ANSWERED_WITHIN_DAYS
        if FAR[0] <= tsh <= FAR[1] or until >= len(taken):
            continue
        before, after = taken[result.back - 1], taken[until]
        by = worth("content", after) - worth("content", before)
        moved = by > EXACT if tsh > FAR[1] else by < -EXACT
        acted = any(
            result.back <= deed.day <= until and deed.act not in {"continue", "stay"}
            for deed in life.clinic.deeds
        )
        again = any(result.day < other.day <= result.back + 2 * ANSWERED_WITHIN_DAYS
                    for other in life.clinic.results)  # fmt: skip
        if not moved and not (acted and again):
            yield f"TSH {tsh} on day {result.day}"


def _t3_cap(life: Life, taken: Sequence[Amounts]) -> Iterable[str]:
    """Swallowed T3 above the label's, or above the old regimen's, or rising too much at once."""
    before = t3(_before(life))
    swallowed = [before] * RISE_WITHIN_DAYS + [t3(amounts) for amounts in taken]
    for at, now in enumerate(swallowed[RISE_WITHIN_DAYS:], start=RISE_WITHIN_DAYS):
        if now > max(MOST_T3_UG, before) + EXACT:
            yield f"{now:g} µg of T3 on day {at - RISE_WITHIN_DAYS}"
            return
        rise = now - min(swallowed[at - RISE_WITHIN_DAYS : at])
        if rise > MOST_T3_RISE_UG + EXACT:
            yield f"{rise:g} µg more T3 on day {at - RISE_WITHIN_DAYS}"
            return


def _without(taken: Sequence[Amounts]) -> Iterable[str]:
    """The first day on which nothing is ordered."""
    for day, amounts in enumerate(taken):
        if not any(amounts.values()):
            yield f"nothing on day {day}"
            return


# --- many ---------------------------------------------------------------------------------------

COLUMNS = (
    "courses", "two in range by week 52 %", "by week 104 %", "weeks (median)",
    "truly in range at 52 %", "at 104 %", "highest TSH (median)", "(95th)", "ever > 20 %",
    "ever < 0.1 %", "days > 10 or < 0.1 (mean)", "unanswered", "T3 cap", "below floor",
    "flaws", "visits", "draws",
    "changes", "asks",
)  # fmt: skip


def row(outcomes: Sequence[Outcome]) -> list[str]:
    """One line of the table."""
    if not outcomes:
        return ["0", *[""] * (len(COLUMNS) - 1)]

    def share(of: Iterable[bool]) -> str:
        return f"{100 * fmean(of):.1f}"

    weeks = [one.reached / WEEK for one in outcomes if one.reached is not None]
    highest = sorted(one.highest for one in outcomes)
    return [
        str(len(outcomes)),
        share(one.reached_by(YEAR) for one in outcomes),
        share(one.reached_by(2 * YEAR) for one in outcomes),
        f"{median(weeks):.0f}" if weeks else "",
        share(one.truly[0] for one in outcomes),
        share(one.truly[1] for one in outcomes),
        f"{median(highest):.1f}",
        f"{highest[min(int(0.95 * len(highest)), len(highest) - 1)]:.1f}",
        share(one.highest > 20 for one in outcomes),
        share(one.lowest < 0.1 for one in outcomes),
        f"{fmean(one.days_far for one in outcomes):.0f}",
        str(sum(len(one.unanswered) for one in outcomes)),
        str(sum(bool(one.t3_cap) for one in outcomes)),
        str(sum(bool(one.below_floor) for one in outcomes)),
        str(sum(bool(one.flaws) for one in outcomes)),
        f"{fmean(one.visits for one in outcomes):.1f}",
        f"{fmean(one.draws for one in outcomes):.1f}",
        f"{fmean(one.changes for one in outcomes):.1f}",
        f"{fmean(one.asks for one in outcomes):.1f}",
    ]


def table(groups: dict[str, Sequence[Outcome]]) -> str:
    """A table in Markdown, one line for each group."""
    lines = [("", *COLUMNS), ("---",) * (len(COLUMNS) + 1)]
    lines += [(name, *row(outcomes)) for name, outcomes in groups.items()]
    return "\n".join(f"| {' | '.join(line)} |" for line in lines)


THIRDS = ("low", "middle", "high")


def third(outcome: Outcome) -> str:
    """Where the truth lies between the charts, in thirds."""
    return THIRDS[min(int(3 * outcome.potency), 2)]
