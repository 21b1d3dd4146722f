"""After the checkpoint: what each result of the labs leads to.

Exactly one of the branches is taken. Each is solved on its own, from the pools as they stand at
the end of the hold, and in the same order: which bases the labs leave open and how far the dose
changes on them (`branch_doses`); what is left of the old medicine; then the days of the draws.
What the labs say comes before any weight of risk, and the branch of labs in range is solved first,
because no raise may come out at or below it.

=======================  =====================================================================
far above the limit      a larger raise
above the limit          a raise; of LT4 instead, where free T3 is above its range
in range                 the same dose; what is left of the old medicine ends
in range, with symptoms  the very same doses, while another cause is looked for
below the limit          a step back
suppressed               a larger step back
=======================  =====================================================================

Only labs in range let the old medicine taper, by the search that the climb used. In a raise it is
left as it is, and a step back is made at once.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from fractions import Fraction

from crossgrain.dosing.branch_doses import (
    Amounts,
    Change,
    Hold,
    about_right,
    equal,
    lowered,
    open_to_more,
    open_to_the_same,
    passes_label_step,
    raised,
    raised_by_lt4,
    unchanged,
)
from crossgrain.dosing.branch_words import (
    words_of_exchange,
    words_of_no_exchange,
    words_of_raise,
    words_of_staying,
    words_of_step_back,
)
from crossgrain.dosing.case import Enabled, SwitchCase
from crossgrain.dosing.climb import Slot, reachable, rising_slots
from crossgrain.dosing.draws import branch_draws
from crossgrain.dosing.forecast import course, steady_day
from crossgrain.dosing.kits import Kit
from crossgrain.dosing.moves import Move, as_dose, step
from crossgrain.dosing.plan import Branch, LabDraw, LabReading
from crossgrain.dosing.prior import OldDoses, old_doses, taper_problem, tapered
from crossgrain.dosing.steps import Stage, courses
from crossgrain.dosing.supply import draws, prescriptions
from crossgrain.dosing.taper import Leaning, Problem
from crossgrain.dosing.targets import Target
from crossgrain.dosing.wording import off_ratio
from crossgrain.names.values import frozen


@frozen
class Outline:
    """A branch in doses, before tablets are chosen for the whole plan.

    `slots` are the target's medicines, `old` what is left of the old one beside them; `proves` is
    whether the next labs in range are the second in a row.
    """

    reading: LabReading
    basis_ids: tuple[str, ...]
    statement: str
    slots: tuple[Slot, ...]
    old: list[dict[str, Fraction]]
    labs: tuple[LabDraw, ...]
    proves: bool

    @property
    def ends(self) -> dict[str, Fraction]:
        """The doses that it leads to, by preparation id."""
        return {**self.slots[-1].amounts, **self.old[-1]}

    def branch(self, case: SwitchCase, hold: Hold, kits: Mapping[str, Kit]) -> Branch:
        """The same in tablets."""
        stages = [Stage.BRANCH] * len(self.slots)
        steps = case.steps(self.slots, self.old, stages, hold.as_taken, kits)
        return Branch(
            self.reading,
            self.basis_ids,
            self.statement,
            steps,
            self.labs,
            prescriptions(courses(steps), case.policy.supply, draws(self.labs)),
        )


def outlines(case: SwitchCase, hold: Hold) -> tuple[Outline, ...]:
    """The branches, that of the highest TSH first."""
    sizes, same = case.policy.branches, equal(case, hold)
    in_range = _in_range(case, hold, same)
    above = [same.taken, hold.taken]
    if below_checkpoint(case, hold):
        above = [in_range.ends, *above]
    raises = [
        _raise(case, hold, LabReading.VERY_HIGH, sizes.raise_very_high, above),
        _raise(case, hold, LabReading.HIGH, sizes.raise_high, above),
    ]
    held_t3 = _raise_without_t3(case, hold, raises, above)
    return (
        *raises,
        *([held_t3] if held_t3 else []),
        in_range,
        _symptoms(case, hold),
        _step_back(case, hold, LabReading.LOW, sizes.step_back_low),
        _step_back(case, hold, LabReading.VERY_LOW, sizes.step_back_very_low),
    )


# --- above the limit -------------------------------------------------------------------------

_Raise = Callable[[SwitchCase, Hold, float, Amounts], Change | None]


def _sized(
    raise_by: _Raise, case: SwitchCase, hold: Hold, least: float, above: Sequence[Amounts]
) -> Change | None:
    """The raise that ends above the first of several doses that allows a usual one.

    Labs in range exchange one medicine for another, or climb on, over weeks; a raise is taken whole
    from its first day. Where it would add more LT4 than its label does at a time, only to end above
    what they lead to on every chart, it is as large as it must be, and the next labs lead on.
    """
    changes = [raise_by(case, hold, least, each) for each in above]
    usual = (each for each in changes if each and not passes_label_step(case, hold, each))
    found, least_of_all = next(usual, changes[-1]), changes[-1]
    if found is None or least_of_all is None or found.most <= least_of_all.most:
        return found
    return replace(found, to_pass_in_range=True)


def _raise(
    case: SwitchCase, hold: Hold, reading: LabReading, least: float, above: Sequence[Amounts]
) -> Outline:
    change = _sized(raised, case, hold, least, above)
    if change is None:
        return _no_raise(case, hold, reading)
    return _at_once(case, hold, reading, change, words_of_raise(case, hold, change))


def _no_raise(case: SwitchCase, hold: Hold, reading: LabReading) -> Outline:
    """Where tablets allow no raise: far above every labelled dose, or from few strengths."""
    words = (
        "The dose is short, but no tablets make a raise that is enough in steps that are safe: it"
        " stays until the prescriber has looked for missed doses and poor absorption, and says"
        " what follows."
    )
    still = unchanged(hold, open_to_more(case, hold))
    return _at_once(case, hold, reading, still, words)


def _raise_without_t3(
    case: SwitchCase, hold: Hold, raises: Sequence[Outline], above: Sequence[Amounts]
) -> Outline | None:
    """T3 above its range and TSH above the limit: T3 stays, and LT4 that is taken rises.

    ``None`` where no raise adds T3, so that free T3 has nothing to say, and where no LT4 is taken.
    """
    held = case.t3_ug(hold.taken)
    if all(case.t3_ug(way.ends) <= held for way in raises):
        return None
    change = _sized(raised_by_lt4, case, hold, case.policy.branches.raise_high, above)
    if change is None:
        return None
    words = (
        "T3 is not raised; ask whether what is taken of it once a day is better divided in two."
        f" {words_of_raise(case, hold, change)}"
    )
    return _at_once(case, hold, LabReading.HIGH_FREE_T3, change, words)


# --- in range --------------------------------------------------------------------------------


def _in_range(case: SwitchCase, hold: Hold, same: Change) -> Outline:
    """Stay; give what is left of the old medicine a dated end at equal coverage."""
    reading = LabReading.IN_RANGE
    further = climb_on(case, hold)
    if further:
        return further
    if not same.changed:
        return _at_once(case, hold, reading, same, words_of_staying(case, hold))
    exchanged = _exchanged(case, hold, same)
    if exchanged is None:
        still = unchanged(hold, same.on)
        return _at_once(case, hold, reading, still, words_of_no_exchange())
    slots, old = exchanged
    return _outline(case, hold, reading, same, words_of_exchange(case, same), slots, old)


def _exchanged(
    case: SwitchCase, hold: Hold, same: Change
) -> tuple[tuple[Slot, ...], list[dict[str, Fraction]]] | None:
    """What is left of the old medicine ends while the target's makes up for it.

    ``None`` where tablets let the one not rise so far, or the other not fall: half an exchange
    would take hormone away.
    """
    ending = _ending(case, hold, same)
    tapering = {medicine.preparation.id for medicine in ending}
    goals = {key: same.taken[key] for key in case.target_ids if key not in tapering}
    slots = _slots(case, hold, goals)
    if any(slots[-1].amounts[key] != goal for key, goal in goals.items()):
        return None
    # Short of too much, the end may be far too little on some bases: judged on these too, the way
    # to it could go as low on all of them.
    on = about_right(case, same.taken) if case.too_much else open_to_the_same(case, hold)
    plain = replace(case.leaning, above=1.0, below=1.0, guard=0.0)
    old = _tapered(case, hold, slots, ending, on, plain, ends=True)
    return None if old is None else (slots, old)


def below_checkpoint(case: SwitchCase, hold: Hold) -> bool:
    """Whether the climb waits on its way: after a step back, or where it was stopped short."""
    return any(
        case.preparations[key].carries_t3 and hold.kept[key] < amount
        for key, amount in hold.checkpoint.items()
    )


def climb_on(case: SwitchCase, hold: Hold) -> Outline | None:
    """The climb goes on to the checkpoint, and no further, with the old medicine beside it.

    ``None`` where it waits there already, or tablets make no next step.
    """
    goals = {key: max(hold.checkpoint[key], hold.kept[key]) for key in case.target_ids}
    slots = _slots(case, hold, goals)
    reached = {key: slots[-1].amounts[key] for key in goals}
    if not below_checkpoint(case, hold) or reached == hold.kept:
        return None
    falling = [
        Move(case.preparations[key], now, Fraction(0), case.preparations[key].increment)
        for key, now in hold.remainder.items()
        if now
    ]
    old = [dict(hold.remainder) for _ in slots]
    if falling:
        fallen = _tapered(case, hold, slots, falling, case.enabled, case.leaning)
        if fallen is None:
            return None
        old = fallen
    words = (
        "The climb goes on by increments, short of the dose that labs called too much, and waits"
        " there for labs; the old medicine falls beside it."
        if hold.short_of_too_much
        else "The climb goes on by increments to the checkpoint, and waits there for labs; the old"
        " medicine falls beside it."
    )
    change = Change({**hold.taken, **reached, **old[-1]}, case.enabled, 0.0, 0.0, tuple(goals))
    reading = LabReading.IN_RANGE
    return _outline(case, hold, reading, change, words, slots, old, proves=False)


def _ending(case: SwitchCase, hold: Hold, same: Change) -> list[Move]:
    """What tapers: what is left of the old medicine, and a medicine of the target that must come
    down."""
    return [
        Move(case.preparations[key], now, same.taken[key], case.preparations[key].increment)
        for key, now in hold.taken.items()
        if same.taken[key] < now
    ]


def _tapered(
    case: SwitchCase,
    hold: Hold,
    slots: Sequence[Slot],
    ending: Sequence[Move],
    on: Sequence[Enabled],
    leaning: Leaning,
    *,
    ends: bool = False,
) -> list[dict[str, Fraction]] | None:
    """What is left of the old medicine, made of the tablets of the series, or of others if need be.

    `on` are the bases that coverage is measured on; where `ends` is true, none of it is left at the
    end. Where it must stay short of a dose that labs called too much, other tablets count at once:
    those of the series may be too coarse to do so and to cover enough. ``None`` where none make a
    way down.
    """
    weights = [enabled.per_pool for enabled in on]
    most = case.policy.taper.most_bought
    for bought in range(most if case.too_much else 0, most + 1):
        old = old_doses(ending, hold.home, bought)
        problem = taper_problem(
            case.kinetics,
            hold.pools,
            slots,
            case.preparations,
            old,
            weights,
            leaning,
            frozenset({len(old.choices) - 1}) if ends else None,
        )
        found = tapered(_short_of_too_much(case, problem, slots, old), old)
        if found:
            return found[0]
    return None


def _short_of_too_much(
    case: SwitchCase, problem: Problem, slots: Sequence[Slot], old: OldDoses
) -> Problem:
    """The same search, in which no step is as much as labs called too much."""
    if not case.too_much:
        return problem
    closed = (
        frozenset(
            level
            for level in range(len(old.choices))
            if case.called_too_much({**slot.amounts, **old.amounts(level)})
        )
        for slot in slots
    )
    segments = zip(problem.segments, closed, strict=True)
    return replace(problem, segments=tuple(replace(each, closed=none) for each, none in segments))


def _symptoms(case: SwitchCase, hold: Hold) -> Outline:
    """The labs call the dose right: less of it would leave the patient short."""
    words = (
        "Hold these very doses: the labs do not call them too much. Look for another cause of the"
        " symptoms and take the pulse; then repeat the labs. Urgent symptoms are the prescriber's"
        " at once."
    )
    still = unchanged(hold, open_to_the_same(case, hold))
    return _at_once(case, hold, LabReading.SYMPTOMS, still, words)


# --- below the limit -------------------------------------------------------------------------


def _step_back(case: SwitchCase, hold: Hold, reading: LabReading, least: float) -> Outline:
    change = lowered(case, hold, least)
    words = words_of_step_back(case, hold, change, least)
    return _at_once(case, hold, reading, change, words)


# --- every branch ----------------------------------------------------------------------------


def _at_once(
    case: SwitchCase, hold: Hold, reading: LabReading, change: Change, words: str
) -> Outline:
    """A branch in which nothing tapers: all but a rise of T3 is taken from its first day."""
    goals = {key: change.taken[key] for key in case.target_ids}
    slots = _slots(case, hold, goals, settled=_settles(change, reading))
    old = [{key: change.taken[key] for key in hold.remainder} for _ in slots]
    return _outline(case, hold, reading, change, words, slots, old)


def _settles(change: Change, reading: LabReading) -> bool:
    """Whether the dose is right as it is."""
    return not change.changed and reading is LabReading.IN_RANGE


def _outline(
    case: SwitchCase,
    hold: Hold,
    reading: LabReading,
    change: Change,
    words: str,
    slots: tuple[Slot, ...],
    old: list[dict[str, Fraction]],
    *,
    proves: bool = True,
) -> Outline:
    proves = proves and reading is LabReading.IN_RANGE
    followed = course(case.kinetics, hold.pools, case.periods(slots, old))
    steady = hold.decision_day + steady_day(followed, case.old_intake, case.policy.steady_within)
    last = as_dose({**slots[-1].amounts, **old[-1]}, case.products)
    outside = off_ratio(last, case.policy.combining) if case.target is Target.LT4_LT3 else ""
    return Outline(
        reading=reading,
        basis_ids=tuple(enabled.basis.id for enabled in change.on),
        statement=words + outside,
        slots=slots,
        old=old,
        labs=branch_draws(case, slots, old, steady, _proved(hold, change, reading), proves=proves),
        proves=proves,
    )


def _proved(hold: Hold, change: Change, reading: LabReading) -> tuple[int, ...]:
    return hold.proved if _settles(change, reading) else ()


def _slots(
    case: SwitchCase, hold: Hold, goals: Mapping[str, Fraction], *, settled: bool = False
) -> tuple[Slot, ...]:
    """The target's medicines in the branch: T3 climbs by increments, all else at once."""
    amounts = {
        key: hold.kept[key] if case.preparations[key].carries_t3 and goal > hold.kept[key] else goal
        for key, goal in goals.items()
    }
    rising = [
        Move(case.preparations[key], amounts[key], goal, step(case.preparations[key], case.pace))
        for key, goal in goals.items()
        if amounts[key] < goal
    ]
    kept = (*hold.proved, case.policy.maintenance_days[0])[0]
    wait = kept if settled else case.wait_days
    return rising_slots(
        amounts,
        case.t3_ug(hold.taken),
        ((move.preparation, reachable(move)) for move in rising),
        (hold.decision_day, case.pace.interval_days, wait + case.policy.results_days),
    )
