"""What was handed out for an order, held against the dose of the order.

The label that a patient reads is the pharmacy's. Where it names another dose than the order that it
fulfils, one of the two is not what is taken: it is asked. Tablets over days alone tell less, since
some are left over or lost: what they come to is to be confirmed.
"""

from collections.abc import Callable, Sequence
from fractions import Fraction

from crossgrain.dosing.preparations import Preparation
from crossgrain.dosing.regimens import DoseLine
from crossgrain.reading.elements import Asked
from crossgrain.reading.quantities import in_unit
from crossgrain.reading.reading import Reading
from crossgrain.reading.supply import (
    HandOver,
    daily_of,
    dose_by_count,
    dose_by_dosages,
    is_over,
    latest_of_each_tablet,
)
from crossgrain.reading.today import Hormone


def compare_with_hand_overs(
    taken: Sequence[Hormone], handed: Sequence[HandOver], reading: Reading
) -> None:
    """Ask about each order of which another dose was handed out than it says.

    Not where the caller has said what is taken of it.
    """
    answered = reading.notes.settled.meant
    orders = {
        each.entry.reference: each
        for each in taken
        if each.is_order and each.entry.lines and each.path not in answered
    }
    fulfilling: dict[str, list[HandOver]] = {}
    for each in sorted(handed, key=lambda each: each.day):
        for name in each.orders(reading):
            if name in orders and _may_be_of(each, orders[name], reading):
                fulfilling.setdefault(name, []).append(each)
    for name, several in fulfilling.items():
        _compare(orders[name], list(latest_of_each_tablet(several)), reading)


def _may_be_of(each: HandOver, order: Hormone, reading: Reading) -> bool:
    """Whether it is of the order's hormone, lasts, and came since today's dose was ordered."""
    since = order.entry.since
    return (
        each.product.kind is order.kind
        and not is_over(each, reading)
        and (since is None or each.day >= since)
    )


def _compare(order: Hormone, several: Sequence[HandOver], reading: Reading) -> None:
    line = order.entry.lines[0].preparation
    on = max(each.day for each in several)
    when = f"{-on} days before the day of reading" if on else "on the day of reading"
    ordered = in_unit(daily_of(order.entry.lines), line)

    def by_dosages(each: HandOver) -> Sequence[DoseLine]:
        return dose_by_dosages(each, reading)

    if told := _another_dose(order, several, line, by_dosages):
        words = (
            f"The order says {ordered} a day, and what was handed out for it {when} says"
            f" {in_unit(told, line)} a day. Which one is taken?"
        )
        reading.notes.ask(Asked(order.path, words))
    elif counted := _another_dose(order, several, line, _counted):
        words = (
            f"The order says {ordered} a day, and the tablets handed out for it {when} come to"
            f" {in_unit(counted, line)} a day. Is it taken as ordered?"
        )
        reading.notes.confirm(order.path, words)


def _counted(each: HandOver) -> Sequence[DoseLine]:
    counted = dose_by_count(each)
    return (counted,) if counted else ()


def _another_dose(
    order: Hormone,
    several: Sequence[HandOver],
    line: Preparation,
    told_by: Callable[[HandOver], Sequence[DoseLine]],
) -> Fraction | None:
    """What the last hand-overs tell where that is no dose of the order.

    Tablets of several strengths may make up the dose together: all that last, or those of the last
    day. Nothing is told where one of them tells nothing.
    """
    told = [(each.day, told_by(each)) for each in several]
    if any(not lines or any(each.preparation.id != line.id for each in lines) for _, lines in told):
        return None
    on = max(day for day, _ in told)
    last = daily_of(each for day, lines in told if day == on for each in lines)
    together = daily_of(each for _, lines in told for each in lines)
    spans = (span.lines for span in order.entry.spans)
    ordered = {daily_of(lines) for lines in (order.entry.lines, *spans)}
    return None if ordered & {last, together} else last
