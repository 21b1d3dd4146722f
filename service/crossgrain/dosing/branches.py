"""After the checkpoint: what to do when TSH is high, in range, or low.

Each branch is solved on its own, against the basis that such labs support, from the pools as
they stand at the end of the hold.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import log

from crossgrain.dosing.case import Case, Enabled
from crossgrain.dosing.climb import Slot, old_may_change, rising_amounts
from crossgrain.dosing.daydose import day_dose
from crossgrain.dosing.forecast import course, steady_day
from crossgrain.dosing.kinetics import Pools
from crossgrain.dosing.moves import (
    Medicine,
    amounts_of,
    as_dose,
    next_down,
    next_up,
    round_down,
    step,
)
from crossgrain.dosing.plan import Branch, LabDraw, Reading, Rung, Stage, Step
from crossgrain.dosing.prior import old_doses, taper_problem, tapered
from crossgrain.dosing.taper import TIE
from crossgrain.dosing.wording import off_ratio

DRAW = "TSH, free T4 and free T3, drawn before that morning's dose"


@dataclass(frozen=True, slots=True)
class Hold:
    """Where the patient stands when the labs come back.

    Attributes
    ----------
    decision_day : first day of a branch
    pools : as modelled on that day
    kept : daily amounts of the target's medicines, by preparation id
    remainder : daily amounts of what is left of the old medicine, by preparation id
    checkpoint : the target's daily amounts at the checkpoint, by preparation id: less than
        `kept` where a medicine in both regimens has not come all the way down
    as_taken : medicines still taken just as before the plan
    """

    decision_day: int
    pools: Pools
    kept: Mapping[str, Fraction]
    remainder: Mapping[str, Fraction]
    checkpoint: Mapping[str, Fraction]
    as_taken: frozenset[str]


def branches(case: Case, hold: Hold, ladder: Sequence[Rung]) -> tuple[Branch, ...]:
    """The three branches, TSH high first."""
    return (_high(case, hold, ladder), _in_range(case, hold), _low(case, hold))


def _coverage(case: Case, hold: Hold, enabled: Enabled) -> float:
    return enabled.coverage(case.intake({**hold.kept, **hold.remainder}))


def _high(case: Case, hold: Hold, ladder: Sequence[Rung]) -> Branch:
    """On to the next basis' target above this dose, or one increment where there is none.

    A high TSH contradicts the bases on which coverage is full already; the next one along
    the climb is what it supports.
    """
    by_id = {enabled.basis.id: enabled for enabled in case.enabled}
    along = [by_id[rung.basis_id] for rung in ladder]
    short = [enabled for enabled in along if _coverage(case, hold, enabled) < 1]
    supported = short[0] if short else along[-1]
    targets = (_toward(case, hold, rung) for rung in ladder)
    goals = next((g for g in targets if any(g[key] > hold.kept[key] for key in g)), None)
    onward = "to the next basis' target" if goals else "by one increment"
    if short:
        words = (
            f"TSH above range: the dose is short, as the basis “{supported.basis.id}” says. Go on"
            f" {onward}, then repeat the labs."
        )
    else:
        words = (
            "TSH above range although every basis in use calls this dose enough: check adherence"
            f" and absorption, then go up {onward} and repeat the labs."
        )
    goals = goals or _one_up(case, hold)
    return _branch(case, hold, Reading.HIGH, supported, goals, words)


def _toward(case: Case, hold: Hold, rung: Rung) -> dict[str, Fraction]:
    """The rung's doses, none lower than now, LT4 by no more than one raise."""
    goals, excess = dict(hold.kept), _excess(case, hold)
    for preparation, amount in amounts_of(rung.on_grid, case.products):
        now = hold.kept[preparation.id]
        if not preparation.carries_t3 and amount > now + case.policy.lt4_raise_ug:
            raised = now + case.policy.lt4_raise_ug
            amount = round_down(preparation, step(preparation, case.pace), raised)  # noqa: PLW2901
        goals[preparation.id] = amount if preparation.id in excess else max(now, amount)
    return goals


def _excess(case: Case, hold: Hold) -> dict[str, Fraction]:
    """What is still taken above the checkpoint of the target's lesser medicine."""
    return {
        key: hold.kept[key] - hold.checkpoint[key]
        for key in case.target_ids[1:]
        if hold.kept[key] > hold.checkpoint[key]
    }


def _one_up(case: Case, hold: Hold) -> dict[str, Fraction]:
    main = case.target_ids[0]
    preparation = case.preparations[main]
    return {
        **hold.kept,
        main: next_up(preparation, step(preparation, case.pace), hold.kept[main]),
    }


def _in_range(case: Case, hold: Hold) -> Branch:
    """Stay; give what is left of the old medicine a dated end at equal coverage."""
    supported = min(case.enabled, key=lambda enabled: abs(log(_coverage(case, hold, enabled))))
    excess = _excess(case, hold)
    if not any(hold.remainder.values()) and not excess:
        words = "TSH in range: stay on this dose; then the maintenance labs."
        return _branch(case, hold, Reading.IN_RANGE, supported, dict(hold.kept), words)
    words = (
        "TSH in range: stay at this level. What is left of the old medicine ends, and the new one"
        f" makes up for it at equal coverage on the basis “{supported.basis.id}”, which these labs"
        " support best; then repeat the labs."
    )
    goals = _equal_coverage(case, hold, supported, excess)
    return _branch(case, hold, Reading.IN_RANGE, supported, goals, words)


def _equal_coverage(
    case: Case, hold: Hold, supported: Enabled, excess: Mapping[str, Fraction]
) -> dict[str, Fraction]:
    """The target's main medicine raised to the increment nearest to what is to end is worth."""
    settled = {**hold.kept, **{key: hold.checkpoint[key] for key in excess}}
    main = case.target_ids[0]
    preparation = case.preparations[main]
    increment = step(preparation, case.pace)
    missing = supported.coverage(case.intake({**hold.remainder, **excess}))
    per_increment = supported.coverage(case.intake({main: increment}))
    now = hold.kept[main]
    wanted = int(float(now / increment) + missing / per_increment + 0.5)
    for multiple in range(wanted, int(now / increment), -1):
        if day_dose(preparation, multiple * increment):
            return {**settled, main: multiple * increment}
    return settled


def _low(case: Case, hold: Hold) -> Branch:
    """Step back: less of what carries the new T3, or of LT4 where nothing does."""
    supported = max(case.enabled, key=lambda enabled: _coverage(case, hold, enabled))
    words = (
        "TSH below range, or palpitations, jitteriness or a racing heart: do not climb. Step back"
        " and repeat the labs; urgent symptoms are the prescriber's at once."
    )
    goals = _step_back(case, hold)
    if not any((*goals.values(), *hold.remainder.values())):
        goals = dict(hold.kept)
        words += " No smaller dose can be ordered: the prescriber says which days to leave out."
    return _branch(case, hold, Reading.LOW, supported, goals, words)


def _step_back(case: Case, hold: Hold) -> dict[str, Fraction]:
    """One increment less of the last target medicine in the order of the climb."""
    climbing = [key for key in case.target_ids if case.preparations[key].carries_t3]
    key = climbing[-1] if climbing else case.target_ids[0]
    preparation = case.preparations[key]
    lower = next_down(preparation, step(preparation, case.pace), hold.kept[key])
    return {**hold.kept, key: lower}


def _branch(
    case: Case,
    hold: Hold,
    reading: Reading,
    supported: Enabled,
    goals: dict[str, Fraction],
    words: str,
) -> Branch:
    unchanged = goals == dict(hold.kept) and not any(hold.remainder.values())
    settled = unchanged and reading is Reading.IN_RANGE
    ending = _ending(case, hold, goals, reading)
    tapering = {medicine.preparation.id for medicine in ending}
    goals = {key: goal for key, goal in goals.items() if key not in tapering}
    slots = _slots(case, hold, goals, settled)
    old = old_doses(ending)
    last = _open_at_the_end(case, hold, reading, supported, slots[-1].amounts, old.choices, ending)
    weights = (supported.per_pool,)
    problem = taper_problem(case.kinetics, hold.pools, slots, case.preparations, old, weights, last)
    taken = tapered(problem, old)
    steps = case.steps(slots, taken, [Stage.BRANCH] * len(slots), hold.as_taken)
    followed = course(case.kinetics, hold.pools, case.periods(slots, taken))
    steady = hold.decision_day + steady_day(followed, case.old_intake, case.policy.steady_within)
    return Branch(
        reading=reading,
        basis_id=supported.basis.id,
        statement=words + off_ratio(as_dose({**slots[-1].amounts, **taken[-1]}, case.products)),
        steps=steps,
        labs=_labs(case, hold, steps, steady),
    )


def _ending(
    case: Case, hold: Hold, goals: Mapping[str, Fraction], reading: Reading
) -> list[Medicine]:
    """What tapers in a branch: the old medicine's remainder, and a target medicine that is to
    come down. After a low TSH the latter steps back at once."""
    falling = {key: (amount, Fraction(0)) for key, amount in hold.remainder.items() if amount}
    if reading is not Reading.LOW:
        falling |= {key: (hold.kept[key], g) for key, g in goals.items() if g < hold.kept[key]}
    return [
        Medicine(case.preparations[key], now, goal, case.preparations[key].increment)
        for key, (now, goal) in falling.items()
    ]


def _open_at_the_end(
    case: Case,
    hold: Hold,
    reading: Reading,
    supported: Enabled,
    new: Mapping[str, Fraction],
    choices: Sequence[tuple[Fraction, ...]],
    ending: Sequence[Medicine],
) -> frozenset[int]:
    """What may be left of the old medicine: nothing after labs in range; after a high TSH no
    less than makes the whole dose larger than before; after a low one, anything lower."""
    if reading is Reading.IN_RANGE:
        return frozenset({len(choices) - 1})
    if reading is Reading.LOW:
        return frozenset(range(len(choices)))
    before = _coverage(case, hold, supported)

    def after(choice: tuple[Fraction, ...]) -> float:
        left = {m.preparation.id: a for m, a in zip(ending, choice, strict=True)}
        return supported.coverage(case.intake({**new, **left}))

    return frozenset(i for i, choice in enumerate(choices) if after(choice) > before + TIE)


def _slots(
    case: Case, hold: Hold, goals: Mapping[str, Fraction], settled: bool
) -> tuple[Slot, ...]:
    """The target's medicines in the branch: T3 climbs by increments, all else at once."""
    amounts = {
        key: hold.kept[key] if case.preparations[key].carries_t3 and goal > hold.kept[key] else goal
        for key, goal in goals.items()
    }
    ceiling = case.t3_ug({**hold.kept, **hold.remainder})
    reached: list[tuple[dict[str, Fraction], Fraction]] = []
    for key, goal in goals.items():
        if amounts[key] < goal:
            preparation = case.preparations[key]
            rising = Medicine(preparation, amounts[key], goal, step(preparation, case.pace))
            for dose in rising_amounts(rising):
                ceiling += preparation.t3_ug(dose - amounts[key])
                amounts = {**amounts, key: dose}
                reached.append((amounts, ceiling))
    reached = reached or [(amounts, ceiling)]
    wait = case.policy.maintenance_days[0] if settled else case.wait_days
    final = len(reached) - 1
    return tuple(
        Slot(
            hold.decision_day + number * case.pace.interval_days,
            wait + case.policy.results_days if number == final else case.pace.interval_days,
            doses,
            most_t3,
            old_may_change(number, len(reached)),
        )
        for number, (doses, most_t3) in enumerate(reached)
    )


def _labs(case: Case, hold: Hold, steps: Sequence[Step], steady: int) -> tuple[LabDraw, ...]:
    """Bloods once the branch's last dose has settled, then maintenance."""
    first, *later = case.policy.maintenance_days
    if steps[-1].days > first:  # nothing changed, so nothing needs to settle
        due = hold.decision_day + first
        days = tuple(due + day - first for day in later)
        return (LabDraw(due, "maintenance", DRAW, steady, days),)
    stable = steps[-1].first_day + case.wait_days
    words = DRAW if steady <= stable else f"{DRAW}; the model calls day {steady} steady, not before"
    days = tuple(stable + day for day in later)
    return (
        LabDraw(stable, "after-branch", words, steady),
        LabDraw(stable + first, "maintenance", DRAW, steady, days),
    )
