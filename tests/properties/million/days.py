"""What is taken on which day, put together from written orders and from what stands already."""

from itertools import pairwise

from tests.properties.million.answers import (
    Answer,
    Part,
    Span,
    need,
)
from tests.properties.million.reference import (
    Amounts,
    checkpoint,
)
from tests.properties.million.truth import Person

NONE = 0.0
Spans = dict[str, list[Span]]


def series_spans(person: Person, series: Part, decision: int) -> Spans:
    """What is taken on which day until the labs are in: what stands today, then the orders."""
    spans: Spans = {}
    for medicine, amount in person.amounts.items():
        until = {
            series.ends.get(one.reference, decision)
            for one in person.taken
            if one.medicine == medicine
        }
        need(len(until) == 1, "orders of one medicine end on different days")
        (end,) = until
        need(0 <= end <= decision, "an order ends outside the series")
        spans[medicine] = [Span(0, end - 1, amount)] if end else []
    need(series.ends.keys() <= {one.reference for one in person.taken}, "ends what is not taken")
    for medicine in {order.medicine for order in series.orders}:
        spans[medicine] = spans.get(medicine, []) + series.spans(medicine)
    return {medicine: own for medicine, own in spans.items() if own}


STANDING_DAYS = 1000
"""How long an order that no task ends is followed here: beyond every option."""


def option_spans(part: Part, held: Amounts, standing: dict[str, str], decision: int) -> Spans:
    spans = {m: part.spans(m) for m in {order.medicine for order in part.orders}}
    for medicine, reference in standing.items():
        end = part.ends.get(reference)
        last = decision + STANDING_DAYS if end is None else end - 1
        if last >= decision and medicine in held:
            goes_on = Span(decision, last, held[medicine])
            spans[medicine] = [goes_on, *spans.get(medicine, [])]
    return {medicine: own for medicine, own in spans.items() if own}


def standing_orders(person: Person, answer: Answer) -> dict[str, str]:
    """The medicines whose own order outlasts the series, with its reference."""
    ended = answer.series.ends
    return {one.medicine: one.reference for one in person.taken if one.reference not in ended}


def targets(person: Person) -> set[str]:
    """The medicines of the target."""
    own, _ = checkpoint(person.wish, person.chart, person.amounts)
    return set(own)


def check_orders(part: Part) -> None:
    for order in part.orders:
        need(order.each > 0 and order.each % 0.5 == 0, "a piece that no tablet makes")
        need(order.times in (1, 2), "neither once nor twice a day")
    on_a_day: dict[tuple[str, float, int], set[int]] = {}
    for order in part.orders:
        product = order.medicine, order.strength, order.first
        on_a_day.setdefault(product, set()).add(order.request)
    need(all(len(requests) == 1 for requests in on_a_day.values()), "one product twice on one day")


def check_days(person: Person, spans: Spans, decision: int) -> None:
    for medicine, own in spans.items():
        need(own[0].first == 0 or medicine not in person.amounts, "a gap after the old order")
        need(own[0].first >= 0, "an order before day one")
        for one, after in pairwise(own):
            need(after.first == one.last + 1, f"a gap or an overlap in {medicine}")
        need(own[-1].last < decision, "an order beyond the decision")
    new = targets(person)
    for medicine in new:
        need(medicine in spans, f"no {medicine} is ordered")
        need(spans[medicine][-1].last == decision - 1, f"{medicine} ends before the decision")
    need(set(spans) <= new | person.amounts.keys(), "a medicine from nowhere")
    for medicine in person.amounts.keys() - new:
        for one, after in pairwise(spans.get(medicine, [])):
            need(after.amount <= one.amount, f"the old {medicine} rises")
