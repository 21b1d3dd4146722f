"""How far the dose goes up, stays or comes down once the labs are back.

Nobody knows which chart is right for this patient, but the labs speak against some of them. A TSH
above the limit says that the dose is short: a chart that calls it enough already is contradicted,
and those that call it short are left open. A TSH below it says the reverse; one in range leaves
open the charts that call the dose about right. A change is then made as large as every chart that
is left open asks for, and no larger than tablets make necessary:

==================  ===========================================================================
raise               the smallest that tablets make, of at least that size on each open chart, and
                    ending, on every chart in use, above what labs in range would lead to. What
                    is left of the old medicine stays: to raise one and lower the other is no
                    raise
equal               what is to end is replaced: of the doses that tablets make, by the one whose
                    largest deviation from the hold's dose on any open chart is smallest
step back           the first that tablets make, of at least that size on each open chart:
                    swallowed T3 comes down first, since it acts within days, then
                    levothyroxine; never so far that no hormone is left
==================  ===========================================================================

At low doses tablets are coarse: 37.5 micrograms are half as much again as 25. The least size of a
change takes precedence over the most that is raised at once, and where it exceeds that the branch
says so. A raise that large, or one that takes swallowed T3 past the labelled maximum, is made with
levothyroxine instead, where that is taken and comes nearer.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace
from fractions import Fraction
from math import log

from crossgrain.dosing.case import Enabled, SwitchCase
from crossgrain.dosing.climb import reachable
from crossgrain.dosing.kinetics import Pools
from crossgrain.dosing.ladder import settled_pair
from crossgrain.dosing.moves import Move, amounts_of, climbing, next_down, step
from crossgrain.dosing.preparations import Kind
from crossgrain.dosing.taper import TIE
from crossgrain.dosing.targets import Target
from crossgrain.names.values import frozen

Amounts = Mapping[str, Fraction]
"""Daily amounts by preparation id."""


@frozen
class Hold:
    """Where the patient stands when the labs come back.

    Attributes
    ----------
    decision_day : first day of a branch
    pools : as modelled on that day
    kept : daily amounts of the target's medicines, by preparation id
    remainder : daily amounts of what is left of the old medicine, by preparation id
    checkpoint : the target's daily amounts at the checkpoint, by preparation id: less than
        `kept` where a medicine in both regimens has not come all the way down, more where the
        climb waits below it
    as_taken : medicines still taken just as before the plan
    home : the strengths that the patient has by then, by preparation id
    proved : days from the labs to the draws of maintenance, where these labs in range are the
        second in a row and so prove the dose right; empty where another draw has to confirm it
    short_of_too_much : whether `checkpoint` is less than day one's, since labs called that too much
    """

    decision_day: int
    pools: Pools
    kept: Amounts
    remainder: Amounts
    checkpoint: Amounts
    as_taken: frozenset[str]
    home: Mapping[str, frozenset[Fraction]]
    proved: tuple[int, ...] = ()
    short_of_too_much: bool = False

    @property
    def taken(self) -> dict[str, Fraction]:
        """All daily amounts together, by preparation id: of the target and of the old medicine."""
        return {**self.kept, **self.remainder}


@frozen
class Change:
    """The doses that a branch leads to, and how far that is from the hold.

    Attributes
    ----------
    taken : daily amounts by preparation id, the old medicine's among them
    on : the bases that the labs leave open
    least, most : the smallest and the largest change on these bases, as a part of the hold's
        dose, always positive
    changed : the medicines whose dose changes, in the order in which that was decided
    instead_of : the raise of the target's main medicine that was not made, if there was one
    to_pass_in_range : whether less would be a large enough part of the dose, but on some chart no
        more than what labs in range lead to
    """

    taken: dict[str, Fraction]
    on: tuple[Enabled, ...]
    least: float
    most: float
    changed: tuple[str, ...]
    instead_of: "Change | None" = None
    to_pass_in_range: bool = False


# --- which charts the labs leave open --------------------------------------------------------


def held_coverage(case: SwitchCase, hold: Hold) -> dict[str, float]:
    """Coverage that the hold's doses come to at steady state, by basis."""
    return _coverage(case, hold.taken)


def _coverage(case: SwitchCase, amounts: Amounts) -> dict[str, float]:
    intake = case.intake(amounts)
    return {enabled.basis.id: enabled.coverage(intake) for enabled in case.enabled}


def open_to_more(case: SwitchCase, hold: Hold) -> tuple[Enabled, ...]:
    """The bases that call the dose short; all of them where none does."""
    held = held_coverage(case, hold)
    return tuple(e for e in case.enabled if held[e.basis.id] < 1 - TIE) or case.enabled


def open_to_less(case: SwitchCase, hold: Hold) -> tuple[Enabled, ...]:
    """The bases that call the dose too much; all of them where none does."""
    held = held_coverage(case, hold)
    return tuple(e for e in case.enabled if held[e.basis.id] > 1 + TIE) or case.enabled


def open_to_the_same(case: SwitchCase, hold: Hold) -> tuple[Enabled, ...]:
    """The bases that call the dose about right; where none does, the two that come nearest."""
    return about_right(case, hold.taken)


def about_right(case: SwitchCase, amounts: Amounts) -> tuple[Enabled, ...]:
    """The same of any daily amounts."""
    covered, sizes = _coverage(case, amounts), case.policy.branches
    right = tuple(
        e
        for e in case.enabled
        if sizes.in_range_from - TIE <= covered[e.basis.id] <= sizes.in_range_to + TIE
    )
    return right or tuple(
        sorted(case.enabled, key=lambda e: round(abs(log(covered[e.basis.id])), 9))[:2]
    )


def _change(
    case: SwitchCase, hold: Hold, taken: dict[str, Fraction], on: tuple[Enabled, ...]
) -> Change:
    held, intake = held_coverage(case, hold), case.intake(taken)
    parts = [abs(enabled.coverage(intake) / held[enabled.basis.id] - 1) for enabled in on]
    changed = tuple(key for key in taken if taken[key] != hold.taken[key])
    return Change(taken, on, min(parts), max(parts), changed)


def unchanged(hold: Hold, on: tuple[Enabled, ...]) -> Change:
    """The very doses that are held."""
    return Change(hold.taken, on, 0.0, 0.0, ())


# --- up --------------------------------------------------------------------------------------


def raised(case: SwitchCase, hold: Hold, least: float, above: Amounts) -> Change | None:
    """The smallest raise that is enough, or ``None`` where no tablets make one.

    Parameters
    ----------
    least : part of the hold's dose by which it must rise on every basis left open
    above : daily amounts that labs in range would lead to, by preparation id; the raise ends
        above them on every basis
    """
    main = case.target_ids[0]
    first = _smallest_rise(case, hold, main, _enough(case, hold, least, above))
    if main == _lt4(case) or (first and is_gentle(case, first) and not passes_t3(case, first)):
        return first
    by_lt4 = raised_by_lt4(case, hold, least, above)
    if by_lt4 and (first is None or passes_t3(case, first) or by_lt4.most < first.most):
        return replace(by_lt4, instead_of=first)
    return first


def raised_by_lt4(case: SwitchCase, hold: Hold, least: float, above: Amounts) -> Change | None:
    """The smallest raise by LT4 alone that is enough; ``None`` where no LT4 is taken."""
    if not hold.taken.get(_lt4(case)):
        return None
    return _smallest_rise(case, hold, _lt4(case), _enough(case, hold, least, above))


def _lt4(case: SwitchCase) -> str:
    return case.products.of(Kind.LEVOTHYROXINE).id


def is_gentle(case: SwitchCase, change: Change) -> bool:
    """Whether the change is no larger than what is raised at once."""
    return change.most <= case.policy.branches.most_at_once + TIE


def passes_t3(case: SwitchCase, change: Change) -> bool:
    """Whether it raises swallowed T3 to above the labelled maximum."""
    rises = any(case.preparations[key].carries_t3 for key in change.changed)
    return rises and case.t3_ug(change.taken) > case.policy.branches.most_t3_ug


def passes_label_step(case: SwitchCase, hold: Hold, change: Change) -> bool:
    """Whether LT4 rises by more than its label adds at a time."""
    lt4 = _lt4(case)
    return change.taken.get(lt4, 0) - hold.taken.get(lt4, 0) > case.policy.lt4_raise_ug


def _enough(
    case: SwitchCase, hold: Hold, least: float, above: Amounts
) -> Callable[[Amounts], bool]:
    held, on = held_coverage(case, hold), open_to_more(case, hold)
    in_range = case.intake(above)
    floors = [(e, e.coverage(in_range) + TIE) for e in case.enabled]
    floors += [(e, (1 + least) * held[e.basis.id] - TIE) for e in on]

    def enough(taken: Amounts) -> bool:
        intake = case.intake(taken)
        return all(enabled.coverage(intake) >= floor for enabled, floor in floors)

    return enough


def _smallest_rise(
    case: SwitchCase, hold: Hold, key: str, enough: Callable[[Amounts], bool]
) -> Change | None:
    """The lowest dose of one medicine above the hold's that is enough, the others unchanged."""
    preparation, now = case.preparations[key], hold.taken[key]
    increment = step(preparation, case.pace)
    on_grid = climbing(preparation, increment)
    doses: Iterable[Fraction] = on_grid
    if preparation.carries_t3 and on_grid:  # it climbs there by increments, as before
        doses = reachable(Move(preparation, now, on_grid[-1], increment))
    larger = ({**hold.taken, key: dose} for dose in doses if dose > now)
    found = next((taken for taken in larger if enough(taken)), None)
    return _change(case, hold, found, open_to_more(case, hold)) if found else None


# --- the same --------------------------------------------------------------------------------


def equal(case: SwitchCase, hold: Hold) -> Change:
    """The dose once the labs are in range: the same worth, with the old medicine ended.

    What is left of the old medicine ends, and so does what a medicine in both regimens was held at
    above its checkpoint; the target's main medicine makes up for it, or in a combination the pair
    that keeps its ratio. Neither comes to as much as labs called too much; where whatever makes up
    for it would, everything stays as it is.

    Tablets are not evenly spaced (75, 88, 100), so the nearest orderable dose is looked for, not
    the last one below a count of increments: 82.6 µg becomes 88, since 75 would fall short by a
    tenth.
    """
    on, main = open_to_the_same(case, hold), case.target_ids[0]
    ended: dict[str, Fraction] = dict.fromkeys(hold.remainder, Fraction(0))
    settled = {**hold.kept, **{key: hold.checkpoint[key] for key in excess(case, hold)}, **ended}
    if settled == hold.taken:
        return _change(case, hold, settled, on)
    if case.target is Target.LT4_LT3 and (
        pair := settled_pair(case, on, hold.kept, hold.remainder)
    ):
        in_ratio = {**settled, **{p.id: amount for p, amount in amounts_of(pair, case.products)}}
        if not case.called_too_much(in_ratio):
            return _change(case, hold, in_ratio, on)
    preparation, now = case.preparations[main], hold.kept[main]
    doses = [d for d in climbing(preparation, step(preparation, case.pace)) if d > now]
    if any({**settled, main: now}.values()):
        doses.append(now)
    doses = [d for d in doses if not case.called_too_much({**settled, main: d})]
    if not doses:
        return _change(case, hold, hold.taken, on)
    held = held_coverage(case, hold)

    def off(dose: Fraction) -> tuple[float, Fraction]:
        intake = case.intake({**settled, main: dose})
        return max(abs(log(e.coverage(intake) / held[e.basis.id])) for e in on), -dose

    return _change(case, hold, {**settled, main: min(doses, key=off)}, on)


def excess(case: SwitchCase, hold: Hold) -> dict[str, Fraction]:
    """What is taken of the target's lesser medicine above its checkpoint, by preparation id."""
    return {
        key: hold.kept[key] - hold.checkpoint[key]
        for key in case.target_ids[1:]
        if hold.kept[key] > hold.checkpoint[key]
    }


# --- down ------------------------------------------------------------------------------------


def lowered(case: SwitchCase, hold: Hold, least: float) -> Change:
    """The first step back that is at least `least` of the hold's dose on every basis left open.

    Where tablets do not go so far, it goes as far as they do; the last hormone is never taken away.
    """
    held, on = held_coverage(case, hold), open_to_less(case, hold)

    def enough(taken: Amounts) -> bool:
        intake = case.intake(taken)
        return all(e.coverage(intake) <= (1 - least) * held[e.basis.id] + TIE for e in on)

    last = hold.taken
    for taken in _steps_down(case, hold):
        last = taken
        if enough(taken):
            break
    return _change(case, hold, last, on)


def _steps_down(case: SwitchCase, hold: Hold) -> Iterator[dict[str, Fraction]]:
    """Ever lower doses, one medicine after the other, while any hormone is left."""
    taken = hold.taken
    for key in _first_to_fall(case, hold):
        preparation = case.preparations[key]
        increment = step(preparation, case.pace)
        while taken[key]:
            taken = {**taken, key: next_down(preparation, increment, taken[key])}
            if not any(taken.values()):
                return
            yield taken


def _first_to_fall(case: SwitchCase, hold: Hold) -> list[str]:
    """Swallowed T3 before levothyroxine, the old medicine's before the target's, and of two that
    carry T3 liothyronine, which is T3 alone, before desiccated thyroid."""
    return sorted(
        hold.taken,
        key=lambda key: (
            not case.preparations[key].carries_t3,
            key in hold.kept,
            case.preparations[key].kind is not Kind.LIOTHYRONINE,
        ),
    )
