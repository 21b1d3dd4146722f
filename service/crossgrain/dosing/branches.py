"""After the checkpoint: what to do when TSH is high, in range, or low.

Each branch is solved on its own, against the basis that such labs support, from the pools as
they stand at the end of the hold. The order is the same in all three: which basis the labs speak
for; the goals of the target's medicines on it; what is left of the old medicine, tapered beside
them by the search that the climb used, with what the labs allow to be left at the end; then the
days of the draws. What the labs say comes before any weight of risk: the branch of a high TSH may
not come out below today's dose, that of a low one may not rise.
"""

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from math import log

from crossgrain.dosing.case import Enabled, SwitchCase
from crossgrain.dosing.climb import Slot, old_may_change, reachable
from crossgrain.dosing.combination import settled_pair
from crossgrain.dosing.draws import branch_draws
from crossgrain.dosing.forecast import course, steady_day
from crossgrain.dosing.kinetics import Pools
from crossgrain.dosing.kits import Kit
from crossgrain.dosing.moves import (
    Move,
    amounts_of,
    as_dose,
    next_down,
    round_down,
    rungs,
    step,
    step_up,
)
from crossgrain.dosing.plan import Branch, LabDraw, LabReading, Rung, Stage, courses
from crossgrain.dosing.prior import OldDoses, old_doses, taper_problem, tapered
from crossgrain.dosing.supply import draws, prescriptions
from crossgrain.dosing.taper import TIE
from crossgrain.dosing.targets import Target
from crossgrain.dosing.wording import off_ratio


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
    home: Mapping[str, frozenset[Fraction]]
    """The strengths that the patient has by then, by preparation id."""


@dataclass(frozen=True, slots=True)
class Outline:
    """A branch in doses, before tablets are chosen for the whole plan.

    `slots` are the target's medicines, `old` what is left of the old one beside them.
    """

    reading: LabReading
    basis_id: str
    statement: str
    slots: tuple[Slot, ...]
    old: list[dict[str, Fraction]]
    labs: tuple[LabDraw, ...]

    def branch(self, case: SwitchCase, hold: Hold, kits: Mapping[str, Kit]) -> Branch:
        """The same in tablets."""
        stages = [Stage.BRANCH] * len(self.slots)
        steps = case.steps(self.slots, self.old, stages, hold.as_taken, kits)
        return Branch(
            self.reading,
            self.basis_id,
            self.statement,
            steps,
            self.labs,
            prescriptions(courses(steps), case.policy.supply, draws(self.labs)),
        )


def outlines(case: SwitchCase, hold: Hold, ladder: Sequence[Rung]) -> tuple[Outline, ...]:
    """The three branches, TSH high first."""
    return (_high(case, hold, ladder), _in_range(case, hold), _low(case, hold))


def _coverage(case: SwitchCase, hold: Hold, enabled: Enabled) -> float:
    return enabled.coverage(case.intake({**hold.kept, **hold.remainder}))


def _high(case: SwitchCase, hold: Hold, ladder: Sequence[Rung]) -> Outline:
    """On to the next basis' target above this dose, or one increment where there is none.

    A high TSH contradicts the bases on which coverage is full already; the next one along
    the climb is what it supports.
    """
    by_id = {enabled.basis.id: enabled for enabled in case.enabled}
    along = [by_id[rung.basis_id] for rung in ladder]
    short = [enabled for enabled in along if _coverage(case, hold, enabled) < 1 - TIE]
    supported = short[0] if short else along[-1]
    targets = (_toward(case, hold, rung) for rung in ladder)
    goals = next((g for g in targets if any(g[key] > hold.kept[key] for key in g)), None)
    onward = "to the next basis' target" if goals else "by one increment"
    if short:
        words = (
            f"The dose is short, as the basis “{supported.basis.id}” says. Go on {onward}, then"
            " repeat the labs."
        )
    else:
        words = (
            "Short although every basis in use calls this dose enough: check adherence and"
            f" absorption, then go up {onward} and repeat the labs."
        )
    goals = goals or _one_up(case, hold)
    return _branch(case, hold, LabReading.HIGH, supported, goals, words)


def _toward(case: SwitchCase, hold: Hold, rung: Rung) -> dict[str, Fraction]:
    """The rung's doses, none lower than now, LT4 by no more than one raise."""
    goals, excess = dict(hold.kept), _excess(case, hold)
    for preparation, amount in amounts_of(rung.on_grid, case.products):
        now = hold.kept[preparation.id]
        if not preparation.carries_t3 and amount > now + case.policy.lt4_raise_ug:
            raised = now + case.policy.lt4_raise_ug
            amount = round_down(preparation, step(preparation, case.pace), raised)  # noqa: PLW2901
        goals[preparation.id] = amount if preparation.id in excess else max(now, amount)
    return goals


def _excess(case: SwitchCase, hold: Hold) -> dict[str, Fraction]:
    """What is still taken above the checkpoint of the target's lesser medicine."""
    return {
        key: hold.kept[key] - hold.checkpoint[key]
        for key in case.target_ids[1:]
        if hold.kept[key] > hold.checkpoint[key]
    }


def _one_up(case: SwitchCase, hold: Hold) -> dict[str, Fraction]:
    main = case.target_ids[0]
    preparation = case.preparations[main]
    now = hold.kept[main]
    return {**hold.kept, main: step_up(preparation, step(preparation, case.pace), now) or now}


def _in_range(case: SwitchCase, hold: Hold) -> Outline:
    """Stay; give what is left of the old medicine a dated end at equal coverage."""
    supported = min(case.enabled, key=lambda enabled: abs(log(_coverage(case, hold, enabled))))
    excess = _excess(case, hold)
    if not any(hold.remainder.values()) and not excess:
        words = "Stay on this dose; then the maintenance labs."
        return _branch(case, hold, LabReading.IN_RANGE, supported, dict(hold.kept), words)
    words = (
        "Stay at this level. What is left of the old medicine ends, and the new one makes up for it"
        f" at equal coverage on the basis “{supported.basis.id}”, which these labs support best;"
        " then repeat the labs."
    )
    goals = _equal_coverage(case, hold, supported, excess)
    return _branch(case, hold, LabReading.IN_RANGE, supported, goals, words)


def _equal_coverage(
    case: SwitchCase, hold: Hold, supported: Enabled, excess: Mapping[str, Fraction]
) -> dict[str, Fraction]:
    """The target's main medicine raised to the dose nearest to what is to end is worth.

    Tablets are not evenly spaced (75, 88, 100), so the nearest orderable dose is looked for, not
    the last one below a count of increments: 82.6 µg is 88, and 75 would fall short by a tenth.
    """
    if case.target is Target.LT4_LT3 and (
        pair := settled_pair(case, supported, hold.kept, hold.remainder)
    ):
        return {p.id: amount for p, amount in amounts_of(pair, case.products)}
    settled = {**hold.kept, **{key: hold.checkpoint[key] for key in excess}}
    main = case.target_ids[0]
    preparation = case.preparations[main]
    increment = step(preparation, case.pace)
    missing = supported.coverage(case.intake({**hold.remainder, **excess}))
    per_increment = supported.coverage(case.intake({main: increment}))
    now = hold.kept[main]
    wanted = float(now) + float(increment) * missing / per_increment
    doses = rungs(preparation, increment)
    above = bisect_right(doses, wanted)
    around = (dose for dose in doses[max(above - 1, 0) : above + 1] if dose > now)
    nearest = min((now, *around), key=lambda dose: (abs(float(dose) - wanted), -dose))
    return {**settled, main: nearest}


def _low(case: SwitchCase, hold: Hold) -> Outline:
    """Step back: less of what carries the new T3, or of LT4 where nothing does."""
    supported = max(case.enabled, key=lambda enabled: _coverage(case, hold, enabled))
    words = (
        "Do not climb. Step back and repeat the labs; urgent symptoms are the prescriber's at once."
    )
    goals = _step_back(case, hold)
    if not any((*goals.values(), *hold.remainder.values())):
        goals = dict(hold.kept)
        words += " No smaller dose can be ordered: the prescriber says which days to leave out."
    return _branch(case, hold, LabReading.LOW, supported, goals, words)


def _step_back(case: SwitchCase, hold: Hold) -> dict[str, Fraction]:
    """One increment less of the last target medicine in the order of the climb."""
    climbing = [key for key in case.target_ids if case.preparations[key].carries_t3]
    key = climbing[-1] if climbing else case.target_ids[0]
    preparation = case.preparations[key]
    lower = next_down(preparation, step(preparation, case.pace), hold.kept[key])
    return {**hold.kept, key: lower}


def _branch(
    case: SwitchCase,
    hold: Hold,
    reading: LabReading,
    supported: Enabled,
    goals: dict[str, Fraction],
    words: str,
) -> Outline:
    unchanged = goals == dict(hold.kept) and not any(hold.remainder.values())
    settled = unchanged and reading is LabReading.IN_RANGE
    ending = _ending(case, hold, goals, reading)
    tapering = {medicine.preparation.id for medicine in ending}
    goals = {key: goal for key, goal in goals.items() if key not in tapering}
    slots = _slots(case, hold, goals, settled)
    taken = _tapered(case, hold, reading, supported, slots, ending)
    followed = course(case.kinetics, hold.pools, case.periods(slots, taken))
    steady = hold.decision_day + steady_day(followed, case.old_intake, case.policy.steady_within)
    last = as_dose({**slots[-1].amounts, **taken[-1]}, case.products)
    return Outline(
        reading=reading,
        basis_id=supported.basis.id,
        statement=words + (off_ratio(last) if case.target is Target.LT4_LT3 else ""),
        slots=slots,
        old=taken,
        labs=branch_draws(case, reading, slots, taken, steady),
    )


def _tapered(
    case: SwitchCase,
    hold: Hold,
    reading: LabReading,
    supported: Enabled,
    slots: Sequence[Slot],
    ending: Sequence[Move],
) -> list[dict[str, Fraction]]:
    """What is left of the old medicine, from the tablets of the series; from others at need."""
    for bought in range(3):
        old = old_doses(ending, hold.home, bought)
        problem = taper_problem(
            case.kinetics,
            hold.pools,
            slots,
            case.preparations,
            old,
            (supported.per_pool,),
            replace(case.leaning, above=1.0, below=1.0, guard=0.0),
            _open_at_the_end(case, hold, reading, supported, slots[-1].amounts, old),
        )
        found = tapered(problem, old)
        if found:
            return found[0]
    raise ValueError(f"the branch {reading} leaves the old medicine no dose")


def _ending(
    case: SwitchCase, hold: Hold, goals: Mapping[str, Fraction], reading: LabReading
) -> list[Move]:
    """What tapers in a branch: the old medicine's remainder, and a target medicine that is to
    come down. After a low TSH the latter steps back at once."""
    falling = {key: (amount, Fraction(0)) for key, amount in hold.remainder.items() if amount}
    if reading is not LabReading.LOW:
        falling |= {key: (hold.kept[key], g) for key, g in goals.items() if g < hold.kept[key]}
    return [
        Move(case.preparations[key], now, goal, case.preparations[key].increment)
        for key, (now, goal) in falling.items()
    ]


def _open_at_the_end(
    case: SwitchCase,
    hold: Hold,
    reading: LabReading,
    supported: Enabled,
    new: Mapping[str, Fraction],
    old: OldDoses,
) -> frozenset[int]:
    """What may be left of the old medicine: nothing after labs in range; after a high TSH no
    less than makes the whole dose larger than before; after a low one, anything lower."""
    choices = range(len(old.choices))
    if reading is LabReading.IN_RANGE:
        return frozenset({choices[-1]})
    if reading is LabReading.LOW:
        return frozenset(choices)
    before = _coverage(case, hold, supported)

    def after(choice: int) -> float:
        return supported.coverage(case.intake({**new, **old.amounts(choice)}))

    more = frozenset(choice for choice in choices if after(choice) > before + TIE)
    return more or frozenset({0})  # no tablets go further: far above every labelled dose


def _slots(
    case: SwitchCase, hold: Hold, goals: Mapping[str, Fraction], settled: bool
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
            rising = Move(preparation, amounts[key], goal, step(preparation, case.pace))
            for dose in reachable(rising):
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
