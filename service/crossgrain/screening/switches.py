"""The last change of preparation a patient went through, and whether the dose is still moving."""

from collections.abc import Callable, Sequence
from fractions import Fraction

from crossgrain.dosing.bases import Basis
from crossgrain.dosing.preparations import Kind
from crossgrain.dosing.regimens import Regimen
from crossgrain.names.errors import DomainError
from crossgrain.names.values import frozen
from crossgrain.screening.course import Undecided
from crossgrain.screening.limits import Limits
from crossgrain.screening.stretches import Stretch

T3_KINDS = frozenset(Kind) - {Kind.LEVOTHYROXINE}


@frozen
class Switch:
    """The last change of preparation.

    Attributes
    ----------
    old : the regimen that was left
    present : the regimen that it came to, and that is in force
    way : everything from the first day of the change to today, `present` last
    earlier : everything before `old`
    """

    old: Stretch
    present: Stretch
    way: tuple[Stretch, ...]
    earlier: tuple[Stretch, ...] = ()

    @property
    def day(self) -> int:
        """The first day of the change."""
        return self.way[0].first_day

    @property
    def references(self) -> tuple[str, ...]:
        """The resources that tell of the old and the present regimen, each once."""
        return tuple(dict.fromkeys((*self.old.references, *self.present.references)))

    @property
    def left_running(self) -> bool:
        """Whether all of the old regimen is still taken, at its old dose, beside the new."""
        return set(self.old.dose) < set(self.present.dose)


def goes_back(switch: Switch, limits: Limits) -> bool:
    """Whether the present dose was taken for years before, and left no longer ago than that.

    Days in doubt, or whose end nobody wrote down, do not tell that it was.
    """
    return any(
        stretch.dose == switch.present.dose
        and not (stretch.doubt or stretch.assumed_end)
        and stretch.days >= limits.kept_long_days
        and switch.day - stretch.last_day - 1 <= limits.kept_long_days
        for stretch in switch.earlier
    )


def last_switch(stretches: Sequence[Stretch], limits: Limits) -> Switch | None:
    """The last change of preparation, or ``None`` where there was none.

    Stretches of the same kinds form a run. A run in which no dose was held long enough to count
    as kept lies between two regimens, and is skipped when looking for the old one. Of the old
    run, the last dose that reached steady state counts: a dose lowered shortly before the switch
    is part of the switch. Where the kinds have never changed, a move between
    the grain families of desiccated thyroid is the change.

    Raises
    ------
    Undecided
        where the old or the present regimen is not certain, or nothing is taken today.
    """
    runs = _runs(stretches, _kinds)
    if len(runs) < 2 and not any(stretch.doubt for stretch in stretches):
        runs = _runs(stretches, _families)
    if len(runs) < 2:
        return None
    before = len(runs) - 2
    while before and not _kept(runs[before], limits):
        before -= 1
    way = tuple(stretch for run in runs[before + 1 :] for stretch in run)
    old = _held(runs[before], limits)
    earlier = tuple(stretch for stretch in stretches if stretch.last_day < old.first_day)
    switch = Switch(old, runs[-1][-1], way, earlier)
    _check(switch, runs[before][-1].last_day, limits)
    return switch


def _kinds(stretch: Stretch) -> frozenset[str]:
    return frozenset(stretch.kinds)


def _families(stretch: Stretch) -> frozenset[str]:
    """The grain families of desiccated thyroid that are taken."""
    return frozenset(line.preparation.id for line in stretch.regimen if line.grains)


def _runs(
    stretches: Sequence[Stretch], alike: Callable[[Stretch], frozenset[str]]
) -> list[list[Stretch]]:
    runs: list[list[Stretch]] = []
    for stretch in stretches:
        if runs and alike(runs[-1][-1]) == alike(stretch):
            runs[-1].append(stretch)
        else:
            runs.append([stretch])
    return runs


def _kept(run: Sequence[Stretch], limits: Limits) -> bool:
    """Whether one dose was held long enough, or may have been where a dose is in doubt."""
    longest = max(stretch.days for stretch in run)
    if any(stretch.doubt for stretch in run):
        longest = run[-1].last_day - run[0].first_day + 1
    return longest >= limits.kept_regimen_days


def _held(run: Sequence[Stretch], limits: Limits) -> Stretch:
    """The last stretch that was held to its steady state, or the last one."""
    held = [stretch for stretch in run if stretch.days >= limits.labs_settled_days]
    return held[-1] if held else run[-1]


def _check(switch: Switch, old_until: int, limits: Limits) -> None:
    for stretch in (switch.old, switch.present):
        if stretch.doubt:
            raise Undecided(stretch.doubt, stretch.references)
    if -switch.present.last_day > limits.kept_renewal_days:
        raise Undecided(
            "no thyroid hormone that the record knows of is taken today",
            switch.present.references,
        )
    without = switch.day - old_until - 1
    if without > limits.kept_order_days:
        raise Undecided(
            f"the record knows of no thyroid hormone in the {without} days before the change",
            switch.references,
        )


Ratios = dict[str, Fraction]
"""Basis id → LT4-equivalent, new over old; a chart that does not reach a dose is left out."""


def ratios(old: Regimen, new: Regimen, bases: Sequence[Basis]) -> Ratios:
    """New over old on each basis.

    Raises
    ------
    Undecided
        where no chart reaches both doses.
    """
    found: Ratios = {}
    for basis in bases:
        try:
            before, after = basis.lt4_equivalent(old), basis.lt4_equivalent(new)
        except DomainError:
            continue
        if before:
            found[basis.id] = after / before
    if not found:
        raise Undecided("no enabled chart reaches both the old and the new dose")
    return found


def last_move(switch: Switch, bases: Sequence[Basis], *, upwards: bool) -> int:
    """The last day on which the dose moved that way: the switch itself, or a later step.

    A step counts if the total moves on any basis, or if the new medicine alone does: in an
    overlap the total may stand still while the new one climbs and the old one tapers.
    """
    for place in range(len(switch.way) - 1, 0, -1):
        before, after = switch.way[place - 1], switch.way[place]
        if before.doubt or after.doubt:
            continue
        earlier, later = before.regimen, after.regimen
        pairs = [(earlier, later), (_new_part(switch, before), _new_part(switch, after))]
        if any(_moves(*pair, bases, upwards=upwards) for pair in pairs):
            return after.first_day
    return switch.day


def _new_part(switch: Switch, stretch: Stretch) -> Regimen:
    old = switch.old.kinds
    return Regimen(tuple(i for i in stretch.regimen.lines if i.preparation.kind not in old))


def _moves(before: Regimen, after: Regimen, bases: Sequence[Basis], *, upwards: bool) -> bool:
    for basis in bases:
        try:
            step = basis.lt4_equivalent(after) - basis.lt4_equivalent(before)
        except DomainError:
            continue
        if step > 0 if upwards else step < 0:
            return True
    return False


def window_days(present: Stretch, limits: Limits) -> int:
    """How long after its last step such a dose may still be climbing."""
    with_t3 = present.kinds & T3_KINDS
    return limits.window_with_t3_days if with_t3 else limits.window_without_t3_days
