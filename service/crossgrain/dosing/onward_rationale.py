"""Why a course goes on as it does: what was taken since day one, what is done, what follows."""

from collections.abc import Iterator
from fractions import Fraction

from crossgrain.dosing.branch_words import name_of
from crossgrain.dosing.branches import Outline
from crossgrain.dosing.case import SwitchCase
from crossgrain.dosing.dose_rationale import taken_now, worth
from crossgrain.dosing.midway import Midway
from crossgrain.dosing.moves_rationale import branches, forecasted, model, on_the_way
from crossgrain.dosing.plan import LabReading, Plan, Statement
from crossgrain.dosing.targets import TargetDose
from crossgrain.dosing.underway import Amounts, Place
from crossgrain.dosing.wording import dose_words
from crossgrain.names.printing import decimal, quantity


def explain_onward(
    mid: Midway, case: SwitchCase, plan: Plan, done: Statement
) -> tuple[Statement, ...]:
    """The rationale of a plan from today on, by its own case; `done` says how the visit ends."""
    return (
        *taken_now(mid.underway.today),
        *_beside(mid),
        *_since_day_one(case, mid.place),
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

    Where nothing is taken it says so: a day without hormone.
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


def _beside(mid: Midway) -> Iterator[Statement]:
    """A mixture that no move leads to, where none runs: what is adjusted of it, and what stays."""
    if not mid.case.beside:
        return
    stays = " and ".join(name_of(mid.case, key) for key in mid.case.beside)
    yield Statement(
        f"What is taken is adjusted as it is, by its levothyroxine; {stays} stays beside it",
        f"no plan runs here that moves from one to the other. Labs that ask for more raise"
        f" levothyroxine alone and leave {stays} as it is; labs that ask for less take {stays}"
        " down first, then levothyroxine",
        (),
        mid.underway.beside_source,
    )


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


# --- what the visit ends with ----------------------------------------------------------------


def _stands(mid: Midway) -> str:
    place = mid.place
    taken = f"{amounts_words(mid.case, place.now)}, taken for {days_words(place.had)}"
    if not place.steps:
        return f"{taken}; no plan runs"
    if place.at < 0:
        return f"{taken}; the plan as filed is yet to begin"
    return f"{taken}, is step {place.at + 1} of {len(place.steps)} of the plan as filed"


def goes_on(mid: Midway, *, freeze_old: bool) -> Statement:
    """Continue."""
    late = mid.place.late
    title = "The plan goes on as it was filed"
    if late:
        title = f"The plan goes on, {days_words(abs(late))} {'later' if late > 0 else 'earlier'}"
    if freeze_old:
        title = "The climb goes on, and what is left of the old medicine stays as it is"
    return Statement(
        title,
        f"{_stands(mid)}. Each step still to come keeps its length; the checkpoint is day one's",
        (),
        mid.case.pace.source,
    )


def holds(mid: Midway, days: int | None, slower: Fraction) -> Statement:
    """Hold."""
    each = "" if slower == 1 else f", each {decimal(slower)} times as long"
    until = "until labs speak of them" if days is None else f"for {days_words(days)}"
    return Statement(
        f"Today's doses stay, every one of them, {until}",
        f"{_stands(mid)}. The steps that are left follow after it{each}",
        (),
        "too fast a climb, or labs that are waited for: hold the step (common practice, no source)",
    )


def slows(mid: Midway) -> Statement:
    """Slow down."""
    onward = mid.case.policy.onward
    return Statement(
        f"The climb slows down: each of its steps is {decimal(onward.slower)} times as long",
        _stands(mid),
        (),
        onward.source,
    )


def steps_back(mid: Midway, back: Amounts) -> Statement:
    """Step back."""
    return Statement(
        f"A step back, to {amounts_words(mid.case, back)}, until the next labs",
        f"{_stands(mid)}. Nothing rises before those labs",
        (),
        "too fast a climb: do not climb (common practice, no source)",
    )


def turns_back(mid: Midway, dose: TargetDose) -> Statement:
    """Turn back."""
    generous = mid.underway.wish.lt4_at_least_most_generous
    why = (
        "T3 ends; LT4 no less than what was taken before is worth on the largest sourced basis"
        if generous
        else "what was taken before day one, as near as tablets come"
    )
    return Statement(
        f"Back to {dose_words(dose)} a day; blood is drawn today",
        f"{_stands(mid)}. {why[:1].upper()}{why[1:]}. LT4 is taken at once; what was not taken"
        " before falls while LT4 builds up, and T3 that rises again does so by increments",
        (),
        "in pregnancy LT4 alone, no less than the largest sourced target (ATA, as summarised)"
        if generous
        else "our judgement",
    )


def cannot_turn(mid: Midway) -> Statement:
    """Turn back, where there is nothing to turn back to."""
    return Statement(
        "Today's doses stay until labs speak of them: tablets in stock make no way back to what was"
        " taken before day one, or it is no regimen that a plan orders",
        f"{_stands(mid)}. The prescriber says what follows",
        (),
        "our judgement",
    )


def branched(mid: Midway, reading: LabReading, way: Outline) -> Statement:
    """The branch that labs lead to."""
    bases = " and ".join(f"“{basis_id}”" for basis_id in way.basis_ids)
    return Statement(
        f"The labs are read as {_READ_AS[reading]}. {way.statement}",
        f"from {amounts_words(mid.case, mid.place.now)}, taken for {days_words(mid.place.had)}, and"
        " from the pools as they are today",
        (),
        f"solved on {bases}",
    )


_READ_AS = {
    LabReading.VERY_HIGH: "far above the limit",
    LabReading.HIGH: "above the limit",
    LabReading.HIGH_FREE_T3: "above the limit, with free T3 above its range",
    LabReading.IN_RANGE: "in range",
    LabReading.SYMPTOMS: "in range, with symptoms",
    LabReading.LOW: "below the limit",
    LabReading.VERY_LOW: "far below the limit, or below it with palpitations or a fast pulse",
}
