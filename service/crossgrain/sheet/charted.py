"""What the chart shows of one plan, before anything is drawn.

Nothing in a plan rests on this: it is drawn, and stands in a table below the drawing.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import date, timedelta
from fractions import Fraction
from itertools import chain
from math import exp

from crossgrain.catalogue import Catalogue
from crossgrain.core.proposal import Proposal
from crossgrain.dosing.forecast import PoolCourse, course, coverage_weights
from crossgrain.dosing.kinetics import (
    ConstantIntake,
    Curve,
    Intake,
    Kinetics,
    KineticsTable,
    Pools,
    PoolWeights,
    intake_of,
    steady,
    t3_curve,
    weighed,
)
from crossgrain.dosing.moves import total_intake
from crossgrain.dosing.plan import Mode, Plan, PriorTherapy
from crossgrain.dosing.preparations import Preparation
from crossgrain.dosing.steps import Step, SwitchPart
from crossgrain.names.printing import short
from crossgrain.names.values import frozen
from crossgrain.writing.care_plan import NAMES


def modes(plan: Plan) -> tuple[Mode, ...]:
    """The plan's own way first, then the other where there is one, over the plan's days."""
    own = Mode(plan.prior_therapy, _swallowed(plan.steps), _swallowed(plan.steps, SwitchPart.OLD))
    if plan.other_way is None:
        return (own,)
    other, days = plan.other_way, plan.steps[-1].last_day + 1
    return own, replace(other, whole=_over(other.whole, days), old=_over(other.old, days))


def _swallowed(steps: Sequence[Step], part: SwitchPart | None = None) -> tuple[ConstantIntake, ...]:
    """The hormone of each step, or that of one part of it."""
    return tuple(
        ConstantIntake(
            step.days,
            total_intake(
                (line.preparation, line.amount)
                for line in step.lines
                if part is None or line.part is part
            ),
        )
        for step in steps
    )


def _over(periods: Iterable[ConstantIntake], days: float) -> tuple[ConstantIntake, ...]:
    """The periods up to a day, the last one drawn out to it where they end before."""
    kept: list[ConstantIntake] = []
    left = days
    for period in periods:
        if left <= 0:
            break
        kept.append(replace(period, days=min(period.days, left)))
        left -= period.days
    if left > 0:
        kept[-1] = replace(kept[-1], days=kept[-1].days + left)
    return tuple(kept)


Values = tuple[float, ...]
"""One value per day, day 0 first; 1 is the old regimen at steady state."""


@frozen
class Banded:
    """A course of values, and from where to where the parameters' band takes each."""

    value: Values
    low: Values
    high: Values


@frozen
class Trace:
    """One prior therapy, day by day.

    Attributes
    ----------
    coverage : on the basis on which the patient runs lowest
    of_old : the part of `coverage` that the old regimen still gives: swallowed before day 0,
        or in the old medicine since
    most_generous : coverage on the basis on which the patient runs highest
    t3 : the whole T3 pool
    """

    coverage: Banded
    of_old: Values
    most_generous: Values
    t3: Banded

    @property
    def days(self) -> int:
        """How many days there are values for."""
        return len(self.of_old)


def trace(
    table: KineticsTable,
    old: Intake,
    mode: Mode,
    leanest: PoolWeights,
    most_generous: PoolWeights,
    since_day_one: Sequence[ConstantIntake] = (),
) -> Trace:
    """Follow one prior therapy.

    Parameters
    ----------
    table : the parameters and the corners of their band
    old : the old regimen's intake
    leanest, most_generous : weights that turn pools into coverage on a basis
    since_day_one : what was taken after the old regimen and before the plan, where one goes on
    """

    def begins(kinetics: Kinetics) -> Pools:
        return course(kinetics, steady(old), since_day_one).starts[-1]

    usual = course(table.default, begins(table.default), mode.whole)
    corners = [course(kinetics, begins(kinetics), mode.whole) for kinetics in table.corners]
    # Coverage depends on the half-lives alone, which two corners each share.
    by_half_lives = {
        (c.kinetics.t4_half_life_days, c.kinetics.t3_half_life_days): c for c in corners
    }

    def covered(per_pool: PoolWeights) -> Callable[[PoolCourse], Values]:
        return lambda followed: _daily(followed, lambda p, i: weighed(p, i, per_pool))

    def t3(followed: PoolCourse) -> Values:
        kinetics = followed.kinetics
        before = kinetics.t3_total(steady(old))
        return tuple(
            value / before for value in _daily(followed, lambda p, i: t3_curve(kinetics, p, i))
        )

    lean = covered(leanest)
    return Trace(
        coverage=_banded(lean, usual, list(by_half_lives.values())),
        of_old=lean(course(table.default, begins(table.default), mode.old)),
        most_generous=covered(most_generous)(usual),
        t3=_banded(t3, usual, corners),
    )


def _banded(
    values: Callable[[PoolCourse], Values], usual: PoolCourse, corners: list[PoolCourse]
) -> Banded:
    value = values(usual)
    days = list(zip(value, *map(values, corners), strict=True))
    return Banded(value, tuple(map(min, days)), tuple(map(max, days)))


def _daily(followed: PoolCourse, curve_of: Callable[[Pools, Intake], Curve]) -> Values:
    """The curve's value at the beginning of each day, and at the end of the last."""
    values: list[float] = []
    segments = list(followed.segments())
    longest = max((int(period.days) for _, period, _ in segments), default=0)
    decays = _decays(followed.kinetics, longest + 1)
    for number, (_, period, pools) in enumerate(segments, start=1):
        level, slow, fast = curve_of(pools, period.intake)
        last = number == len(segments)
        values.extend(level + slow * e4 + fast * e3 for e4, e3 in decays[: int(period.days) + last])
    return tuple(values)


def _decays(kinetics: Kinetics, days: int) -> Sequence[tuple[float, float]]:
    """What is left of each pool's deviation after 0, 1, … days."""
    return tuple((exp(-day / kinetics.t4_tau), exp(-day / kinetics.t3_tau)) for day in range(days))


@frozen
class Dose:
    """A block in a strip of doses: from day to day, both included."""

    first_day: int
    last_day: int
    words: str


@frozen
class Drawn:
    """A result that came: the chart's day on which blood was drawn, and what it said."""

    day: int
    words: str


@frozen
class Past:
    """What was taken and measured from day one of a course to yesterday; day one is day 0.

    Attributes
    ----------
    whole, old : the hormone swallowed day by day, and that of the old medicine alone
    old_doses, new_doses : the same as blocks for the strips
    drawn : the results
    """

    whole: tuple[ConstantIntake, ...]
    old: tuple[ConstantIntake, ...]
    old_doses: tuple[Dose, ...]
    new_doses: tuple[Dose, ...]
    drawn: tuple[Drawn, ...]

    @property
    def days(self) -> int:
        """How many there are."""
        return sum(int(period.days) for period in self.whole)


NOTHING_BEFORE = Past((), (), (), (), ())


@frozen
class Charted:
    """A plan as the chart takes it in.

    Attributes
    ----------
    start : the date of day 0
    traces : the plan's own prior therapy first, then the other where there is one
    leanest, most_generous : the bases on which the patient runs lowest and highest
    old, new : the strips of doses
    labs : days of the draws to come
    checkpoint_day : the day on which the wait for labs begins
    lowest_coverage, highest_t3 : the limits past which a finding is raised
    drawn : the results that came since day 0
    today : where the past ends and the plan begins; 0 where there is no past
    """

    start: date
    traces: dict[PriorTherapy, Trace]
    leanest: str
    most_generous: str
    old: tuple[Dose, ...]
    new: tuple[Dose, ...]
    labs: tuple[int, ...]
    checkpoint_day: int
    lowest_coverage: float
    highest_t3: float
    drawn: tuple[Drawn, ...] = ()
    today: int = 0

    @property
    def own(self) -> Trace:
        """The plan as proposed."""
        return next(iter(self.traces.values()))

    @property
    def other(self) -> Trace | None:
        """What the prior therapy that was not chosen would do."""
        return list(self.traces.values())[1] if len(self.traces) > 1 else None

    def day(self, number_of_day: int) -> date:
        """The date of a day of the plan."""
        return self.start + timedelta(days=number_of_day)


def charted(
    proposal: Proposal, plan: Plan, catalogue: Catalogue, past: Past | None = None
) -> Charted:
    """Follow both prior therapies, and lay the doses and labs beside them.

    With `past` the chart begins on day one of the course: what was really taken, then the plan.
    """
    begins = plan.begins
    regimen = begins.regimen if begins else proposal.record.regimen
    old = intake_of(regimen)
    by_lowest = sorted(plan.forecasts[0].coverage, key=lambda found: found.lowest.value)
    leanest, most_generous = by_lowest[0].basis_id, by_lowest[-1].basis_id

    def weights(basis_id: str) -> PoolWeights:
        basis = catalogue.basis(basis_id)
        return coverage_weights(basis.weights_at(basis.lt4_equivalent(regimen)), old)

    rules, before = catalogue.rules.after, past or NOTHING_BEFORE
    today = before.days
    return Charted(
        start=proposal.request.start - timedelta(days=today),
        traces={
            mode.prior_therapy: trace(
                catalogue.kinetics,
                old,
                replace(mode, whole=before.whole + mode.whole, old=before.old + mode.old),
                weights(leanest),
                weights(most_generous),
                begins.taken if begins and past is None else (),
            )
            for mode in modes(plan)
        },
        leanest=leanest,
        most_generous=most_generous,
        old=_joined(before.old_doses, _strip(plan.steps, today, SwitchPart.OLD)),
        new=_joined(before.new_doses, _strip(plan.steps, today, SwitchPart.NEW, SwitchPart.SHARED)),
        labs=tuple(draw.day + today for draw in plan.labs),
        checkpoint_day=plan.checkpoint.day + today,
        lowest_coverage=float(rules["coverage-low"].number("lowest")),
        highest_t3=float(rules["t3-exposure-high"].number("highest")),
        drawn=before.drawn,
        today=today,
    )


def _strip(steps: tuple[Step, ...], later: int, *parts: SwitchPart) -> Iterator[Dose]:
    """The doses of some of the medicines, step by step, so many days later."""
    for step in steps:
        lines = [line for line in step.lines if line.part in parts]
        words = doses_in_words((line.preparation, line.amount) for line in lines)
        if words:
            yield Dose(step.first_day + later, step.last_day + later, words)


def _joined(*strips: Iterable[Dose]) -> tuple[Dose, ...]:
    """One strip after the other, periods of equal doses that follow each other as one."""
    blocks: list[Dose] = []
    for dose in chain(*strips):
        last = blocks[-1] if blocks else None
        if last and last.words == dose.words and last.last_day + 1 == dose.first_day:
            blocks[-1] = replace(last, last_day=dose.last_day)
        else:
            blocks.append(dose)
    return tuple(blocks)


def doses_in_words(amounts: Iterable[tuple[Preparation, Fraction]]) -> str:
    """What is taken a day; each medicine named where there are several."""
    order, lines = list(NAMES), list(amounts)
    return " + ".join(
        (f"{NAMES[preparation.kind]} " if len(lines) > 1 else "") + short(amount, preparation.unit)
        for preparation, amount in sorted(lines, key=lambda line: order.index(line[0].kind))
    )
