"""What must hold of the answer to a record whose truth is known."""

from collections.abc import Iterable
from fractions import Fraction
from itertools import pairwise

from tests.properties.million.answers import (
    Answer,
    Part,
    Span,
    amounts_of,
    change_days,
    need,
    values,
)
from tests.properties.million.people import Person
from tests.properties.million.reference import (
    CHARTS,
    D60,
    D65,
    EXACT,
    FIXED,
    GRAIN_MG,
    INCREMENT,
    INTERVAL_DAYS,
    LAB_WAIT_DAYS,
    LARGEST_LT4_RAISE_UG,
    LT3,
    LT4,
    MOST_LT4_UG,
    MOST_MG,
    MOST_T3_UG,
    T3_UG,
    Amounts,
    checkpoint,
    grains,
    lt4_equivalent,
    t3_ug,
    target_on,
)

from crossgrain.dosing.plan import Step
from crossgrain.fhir.proposal import Proposal

NONE = 0.0
Spans = dict[str, list[Span]]


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
    _check_charts(person, working["basis"])
    pace = working["planned-pace"][0]["valueCode"]
    prior = working["planned-prior-therapy"][0]["valueCode"]
    need(pace == ("cautious" if person.cautious else person.pace), "another pace than it must be")
    need(prior == ("overlap" if person.cautious else person.prior_therapy), "another mode")
    stated = dict(values(working["checkpoint"][0]))
    decision, labs = answer.day(stated["decision-on"]), answer.day(stated["labs-on"])
    series = answer.series
    spans = series_spans(person, series, decision)
    _check_orders(series)
    _check_days(person, spans, decision)
    _check_climb(person, spans, pace, decision)
    if not (person.pregnant or "pregnant" in person.conditions):
        _check_checkpoint(person, spans, own, decision)
    if prior == "stop":
        need(set(spans) <= targets(person), "stopped later than on day one")
    _check_labs(answer, spans, labs, decision)
    _check_options(person, answer, spans, decision)
    _check_forecasts(answer, working["forecast"])


def check_refusal(person: Person, reason: str) -> None:
    """Whether the service may decline."""
    need((reason == "unreadable") == (person.fate == "refused"), f"refused as {reason}")
    if reason.startswith("nothing-to-do"):
        need(set(person.amounts) == targets(person), "there is something to do")


# --- the days ----------------------------------------------------------------------------------


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


def _check_orders(part: Part) -> None:
    for order in part.orders:
        need(order.each > 0 and order.each % 0.5 == 0, "a piece that no tablet makes")
        need(order.times in (1, 2), "neither once nor twice a day")
        needed = order.each * order.times * (order.last - order.first + 1)
        need(needed <= order.handed_out < needed + 1, "supply does not fit the days")
    strengths = {(order.medicine, order.strength, order.first) for order in part.orders}
    need(len(strengths) == len(part.orders), "one product twice on one day")


def _check_days(person: Person, spans: Spans, decision: int) -> None:
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


def targets(person: Person) -> set[str]:
    """The medicines of the target."""
    own, _ = checkpoint(person.wish, person.chart, person.amounts)
    return set(own)


# --- the climb and its limits ------------------------------------------------------------------


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
        if person.amounts.get(medicine, NONE) <= target - 2 * INCREMENT[medicine]:
            need(held[medicine] > target - 2 * INCREMENT[medicine], f"{medicine} stays short of it")


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
    need({0, labs} <= answer.lab_days("proposal"), "no order for the labs")
    for day in change_days(spans):
        if day < decision:
            _check_limits(answer, amounts_of(spans, day))


# --- after the labs ----------------------------------------------------------------------------


def _check_options(person: Person, answer: Answer, spans: Spans, decision: int) -> None:
    held = amounts_of(spans, decision - 1)
    high, in_range, low = answer.options
    standing = _standing(person, answer)
    for name, part in (("high", high), ("in range", in_range), ("low", low)):
        _check_orders(part)
        own = _option_spans(part, held, standing, decision)
        for medicine, spread in own.items():
            need(spread[0].first >= decision, f"{name}: an order before the decision")
            for one, after in pairwise(spread):
                need(after.first == one.last + 1, f"{name}: a gap or an overlap")
            before = held.get(medicine, NONE)
            for span in spread:
                if name == "low":
                    need(span.amount <= before, f"{name}: {medicine} rises")
                if medicine == LT4 and name == "high":
                    rise = span.amount - before
                    need(rise <= LARGEST_LT4_RAISE_UG, f"{name}: LT4 rises at once")
        need(bool(own), f"{name}: nothing is taken")
        for day in change_days(own):
            _check_limits(answer, amounts_of(own, day))


def _option_spans(part: Part, held: Amounts, standing: dict[str, str], decision: int) -> Spans:
    spans = {m: part.spans(m) for m in {order.medicine for order in part.orders}}
    for medicine, reference in standing.items():
        end = part.ends.get(reference)
        last = decision + 1000 if end is None else end - 1
        if last >= decision and medicine in held:
            goes_on = Span(decision, last, held[medicine])
            spans[medicine] = [goes_on, *spans.get(medicine, [])]
    return {medicine: own for medicine, own in spans.items() if own}


# --- the plan behind the orders -----------------------------------------------------------------

PREPARATIONS = {
    "levothyroxine": LT4, "liothyronine": LT3, "desiccated-thyroid-60": D60,
    "desiccated-thyroid-65": D65, "fixed-ratio-4-1": FIXED,
}  # fmt: skip


def check_against(person: Person, proposal: Proposal, answer: Answer) -> None:
    """The record was read as it was meant, and the orders add up to the steps of the plan."""
    read: dict[str, Fraction] = {}
    for line in proposal.record.regimen:
        medicine = PREPARATIONS[line.preparation.id]
        read[medicine] = read.get(medicine, Fraction(0)) + line.daily
    meant: dict[str, Fraction] = {}
    for one in person.taken:
        meant[one.medicine] = meant.get(one.medicine, Fraction(0)) + one.daily
    need(read == meant, "another dose was read than is written")
    plan = proposal.plan
    if plan is None:
        return
    decision = plan.checkpoint.decision_day
    spans = series_spans(person, answer.series, decision)
    _check_steps(plan.steps, spans)
    held = amounts_of(spans, decision - 1)
    standing = _standing(person, answer)
    for branch, part in zip(plan.checkpoint.branches, answer.options, strict=True):
        _check_steps(branch.steps, _option_spans(part, held, standing, decision))


def _check_steps(steps: Iterable[Step], spans: Spans) -> None:
    for step in steps:
        planned = {PREPARATIONS[line.preparation.id]: float(line.amount) for line in step.lines}
        for day in (step.first_day, step.last_day):
            need(amounts_of(spans, day) == planned, "the orders of a day are not the plan's doses")


def _standing(person: Person, answer: Answer) -> dict[str, str]:
    """The medicines whose own order outlasts the series, with its reference."""
    ended = answer.series.ends
    return {one.medicine: one.reference for one in person.taken if one.reference not in ended}


# --- what is said of the forecast ---------------------------------------------------------------


def _check_forecasts(answer: Answer, forecasts: list[dict[str, object]]) -> None:
    """An overlap never runs lower than a stop, and what runs too low or high is held."""
    lowest: dict[str, dict[str, float]] = {}
    for forecast in forecasts:
        told = list(values(forecast))
        mode = next(value for name, value in told if name == "prior-therapy")
        covered = [dict(values(value)) for name, value in told if name == "coverage"]
        lowest[mode] = {row["basis"]: row["lowest"] for row in covered}
        if dict(told)["chosen"]:
            exposure = dict(values(dict(told)["t3-exposure"]))["highest"]
            _guard(answer, "coverage-low", 0.7 - min(lowest[mode].values()))
            _guard(answer, "t3-exposure-high", exposure - 1.5)
    for chart, value in lowest["overlap"].items():
        need(value >= lowest["stop"][chart], "an overlap runs lower than a stop")


def _guard(answer: Answer, code: str, beyond: float) -> None:
    """What is beyond a limit is said, what is not is not; the digit that is shown may hide it."""
    if abs(beyond) > 0.001:
        need((code in answer.issues) == (beyond > 0), f"{code} is wrongly said or unsaid")


# --- what is said of the charts ----------------------------------------------------------------


def _check_charts(person: Person, rows: list[dict[str, object]]) -> None:
    """Each chart's worth and target, to the digits that are shown."""
    said = {row["id"]: row for row in map(dict, map(values, rows))}
    for chart in CHARTS:
        row, worth = said[chart], lt4_equivalent(chart, person.amounts)
        aim = target_on(chart, person.wish, worth)
        own_grains = grains({m: a for m, a in aim.items() if m in GRAIN_MG})
        near(row["lt4-equivalent"]["value"], worth, 0.05, f"{chart}: another worth")
        near(_shown(row, "lt4"), aim.get(LT4, NONE), 0.05, f"{chart}: another dose of LT4")
        near(_shown(row, "lt3"), aim.get(LT3, NONE), 0.05, f"{chart}: another dose of LT3")
        near(row.get("grains", NONE), own_grains, 0.0005, f"{chart}: other grains")


def _shown(row: dict[str, object], name: str) -> float:
    return float(row[name]["value"]) if name in row else NONE


def near(shown: float, own: float, half_a_digit: float, what: str) -> None:
    """Refuse a number that is not ours, rounded."""
    need(abs(shown - own) <= half_a_digit + EXACT, what)
