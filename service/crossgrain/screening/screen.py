"""One patient's course in, an answer out: flagged, cleared, still climbing, or to be reviewed."""

from collections.abc import Collection, Iterable, Iterator
from datetime import date, timedelta

from crossgrain.dosing.bases import Basis
from crossgrain.names.values import frozen
from crossgrain.safety.facts import Measurement
from crossgrain.screening.course import (
    Aim,
    Flag,
    FlagCode,
    FlagGrade,
    Screened,
    ScreeningOutcome,
    TakingHistory,
    Undecided,
)
from crossgrain.screening.grading import Bloods, Side, Weighed, bloods_around, grade, off, weigh
from crossgrain.screening.limits import Limits
from crossgrain.screening.stretches import TODAY, stretches_of
from crossgrain.screening.switches import (
    Ratios,
    Switch,
    goes_back,
    last_move,
    last_switch,
    ratios,
    window_days,
)
from crossgrain.screening.writing import Found, flag_of, tsh_of


@frozen
class Ruler:
    """What every patient is measured with: the day, the enabled bases, the limits."""

    as_of: date
    bases: tuple[Basis, ...]
    limits: Limits


def enabled(bases: Iterable[Basis], wanted: Collection[str]) -> tuple[Basis, ...]:
    """The bases that were asked for, or else those that set a checkpoint."""
    return tuple(b for b in bases if (b.id in wanted if wanted else b.sets_checkpoint))


def screen(course: TakingHistory, ruler: Ruler) -> Screened:
    """Judge one patient's last change of preparation.

    Parameters
    ----------
    course : its days counted from `ruler.as_of`
    ruler : the day, the bases and the limits

    Notes
    -----
    What cannot be told with certainty ends as `Outcome.NEEDS_REVIEW`, never as a guess.
    """
    try:
        if course.deceased:
            return Screened(ScreeningOutcome.DECEASED)
        switch = last_switch(stretches_of(course, ruler.limits), ruler.limits)
        if switch is None:
            return Screened(ScreeningOutcome.NO_SWITCH)
        return _judge(_Case(course, switch, ruler))
    except Undecided as undecided:
        return to_review(undecided)


def to_review(undecided: Undecided) -> Screened:
    """The answer where what was taken cannot be told."""
    return Screened(
        ScreeningOutcome.NEEDS_REVIEW, why=undecided.reason, references=undecided.references
    )


class _Case:
    """One switch with everything that it is judged by, each worked out once."""

    def __init__(self, course: TakingHistory, switch: Switch, ruler: Ruler) -> None:
        self.course, self.switch, self.ruler = course, switch, ruler
        self.limits = ruler.limits
        self.ratios: Ratios = ratios(switch.old.regimen, switch.present.regimen, ruler.bases)
        central = Aim.CENTRAL in course.aims
        results = course.free_t4 if central else course.tsh
        self.bloods: Bloods = bloods_around(switch, results, ruler.limits)
        self.weighed: dict[Side, Weighed] = {
            side: weigh(switch, self.bloods, side, course, ruler.limits) for side in Side
        }
        if course.unread_labs and not self.bloods.after:
            raise Undecided("a thyroid result in the record cannot be read", course.unread_labs)

    def off(self, side: Side) -> bool:
        """Whether the ratio is off on that side on any enabled basis."""
        return any(off(ratio, side, self.limits) for ratio in self.ratios.values())

    def grade(self, side: Side) -> FlagGrade | None:
        """The grade of a ratio that is off on that side."""
        return grade(self.ratios, side, self.weighed[side], self.limits)

    def still_moving(self, side: Side) -> bool:
        """Whether the dose may still be on its way to where it belongs."""
        if Aim.PREGNANCY in self.course.aims:
            return False
        moved = last_move(self.switch, self.ruler.bases, upwards=side is Side.UNDER)
        return TODAY - moved <= window_days(self.switch.present, self.limits)

    @property
    def is_own_dose(self) -> bool:
        """Whether the change went back to a dose that was taken for years.

        In pregnancy, and with a goal of suppression, the dose of other years tells nothing.
        """
        apart = self.course.aims & {Aim.PREGNANCY, Aim.SUPPRESSION}
        return not apart and goes_back(self.switch, self.limits)

    def bloods_speak(self, side: Side) -> bool:
        """Whether a result before or since the change says that the dose is off on that side."""
        weighed = self.weighed[side]
        return weighed.moved or side.tsh in {weighed.before, weighed.first, weighed.last}

    @property
    def planned(self) -> bool:
        """Whether a series of ours is under way."""
        until = self.course.planned_until
        return until is not None and until >= TODAY

    def screened(
        self, outcome: ScreeningOutcome, why: str = "", flags: tuple[Flag, ...] = ()
    ) -> Screened:
        """The answer, with the switch's day and resources."""
        switched_on = self.ruler.as_of + timedelta(days=self.switch.day)
        return Screened(
            outcome,
            flags,
            why,
            self.switch.references,
            switched_on,
            self.ratios,
            tsh_of(self.last_result),
        )

    @property
    def last_result(self) -> Measurement | None:
        """The last result on the present dose, else since the switch."""
        last = self.bloods.settled or self.bloods.after
        return last[-1] if last else None

    def flag(self, code: FlagCode, graded: FlagGrade) -> Flag:
        """A flag with its words."""
        return flag_of(
            Found(
                code=code,
                grade=graded,
                switch=self.switch,
                course=self.course,
                ratios=self.ratios,
                before=self.bloods.before,
                first=self.bloods.settled[0] if self.bloods.settled else None,
                after=self.last_result,
            ),
            as_of=self.ruler.as_of,
            bases=self.ruler.bases,
            limits=self.limits,
        )


def _judge(case: _Case) -> Screened:
    if case.planned:
        return case.screened(
            ScreeningOutcome.CLIMBING, "a series that this service proposed is under way"
        )
    off_sides = [side for side in Side if case.off(side)]
    sides = [side for side in off_sides if not case.is_own_dose or case.bloods_speak(side)]
    graded = {side: found for side in sides if (found := case.grade(side))}
    waiting = [side for side in graded if case.still_moving(side)]
    standing = {side: found for side, found in graded.items() if side not in waiting}
    flags = sorted([*_of_ratio(case, standing), *_of_bloods(case)], key=lambda flag: flag.rank)
    if flags:
        return case.screened(ScreeningOutcome.FLAGGED, flags=tuple(flags))
    if waiting:
        return case.screened(
            ScreeningOutcome.CLIMBING, "the dose was changed within the climb window"
        )
    if sides:
        return case.screened(ScreeningOutcome.CLEARED, "a result on the present dose clears it")
    if off_sides:
        return case.screened(
            ScreeningOutcome.SOUND, "the dose is one that was taken for years before the change"
        )
    return case.screened(ScreeningOutcome.SOUND, "the dose is within the limits on every basis")


def _of_ratio(case: _Case, standing: dict[Side, FlagGrade]) -> Iterator[Flag]:
    """At most one flag: a dose cannot be both too low and too high."""
    if not standing:
        return
    side, found = min(standing.items(), key=lambda item: list(FlagGrade).index(item[1]))
    if len(standing) > 1 and len(set(standing.values())) == 1:
        yield case.flag(FlagCode.DISPUTED, found)
    elif side is Side.OVER and case.switch.left_running:
        yield case.flag(FlagCode.LEFT_RUNNING, found)
    else:
        yield case.flag(FlagCode.UNDER if side is Side.UNDER else FlagCode.OVER, found)


def _of_bloods(case: _Case) -> Iterator[Flag]:
    """What the bloods say on their own: TSH off without a ratio, or no TSH at all."""
    for side, code in ((Side.UNDER, FlagCode.TSH_HIGH), (Side.OVER, FlagCode.TSH_LOW)):
        weighed = case.weighed[side]
        if not case.off(side) and weighed.last is side.tsh:
            yield case.flag(code, FlagGrade.OBSERVED)
    since = TODAY - case.switch.day
    if since > case.limits.labs_first_within_days and not case.bloods.after:
        yield case.flag(FlagCode.NO_TSH, FlagGrade.OBSERVED)
