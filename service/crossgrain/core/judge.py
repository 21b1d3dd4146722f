"""A draft order in a record, judged as written against what the patient takes."""

from collections.abc import Sequence

from crossgrain.catalogue import Catalogue
from crossgrain.dosing.regimens import Regimen
from crossgrain.reading.record import MedicineEntry, Record, Span
from crossgrain.safety.judgement import Ending, OrderJudgement, judge_order
from crossgrain.safety.order import order_numbers


def judge(
    record: Record, orders: Sequence[MedicineEntry], basis_id: str, catalogue: Catalogue
) -> OrderJudgement:
    """Judge the orders, taken together as one regimen, on every basis.

    Raises
    ------
    DomainError
        where nothing is taken now, or no chart that steers a plan reaches the doses.
    """
    steps = by_date(orders)
    ends = [first for first, _ in steps[1:]]
    before = [
        (float(end - first), dose) for (first, dose), end in zip(steps[:-1], ends, strict=True)
    ]
    numbers = order_numbers(
        record.regimen,
        steps[-1][1],
        catalogue.bases,
        catalogue.kinetics.default,
        float(catalogue.rules.judgement["horizon"].value),
        before,
    )
    return judge_order(numbers, basis_id, ending(record, orders), catalogue.rules)


def by_date(orders: Sequence[MedicineEntry]) -> list[tuple[int, Regimen]]:
    """What is ordered from each day on that a dose begins, in order; at least one.

    A dose that begins later takes the place of one that has ended by then, and is added to
    one that has not.
    """
    spans = [span for order in orders for span in order.by_date]
    begun = [span for span in spans if span.last_day is None or span.last_day >= 0] or spans
    firsts = sorted({max(span.first_day or 0, 0) for span in begun})
    return [
        (
            first,
            Regimen(tuple(line for span in begun if _holds(span, first) for line in span.lines)),
        )
        for first in firsts
    ]


def _holds(span: Span, day: int) -> bool:
    ended = span.last_day is not None and 0 <= span.last_day < day
    return max(span.first_day or 0, 0) <= day and not ended


def ending(record: Record, orders: Sequence[MedicineEntry]) -> Ending:
    """What the record itself says of the medicines that the orders do not carry on."""
    start = min(entry.first_day or 0 for entry in orders)
    ordered = {line.preparation.kind for entry in orders for line in entry.lines}
    replaced = {entry.replaced for entry in orders}
    others = [
        entry
        for entry in record.current
        if entry.reference not in replaced and not entry.kinds <= ordered
    ]
    if all(entry.last_day is not None and entry.last_day <= start for entry in others):
        return Ending.ENDS
    if all(entry.last_day is not None for entry in others):
        return Ending.RUNS
    return Ending.UNKNOWN
