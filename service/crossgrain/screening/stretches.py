"""From single medicines to a timeline: stretches of days on which one regimen was taken.

Two orders of one hormone that meet are told apart by what they say of each other:

==============================================  =======================================
the later one replaces the earlier               the earlier ends the day before
the earlier is over, no one knows since when     it ends before the next order of its hormone, or
                                                 where none came in time, before the next change
they share one day                               the earlier ends the day before
one dose, meeting for a renewal's length         a renewal: the earlier ends the day before
one group                                        both are taken
anything else                                    the days on which they meet are doubtful
==============================================  =======================================
"""

from bisect import bisect_right
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import islice, pairwise

from crossgrain.dosing.preparations import Kind
from crossgrain.dosing.regimens import Regimen
from crossgrain.names.values import frozen
from crossgrain.screening.course import DoseRun, End, TakingHistory, TooManyAtOnce, Undecided
from crossgrain.screening.limits import Limits

TODAY = 0


@frozen
class Stretch:
    """Days on which one regimen was taken.

    Attributes
    ----------
    intakes : what was taken, in the order of their beginning
    first_day, last_day : both included; the last day of a regimen in force is today
    doubt : why what was taken on these days cannot be told, or empty
    assumed_end : the record does not say when it ended
    """

    intakes: tuple[DoseRun, ...]
    first_day: int
    last_day: int
    doubt: str = ""
    assumed_end: bool = False

    @property
    def regimen(self) -> Regimen:
        """Everything that was taken on these days."""
        return Regimen(tuple(line for intake in self.intakes for line in intake.lines))

    @property
    def kinds(self) -> frozenset[Kind]:
        """The kinds of preparation taken."""
        return frozenset(intake.kind for intake in self.intakes)

    @property
    def dose(self) -> tuple[object, ...]:
        """Equal for two stretches of one regimen."""
        return tuple(sorted(part for intake in self.intakes for part in intake.dose))

    @property
    def days(self) -> int:
        """How long it lasted."""
        return self.last_day - self.first_day + 1

    @property
    def references(self) -> tuple[str, ...]:
        """The resources that tell of it."""
        told = (ref for intake in self.intakes for ref in (intake.reference, *intake.against))
        return tuple(dict.fromkeys(told))


@frozen
class _Held:
    """An intake with the last day that it was settled to have; ``None`` while it goes on."""

    intake: DoseRun
    last_day: int | None
    assumed: bool = False

    def holds(self, day: int) -> bool:
        return self.intake.first_day <= day and (self.last_day is None or day <= self.last_day)


def stretches_of(course: TakingHistory, limits: Limits) -> tuple[Stretch, ...]:
    """The timeline, oldest first; days without hormone belong to no stretch.

    A late renewal of the same regimen continues its stretch.

    Raises
    ------
    Undecided
        where a medicine ended on a day that nothing tells of.
    """
    return tuple(_joined(stretches_apart(course.intakes, limits), limits.kept_renewal_days))


def stretches_apart(intakes: Sequence[DoseRun], limits: Limits) -> list[Stretch]:
    """The same, exactly as the doses were dated: a late renewal leaves a gap.

    Raises
    ------
    Undecided
        as `stretches_of`.
    """
    refuse_too_many(intakes, limits)
    held = _settled(intakes, limits)
    starts = {h.intake.first_day for h in held}
    ends = {h.last_day + 1 for h in held if h.last_day is not None}
    days = sorted(day for day in starts | ends if day <= TODAY)
    found: list[Stretch] = []
    coming, taken = deque(held), list[_Held]()
    for first, after in pairwise([*days, TODAY + 1]):
        while coming and coming[0].intake.first_day <= first:
            taken.append(coming.popleft())
        taken = [h for h in taken if h.holds(first)]
        _refuse_above(len(taken), limits)
        if taken:
            found.append(_stretch(taken, first, after - 1))
    return found


def refuse_too_many(intakes: Iterable[DoseRun], limits: Limits) -> None:
    """Refuse more concurrent medicines than anyone takes, before comparing them.

    Raises
    ------
    TooManyAtOnce
        where more than `limits.work_at_once` run on one day.
    """
    changes: list[tuple[int, int]] = []
    for intake in intakes:
        last = TODAY if intake.end is End.OPEN else intake.first_day
        last = last if intake.last_day is None else intake.last_day
        changes += [(intake.first_day, 1), (last + 1, -1)]
    running = 0
    for _, change in sorted(changes):
        running += change
        _refuse_above(running, limits)


def _refuse_above(running: int, limits: Limits) -> None:
    if running > limits.work_at_once:
        raise TooManyAtOnce(f"more than {limits.work_at_once} thyroid medicines run at once")


def _stretch(taken: list[_Held], first: int, last: int) -> Stretch:
    return Stretch(
        intakes=tuple(h.intake for h in taken),
        first_day=first,
        last_day=last,
        doubt=_doubt([h.intake for h in taken]),
        assumed_end=any(h.assumed and h.last_day == last for h in taken),
    )


def _doubt(taken: list[DoseRun]) -> str:
    """Why it cannot be told what was taken: a dose unread, or two of one hormone at once."""
    groups: dict[Kind, set[str]] = {}
    for intake in taken:
        if intake.doubt:
            return intake.doubt
        seen = groups.setdefault(intake.kind, set())
        if seen and (not intake.group or intake.group not in seen):
            return f"two {intake.kind} medicines run side by side; are both taken?"
        seen.add(intake.group)
    return ""


def _settled(intakes: Iterable[DoseRun], limits: Limits) -> list[_Held]:
    """Each intake with the day on which it gave way to the next."""
    ordered = sorted(intakes, key=lambda i: (i.first_day, i.reference, i.dose))
    after = _After(ordered)
    return [_settle(intake, after, limits) for intake in ordered]


class _After:
    """What began after an intake, found without looking through all."""

    def __init__(self, ordered: list[DoseRun]) -> None:
        self._all = ordered
        self._of_kind: dict[Kind, list[DoseRun]] = {}
        self._in_place_of: dict[str, list[DoseRun]] = {}
        self._began: dict[str, int] = {}
        for intake in ordered:
            self._began.setdefault(intake.reference, intake.first_day)
            self._of_kind.setdefault(intake.kind, []).append(intake)
            for reference in intake.replaces:
                self._in_place_of.setdefault(reference, []).append(intake)

    def replaced_on(self, intake: DoseRun) -> int | None:
        """The first day of the first that takes its order's place, once that has begun.

        Of an order of several doses those that lie ahead on that day are not taken at all.
        """
        others = self._in_place_of.get(intake.reference, ())
        days = (o.first_day for o in others if o is not intake)
        began = self._began[intake.reference]
        return min((day for day in days if day >= began), default=None)

    def same_kind(self, intake: DoseRun) -> Iterator[DoseRun]:
        """Those of its kind, in order."""
        return _later(self._of_kind[intake.kind], intake)

    def anything(self, intake: DoseRun) -> Iterator[DoseRun]:
        """All of them, in order."""
        return _later(self._all, intake)


def _later(ordered: list[DoseRun], intake: DoseRun) -> Iterator[DoseRun]:
    begin = bisect_right(ordered, intake.first_day, key=lambda each: each.first_day)
    return islice(ordered, begin, None)


def _settle(intake: DoseRun, after: _After, limits: Limits) -> _Held:
    last = intake.last_day
    replaced_on = after.replaced_on(intake)
    if replaced_on is not None and (last is None or last >= replaced_on):
        last = replaced_on - 1
    if intake.last_day is not None:
        for other in after.same_kind(intake):
            if last is None or other.first_day > last:
                break
            if _renewed(intake, other, limits):
                last = other.first_day - 1
                break
    if last is not None or intake.end is not End.UNDATED:
        return _Held(intake, last)
    following = next(after.same_kind(intake), None)
    if following is None or following.first_day > intake.first_day + limits.kept_order_days:
        following = next(after.anything(intake), None)
    if following is None:
        raise Undecided(
            f"a {intake.kind} medicine is over, and the record does not say since when",
            (intake.reference,),
        )
    return _Held(intake, following.first_day - 1, assumed=True)


def _renewed(earlier: DoseRun, later: DoseRun, limits: Limits) -> bool:
    """Whether the later one takes over from the earlier without a word."""
    if earlier.kind is not later.kind or earlier.last_day is None:
        return False
    if earlier.group and earlier.group == later.group and earlier.dose != later.dose:
        return False
    shared = earlier.last_day - later.first_day + 1
    outlives = later.last_day is None or later.last_day > earlier.last_day
    if shared <= 1:
        return True
    return earlier.dose == later.dose and shared <= limits.kept_renewal_days and outlives


def _joined(found: list[Stretch], renewal_days: int) -> list[Stretch]:
    """Stretches of one regimen that a renewal cut apart, as one."""
    joined: list[Stretch] = []
    for stretch in found:
        before = joined[-1] if joined else None
        if before and _continues(before, stretch, renewal_days):
            joined[-1] = replace(stretch, first_day=before.first_day)
        else:
            joined.append(stretch)
    return joined


def _continues(before: Stretch, after: Stretch, renewal_days: int) -> bool:
    """Whether nothing changed between the two. Unread doses are alike only within a kind."""
    alike = (before.kinds, before.dose, before.doubt) == (after.kinds, after.dose, after.doubt)
    return alike and after.first_day - before.last_day - 1 <= renewal_days
