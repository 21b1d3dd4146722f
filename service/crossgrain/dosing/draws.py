"""When blood is drawn: before day one, on the way, at the checkpoint, and after it.

A draw on the way is placed by counting back from the draw that decides: so that two are never
further apart than the policy allows, and a few days before a step, so that it is read before that
step. The pools are not steady by then, so such a draw may hold a step or take one back, but never
raises a dose. What its values lead to is said where the patient's own limits are known.
"""

from collections.abc import Iterator, Mapping, Sequence
from fractions import Fraction
from itertools import pairwise
from math import ceil

from crossgrain.dosing.case import SwitchCase
from crossgrain.dosing.climb import Slot
from crossgrain.dosing.plan import LabDraw, PriorTherapy
from crossgrain.dosing.policy import Draws

DRAW = "TSH, free T4 and free T3, drawn before that morning's dose"
_LIMITED = "it may hold or take back, and raises nothing"
Doses = Sequence[Mapping[str, Fraction]]
"""The daily amounts of the old medicine beside each slot."""


def between(
    first: int, last: int, steps: Sequence[int], apart_days: int, draws: Draws
) -> tuple[tuple[int, int | None], ...]:
    """The draws between two fixed ones: the day of each, and the step before which it is read.

    Counted back from the later one, each lies as near to an even spacing as a step allows. Where no
    step begins within reach, as in a long wait, it lies at the even spacing itself and is read
    before no step (``None``).

    >>> draws = Draws(apart_days=56, earliest_days=7, latest_days=3, stop_days=28, source="")
    >>> between(0, 98, (14, 28, 42, 56), 56, draws)
    ((49, 56),)
    >>> between(0, 98, (), 56, draws)
    ((49, None),)
    """
    leads = range(draws.latest_days, draws.earliest_days + 1)
    before = {step - lead: step for step in sorted(steps, reverse=True) for lead in leads}
    found: list[tuple[int, int | None]] = []
    while last - first > apart_days:
        even = (last - first) / ceil((last - first) / apart_days)
        reach = [day for day in before if max(first + 1, last - apart_days) <= day < last]
        near = min(reach, key=lambda day: (abs(last - day - even), day), default=None)
        last = last - int(even) if near is None else near
        found.append((last, before.get(last)))
    return tuple(reversed(found))


def series_draws(
    case: SwitchCase,
    slots: Sequence[Slot],
    old: Doses,
    decides: LabDraw,
    prior_therapy: PriorTherapy,
) -> tuple[LabDraw, ...]:
    """The baseline, the draws on the way, and the one at the checkpoint."""
    steps = change_days(slots, old)
    fixed = [0, decides.day]
    # What ends on day one is gone within weeks, and nothing else would show how low that runs.
    if prior_therapy is PriorTherapy.STOP and not case.exchange:
        week_four = _nearest_before(case.policy.draws, steps)
        if week_four < decides.day:
            fixed.insert(1, week_four)
    on_the_way = dict(_between_all(case, fixed, steps))
    return (
        LabDraw(0, "baseline", "TSH, free T4 and free T3 before the first changed dose"),
        *_interim(on_the_way, decides.modelled_steady_day),
        decides,
    )


def onward_draws(
    case: SwitchCase,
    slots: Sequence[Slot],
    old: Doses,
    fixed: Sequence[int],
    decides: LabDraw,
    at_once: int | None = None,
) -> tuple[LabDraw, ...]:
    """The draws from today on, in a course that is under way.

    `fixed` are days of draws: that of the last draw before today, then those that must be kept. One
    `at_once` is read before the next step, however far off that is.
    """
    steps = change_days(slots, old)
    days = sorted({*fixed, decides.day, *(() if at_once is None else (at_once,))})
    found = dict(_between_all(case, days, steps))
    due = {max(day, 0): step for day, step in found.items()}
    if at_once is not None:
        due = {day: step for day, step in due.items() if day > at_once}
        due[at_once] = next((step for step in steps if step > at_once), None)
    on_the_way = {day: step for day, step in due.items() if day < decides.day}
    return (*_interim(on_the_way, decides.modelled_steady_day), decides)


def change_days(slots: Sequence[Slot], old: Doses) -> tuple[int, ...]:
    """The days on which a dose changes; the first day is not one of them."""
    taken = [(slot, {**slot.amounts, **kept}) for slot, kept in zip(slots, old, strict=True)]
    return tuple(slot.first_day for (_, a), (slot, b) in pairwise(taken) if a != b)


def _nearest_before(draws: Draws, steps: Sequence[int]) -> int:
    """The last day of the fourth week that a step follows closely; else that week's last."""
    week = range(draws.stop_days, draws.stop_days - 7, -1)
    leads = range(draws.latest_days, draws.earliest_days + 1)
    return next((day for day in week if any(day + n in steps for n in leads)), draws.stop_days)


def _between_all(
    case: SwitchCase, fixed: Sequence[int], steps: Sequence[int]
) -> Iterator[tuple[int, int | None]]:
    draws = case.policy.draws
    for first, last in pairwise(fixed):
        yield from between(first, last, steps, case.draws_apart, draws)
        if last != fixed[-1]:
            leads = range(draws.latest_days, draws.earliest_days + 1)
            yield last, next((last + n for n in leads if last + n in steps), None)


def _interim(days: Mapping[int, int | None], steady: int | None) -> Iterator[LabDraw]:
    for day, step in sorted(days.items()):
        early = "" if steady is not None and steady <= day else "not yet steady: "
        yield LabDraw(day, "interim", f"{DRAW}; {early}{_LIMITED}", steady, read_before=step)


def branch_draws(
    case: SwitchCase,
    slots: Sequence[Slot],
    old: Doses,
    steady: int,
    proved: tuple[int, ...] = (),
    *,
    proves: bool,
) -> tuple[LabDraw, ...]:
    """The draws after a decision: as close together as in the climb, until two in a row are in
    range.

    Parameters
    ----------
    steady : the day from which the model calls the pools of the branch steady
    proved : days of maintenance, where the labs that led here were the second in a row
    proves : whether they were the first, on a dose of the same worth, so that the next in range
        proves it
    """
    decision, last = slots[0].first_day, slots[-1]
    checkpoint = decision - case.policy.results_days
    apart = case.draws_apart
    if proved:
        return (_maintenance(case, checkpoint, steady, proved),)
    if last.days > case.policy.maintenance_days[0]:  # nothing changed, so nothing settles
        second = checkpoint + apart
        return (
            LabDraw(second, "confirmation", f"{DRAW}; the second in a row", steady),
            _maintenance(case, second, steady),
        )
    stable = last.first_day + case.wait_days
    words = DRAW if steady <= stable else f"{DRAW}; the model calls day {steady} steady, not before"
    on_the_way = between(checkpoint, stable, change_days(slots, old), apart, case.policy.draws)
    settled = LabDraw(stable, "after-branch", words, steady)
    if proves:  # the checkpoint's own was the first
        return (*_interim(dict(on_the_way), steady), settled, _maintenance(case, stable, steady))
    second = stable + apart
    confirms = f"{DRAW}; the second in a row, where the one before was in range"
    return (
        *_interim(dict(on_the_way), steady),
        settled,
        LabDraw(second, "confirmation", confirms, steady),
        _maintenance(case, second, steady),
    )


def _maintenance(case: SwitchCase, since: int, steady: int, days: tuple[int, ...] = ()) -> LabDraw:
    """The draws on a dose that has proved right; in pregnancy as often as before."""
    first, second, *_ = case.policy.maintenance_days
    days = days or case.policy.maintenance_days
    every = case.tsh_every_days
    if every is None:
        due, *repeated = (since + day for day in days)
        return LabDraw(due, "maintenance", DRAW, steady, tuple(repeated))
    due, *repeated = range(since + every, since + max(first, second) + every, every)
    words = f"{DRAW}; every {every} days until the birth"
    return LabDraw(due, "maintenance", words, steady, tuple(repeated))
