"""Why a course goes on as it does: what was taken since day one, what is done, what follows."""

from collections.abc import Iterator

from crossgrain.dosing.case import SwitchCase
from crossgrain.dosing.plan import Plan, Statement
from crossgrain.dosing.rationale import (
    branches,
    forecasted,
    model,
    on_the_way,
    taken_now,
    worth,
)
from crossgrain.dosing.regimens import Regimen
from crossgrain.dosing.underway import Amounts, Place
from crossgrain.dosing.wording import dose_words
from crossgrain.names.printing import quantity


def explain_onward(
    case: SwitchCase, plan: Plan, today: Regimen, place: Place, done: Statement
) -> tuple[Statement, ...]:
    """The rationale of a plan from today on; `done` says what the visit ends with."""
    return (
        *taken_now(today),
        *_since_day_one(case, place),
        *worth(case, plan),
        done,
        _next_labs(case, plan),
        forecasted(case, plan.forecasts[0]),
        *branches(plan),
        *on_the_way(case, plan),
        model(case),
    )


def amounts_words(case: SwitchCase, amounts: Amounts) -> str:
    """Daily amounts, each with its medicine.

    A day on which nothing is taken is one without hormone.
    """
    named = (
        f"{case.preparations[key].name.partition(',')[0]}"
        f" {quantity(amount, case.preparations[key].unit)}"
        for key, amount in sorted(amounts.items())
        if amount
    )
    return " + ".join(named) or "no hormone"


def days_words(days: int) -> str:
    """So many days.

    >>> days_words(1), days_words(14)
    ('1 day', '14 days')
    """
    return f"{days} day{'' if days == 1 else 's'}"


def _since_day_one(case: SwitchCase, place: Place) -> Iterator[Statement]:
    if not place.past:
        return
    before = " + ".join(
        f"{line.preparation.name} {quantity(line.daily, line.preparation.unit)}"
        for line in case.regimen
    )
    taken = "; ".join(
        f"{days_words(spell.days)} on {amounts_words(case, spell.amounts)}" for spell in place.past
    )
    yield Statement(
        f"Before day one, {days_words(int(case.since_day_one))} ago: {before} a day. Coverage is"
        " measured against it",
        f"taken since then, as the record tells: {taken}. The pools are run forward over that, not"
        " over what was planned",
        tuple(line.origin for line in case.regimen if line.origin),
        "the record",
    )


def _next_labs(case: SwitchCase, plan: Plan) -> Statement:
    checkpoint = plan.checkpoint
    return Statement(
        f"The next labs decide: day {checkpoint.lab_day}, at {dose_words(checkpoint.held)} a day;"
        f" a decision from day {checkpoint.decision_day}",
        f"labs speak of a dose after {case.wait_days} days on it; the model calls the pools steady"
        f" from day {plan.forecasts[0].steady_day}. No dose past it without a TSH in between",
        (),
        case.policy.labs_source,
    )
