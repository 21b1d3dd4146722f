"""What must hold of the answer to a record whose truth is known."""

from fractions import Fraction
from itertools import pairwise

from tests.properties.million.answers import (
    Answer,
    Span,
    amounts_of,
    change_days,
    need,
    values,
)
from tests.properties.million.days import (
    NONE,
    STANDING_DAYS,
    Spans,
    check_days,
    check_orders,
    option_spans,
    series_spans,
    standing_orders,
    targets,
)
from tests.properties.million.reference import (
    CHARTS,
    EXACT,
    INCREMENT,
    INTERVAL_DAYS,
    LAB_WAIT_DAYS,
    LT3,
    LT4,
    MOST_LT4_UG,
    MOST_MG,
    MOST_T3_UG,
    T3_UG,
    Amounts,
    checkpoint,
    lt4_equivalent,
    t3_ug,
)
from tests.properties.million.said import check_charts, check_forecasts
from tests.properties.million.truth import Person


def outcome(answer: Answer) -> str:
    """How an answer ends: ``plan``, ``stop`` or ``asked``."""
    if answer.guidance["status"] == "data-required":
        return "asked"
    return "plan" if "result" in answer.guidance else "stop"


def check(person: Person, answer: Answer) -> str:
    """Hold an answer to its person; how it ends."""
    ends = outcome(answer)
    need(person.fate != "refused", "what is no FHIR is answered")
    need((ends == "asked") == (person.fate == "asked"), f"{ends} where it must be {person.fate}")
    if ends == "asked":
        need(
            not answer.all("MedicationRequest", "CarePlan", "ServiceRequest"), "a dose all the same"
        )
        return ends
    severities = set(answer.issues.values())
    stops = person.stops()
    need((ends == "stop") == bool(stops), f"{ends} where {stops or 'nothing'} stands against it")
    need((ends == "stop") == ("high" in severities), "a stop without its finding, or the reverse")
    unsaid = {*stops, *person.holds()} - answer.issues.keys()
    need(not unsaid, f"not said: {', '.join(sorted(unsaid))}")
    if ends == "stop":
        need(not answer.all("MedicationRequest", "CarePlan", "Task"), "a stop comes with doses")
        return ends
    check_plan(person, answer)
    return ends


def check_plan(person: Person, answer: Answer) -> None:
    """Every invariant of a plan, from its written orders alone."""
    working = answer.working
    own, _ = checkpoint(person.wish, person.chart, person.amounts)
    check_charts(person, working["basis"])
    pace = working["planned-pace"][0]["valueCode"]
    prior = working["planned-prior-therapy"][0]["valueCode"]
    need(pace == ("cautious" if person.cautious else person.pace), "another pace than it must be")
    need(prior == ("overlap" if person.cautious else person.prior_therapy), "another mode")
    stated = dict(values(working["checkpoint"][0]))
    decision, labs = answer.day(stated["decision-on"]), answer.day(stated["labs-on"])
    series = answer.series
    spans = series_spans(person, series, decision)
    check_orders(series)
    check_days(person, spans, decision)
    _check_climb(person, spans, pace, decision)
    if person.wish.target == COMBINATION:
        _check_ratio(person, amounts_of(spans, decision - 1))
    elif not (person.pregnant or "pregnant" in person.conditions):
        _check_checkpoint(person, spans, own, decision)
    if prior == "stop":
        need(set(spans) <= targets(person), "stopped later than on day one")
    _check_labs(answer, spans, labs, decision)
    _check_options(person, answer, spans, decision)
    check_forecasts(answer, working["forecast"])


def check_refusal(person: Person, reason: str) -> None:
    """Whether the service may decline."""
    need((reason == "unreadable") == (person.fate == "refused"), f"refused as {reason}")
    if reason.startswith("nothing-to-do"):
        need(set(person.amounts) == targets(person), "there is something to do")
    if reason == "out-of-range ratio":
        need(person.wish.target == COMBINATION, "a ratio is asked of what has none")
        small = min(lt4_equivalent(chart, person.amounts) for chart in CHARTS)
        need(small < SURELY_LARGE_ENOUGH_UG, "it is large enough for a combination")


def _check_climb(person: Person, spans: Spans, pace: str, decision: int) -> None:
    """T3 rises by an increment at a time, and no sooner than the pace allows."""
    largest = max(T3_UG[m] * INCREMENT[m] for m in targets(person))
    before, rises = t3_ug(person.amounts), []
    for day in change_days(spans):
        if day >= decision:
            break
        now = t3_ug(amounts_of(spans, day))
        need(now - before <= largest + EXACT, "T3 rises by more than an increment")
        if now > before + EXACT:
            rises.append(day)
        need(now <= t3_ug(person.amounts) + len(rises) * largest + EXACT, "T3 climbs too far")
        before = now
    new_t3 = [m for m in targets(person) if T3_UG[m]]
    raised = sorted(
        after.first
        for medicine in new_t3
        for one, after in pairwise([Span(-1, -1, NONE), *spans[medicine]])
        if after.amount > one.amount and after.first > 0
    )
    for one_day, next_day in pairwise(raised):
        need(next_day - one_day >= INTERVAL_DAYS[pace], "it climbs faster than its pace")
    need(not raised or raised[0] >= INTERVAL_DAYS[pace], "it climbs sooner than its pace")


def _check_checkpoint(person: Person, spans: Spans, smallest: Amounts, decision: int) -> None:
    """No new dose passes the smallest target of all before the labs."""
    held = amounts_of(spans, decision - 1)
    for medicine, target in smallest.items():
        limit = max(target, INCREMENT[medicine], person.amounts.get(medicine, NONE))
        for span in spans[medicine]:
            need(span.amount <= limit + EXACT, f"{medicine} passes the checkpoint before the labs")
        low = person.tsh is not None and person.tsh < TSH_LOW
        least = target * (LEAST_NEEDED if low else 1) - 2 * INCREMENT[medicine]
        if person.amounts.get(medicine, NONE) <= least:
            need(held[medicine] > least, f"{medicine} stays short of it")


TSH_LOW = Fraction("0.5")
"""No laboratory's lower limit is above it; below it less than today's dose may be needed."""
LEAST_NEEDED = 0.8
"""Of today's dose, at a suppressed TSH: our judgement."""
COMBINATION = "levothyroxine-liothyronine"
SURELY_LARGE_ENOUGH_UG = 190
"""Of LT4: from here on tablets of 5 µg of LT3 make a combination near any dose, or four fifths of
it where today's TSH says that so much is needed."""


def _check_ratio(person: Person, held: Amounts) -> None:
    """LT4 to LT3 at 13:1 to 20:1 (ETA 2012); what T3 is still tapering may be more."""
    lt4, lt3 = held.get(LT4, NONE), held.get(LT3, NONE)
    need(lt4 <= 20 * lt3 + EXACT, "less T3 than the ratio holds")
    if not person.amounts.get(LT3, NONE):
        need(lt4 >= 13 * lt3 - EXACT, "more T3 than the ratio holds")


def _check_limits(answer: Answer, taken: Amounts) -> None:
    """What is above a labelled maximum is never proposed without a hold."""
    issues = answer.issues
    over = {
        "lt4-above-300": taken.get(LT4, NONE) > MOST_LT4_UG,
        "t3-above-75": t3_ug(taken) > MOST_T3_UG + EXACT,
        "desiccated-above-usual": any(taken.get(m, NONE) > most for m, most in MOST_MG.items()),
    }
    for code, beyond in over.items():
        need(not beyond or issues.get(code) == "moderate", f"{code} is not said")


def _check_labs(answer: Answer, spans: Spans, labs: int, decision: int) -> None:
    last_change = max(
        (day for day in change_days(spans) if day < decision),
        default=0,
    )
    need(labs >= last_change + LAB_WAIT_DAYS, "blood is drawn before six weeks at one dose")
    need(labs < decision, "it is decided before blood is drawn")
    need(labs in answer.lab_days("proposal"), "no order for the labs")  # a recent baseline stands
    for day in change_days(spans):
        if day < decision:
            _check_limits(answer, amounts_of(spans, day))


LABEL_ADDS = Fraction("12.5")
"""Micrograms of LT4 at a time at the least: US label, 12.5-25 (secondary)."""


def _check_options(person: Person, answer: Answer, spans: Spans, decision: int) -> None:
    held = amounts_of(spans, decision - 1)
    standing = standing_orders(person, answer)
    ends = []
    *raises, _in_range, _symptoms, low, very_low = answer.options
    need(len(raises) in {2, 3}, "not two raises, or three where T3 may not rise")
    for part in answer.options:
        check_orders(part)
        own = option_spans(part, held, standing, decision)
        _check_option(own, held, decision, falls=part in (low, very_low))
        for day in change_days(own):
            _check_limits(answer, amounts_of(own, day))
        ends.append(amounts_of(own, _last_ordered(own, decision)))
    *raised, stays, still, less, least = ends
    need(still == held, "symptoms change a dose")
    for end in raised:
        need(all(end.get(m, NONE) >= a for m, a in held.items()), "a raise lowers a medicine")
        enough = end == held or _more_on_every_chart(end, stays) or _stays_by_label(held, stays)
        need(enough, "a raise is no more than in range")
    need(not _more_on_every_chart(least, less), "the larger step back is the smaller")


def _check_option(own: Spans, held: Amounts, decision: int, *, falls: bool) -> None:
    need(bool(own), "an option in which nothing is taken")
    for medicine, spread in own.items():
        need(spread[0].first >= decision, "an order before the decision")
        for one, after in pairwise(spread):
            need(after.first == one.last + 1, "a gap or an overlap in an option")
        for span in spread:
            need(not falls or span.amount <= held.get(medicine, NONE), f"{medicine} rises")


def _last_ordered(own: Spans, decision: int) -> int:
    """The last day of an option; an order that stands from before it has none."""
    lasts = [spread[-1].last for spread in own.values()]
    return max((last for last in lasts if last < decision + STANDING_DAYS), default=decision)


def _stays_by_label(held: Amounts, stays: Amounts) -> bool:
    """Whether LT4 would have to rise by more than is always to be had within its label's 25 µg."""
    lt4 = held.get(LT4, NONE)
    return lt4 > 0 and not _more_on_every_chart({**held, LT4: lt4 + LABEL_ADDS}, stays)


def _more_on_every_chart(one: Amounts, other: Amounts) -> bool:
    return all(
        lt4_equivalent(chart, one) > lt4_equivalent(chart, other) + EXACT for chart in CHARTS
    )
