"""The tablets of every day, and the orders that they come from, as rows of the sheet."""

from calendar import Calendar
from collections.abc import Iterable, Iterator, Sequence
from datetime import date, timedelta
from fractions import Fraction
from itertools import groupby
from string import ascii_uppercase

from crossgrain.dosing.draws import DRAW
from crossgrain.dosing.plan import Branch, LabDraw, Plan
from crossgrain.dosing.steps import LineDose, OrderedCourse, Stage, Step, SwitchPart
from crossgrain.dosing.supply import HomeUse, Turn, Use
from crossgrain.dosing.tablets import SHARED_WEEK, Piece
from crossgrain.names.values import frozen
from crossgrain.sheet.locale import Locale
from crossgrain.words.doses import daily_dose, tablets_a_day
from crossgrain.writing.care_plan import PARTS
from crossgrain.writing.checks import check_words
from crossgrain.writing.dosage import count_each, needed
from crossgrain.writing.lab_requests import about_draw, draw_words, lab_days
from crossgrain.writing.letterhead import Letterhead, Scope
from crossgrain.writing.orders import branch_tasks, dated_acts, series_tasks


@frozen
class Tablet:
    """So many tablets of one strength, taken at one time of the day."""

    count: Fraction
    words: str
    strength: str

    @property
    def whole(self) -> int:
        """Whole tablets."""
        return int(self.count)

    @property
    def part(self) -> int:
        """Quarters beyond them."""
        return int(self.count % 1 * 4)


@frozen
class Taking:
    """One medicine in a step; without tablets where the old supply goes on unchanged.

    `doses_per_day` is ``None`` there: how the day's dose is split is then not the plan's.
    """

    medicine: str
    tablets: tuple[Tablet, ...]
    when: str
    doses_per_day: int | None
    carries_t3: bool


@frozen
class Daily:
    """One medicine of a step: its dose of a mean day, and the times at which it is taken."""

    part: SwitchPart
    medicine: str
    total: str
    takings: tuple[Taking, ...]


@frozen
class HomeChange:
    """A supply at home that is used in another way from the first day of a step on.

    `away` tells that it is not taken during the step.
    """

    what: str
    name: str
    away: bool


@frozen
class PatientStep:
    """A stretch of days on which the same is taken, and what then changes at home.

    `first_day` is counted from day 1 of the plan; what is new stands first in `medicines`.
    """

    letter: str
    first: date
    last: date
    first_day: int
    medicines: tuple[Daily, ...]
    at_home: tuple[HomeChange, ...] = ()

    @property
    def days(self) -> int:
        """How long it lasts."""
        return (self.last - self.first).days + 1

    @property
    def takings(self) -> Iterator[Taking]:
        """Of all its medicines."""
        return (taking for daily in self.medicines for taking in daily.takings)


@frozen
class BloodTest:
    """A day on which blood is drawn, and the letter of the step that waits for it, if any.

    `number` counts the day from day 1 of the plan; a test before that has none.
    """

    day: date
    number: int | None
    before: str = ""


@frozen
class Cell:
    """One day of a month page: its step, if any, and whether blood is drawn.

    `even` tells every second step, so that neighbours can be tinted apart.
    """

    number: int
    letter: str
    first_of_step: bool
    even: bool
    lab: bool


@frozen
class Month:
    """A month page: its weeks, ``None`` for the days of other months."""

    name: str
    weeks: tuple[tuple[Cell | None, ...], ...]


def patient_steps(
    plan: Plan, start: date, at_home: Sequence[HomeUse], locale: Locale
) -> tuple[PatientStep, ...]:
    """The unconditional steps; those at the same doses are one.

    `at_home` is what becomes of the tablets at home, over the plan's steps.
    """
    stretches = [list(same) for _, same in groupby(plan.steps, key=lambda step: step.lines)]
    return tuple(
        PatientStep(
            letter=_letter(place),
            first=start + timedelta(days=stretch[0].first_day),
            last=start + timedelta(days=stretch[-1].last_day),
            first_day=stretch[0].first_day + 1,
            medicines=tuple(_daily(line, locale) for line in _new_first(stretch[0])),
            at_home=tuple(_home_changes(at_home, stretch[0].first_day, locale)),
        )
        for place, stretch in enumerate(stretches)
    )


def _daily(line: LineDose, locale: Locale) -> Daily:
    return Daily(
        part=line.part,
        medicine=locale.medicine(line.preparation),
        total=locale.amount(line.preparation, line.amount),
        takings=tuple(_takings(line, locale)),
    )


def blood_tests(
    draws: Iterable[LabDraw], start: date, steps: Sequence[PatientStep]
) -> tuple[BloodTest, ...]:
    """The draws of a plan that begins on a day, with the steps that wait for them."""
    letters = {step.first: step.letter for step in steps}

    def before(draw: LabDraw) -> str:
        step = draw.read_before
        return "" if step is None else letters[start + timedelta(days=step)]

    return tuple(
        BloodTest(
            day=start + timedelta(days=draw.day),
            number=draw.day + 1 if draw.day > 0 else None,
            before=before(draw),
        )
        for draw in draws
    )


def _home_changes(uses: Sequence[HomeUse], day: int, locale: Locale) -> Iterator[HomeChange]:
    """What changes on a day in the use of the tablets at home."""
    for use in uses:
        for place, turn in enumerate(use.turns):
            if turn.first_day == day and turn.use is not Use.AS_NOW:
                away = turn.use is Use.NOT_TAKEN
                what = locale.words[f"steps.{_home_key(use.turns, place)}"]
                supply = use.supply
                yield HomeChange(what, locale.box(supply.preparation, supply.strength), away)


def _home_key(turns: Sequence[Turn], place: int) -> str:
    if turns[place].use is Use.NOT_TAKEN:
        return "away" if place == len(turns) - 1 else "away-for-now"
    return "again" if place and turns[place - 1].use is Use.NOT_TAKEN else "only"


def _letter(place: int) -> str:
    """A, B, … Z, AA, AB, …"""
    rounds, letter = divmod(place, len(ascii_uppercase))
    return (ascii_uppercase[rounds - 1] if rounds else "") + ascii_uppercase[letter]


def _new_first(step: Step) -> list[LineDose]:
    return sorted(step.lines, key=lambda line: line.part is SwitchPart.OLD)


def _takings(line: LineDose, locale: Locale) -> Iterator[Taking]:
    """One medicine of a step, apart by the time or the day where its doses are not alike."""
    if line.week:
        for taken, days in zip(line.week, SHARED_WEEK, strict=True):
            part = tuple(_tablet(line, piece, piece.count, locale) for piece in taken.pieces)
            named = locale.listed([locale.weekday(day) for day in days])
            yield _taking(line, part, locale.plain("when.on-days", days=named), locale)
        return
    if line.times:
        for taken, when in zip(line.times, _TIMES[len(line.times)], strict=True):
            part = tuple(_tablet(line, piece, piece.count, locale) for piece in taken.pieces)
            yield _taking(line, part, locale.words[f"when.at.{when}"], locale)
        return
    pieces = line.tablets.pieces if line.tablets else ()
    each = tuple(_tablet(line, piece, count_each(line, piece), locale) for piece in pieces)
    yield _taking(line, each, locale.words[f"when.in-{line.doses_per_day}"], locale)


_TIMES = {2: (0, 2), 3: (0, 1, 2)}
"""Morning, afternoon, bedtime: when the day's doses are taken, by how many there are; see
`words.doses.TIMES_OF_DAY`."""


def _taking(line: LineDose, taken: tuple[Tablet, ...], when: str, locale: Locale) -> Taking:
    return Taking(
        medicine=locale.medicine(line.preparation),
        tablets=taken,
        when=when,
        doses_per_day=line.doses_per_day if line.tablets else None,
        carries_t3=line.preparation.carries_t3,
    )


def _tablet(line: LineDose, piece: Piece, count: Fraction, locale: Locale) -> Tablet:
    strength = locale.amount(line.preparation, piece.strength)
    return Tablet(count, locale.tablets(count), strength)


def months(steps: Sequence[PatientStep], labs: Sequence[date], locale: Locale) -> Iterator[Month]:
    """Month pages from the first day of the plan to the last."""
    first, last = steps[0].first, steps[-1].last
    lettered = {
        step.first + timedelta(days=day): step.letter
        for step in steps
        for day in range((step.last - step.first).days + 1)
    }
    begins, draws = {step.first for step in steps}, set(labs)
    even = {step.letter for step in steps[1::2]}

    def cell(day: date) -> Cell:
        letter = lettered.get(day, "")
        return Cell(day.day, letter, day in begins, letter in even, day in draws)

    pages = Calendar(firstweekday=locale.first_weekday)
    year, month = first.year, first.month
    while (year, month) <= (last.year, last.month):
        yield Month(
            name=locale.month(date(year, month, 1)),
            weeks=tuple(
                tuple(cell(day) if day.month == month else None for day in week)
                for week in pages.monthdatescalendar(year, month)
            ),
        )
        year, month = (year + 1, 1) if month == 12 else (year, month + 1)


@frozen
class OrderRow:
    """One medicine at one dose.

    `needed` are the tablets that it takes, strength by strength; empty where the patient goes
    on with the supply they have. What is fetched when stands in the pharmacy list.
    """

    part: SwitchPart
    first: str
    last: str
    days: int
    dose: str
    tablets: str
    needed: str
    note: str
    waits: bool

    @property
    def part_word(self) -> str:
        """Which side of the switch it is on."""
        return PARTS[self.part]


@frozen
class DecisionRow:
    """One row of the decision: what the labs say, and what follows."""

    reading: str
    title: str
    condition: str
    statement: str
    orders: tuple[OrderRow, ...]
    endings: tuple[str, ...]
    drawn: str
    labs: tuple[str, ...]


def order_rows(letter: Letterhead, series: Sequence[OrderedCourse]) -> tuple[OrderRow, ...]:
    """The series, one row per medicine and dose."""
    return tuple(_row(letter, course) for course in series)


def _row(letter: Letterhead, course: OrderedCourse) -> OrderRow:
    line = course.line
    return OrderRow(
        part=line.part,
        first=letter.words(course.first_day),
        last=letter.words(course.last_day),
        days=course.days,
        dose=daily_dose(line),
        tablets=tablets_a_day(line),
        needed=needed(course),
        note=line.note,
        waits=course.stage is Stage.HOLD,
    )


def series_endings(letter: Letterhead, plan: Plan) -> tuple[str, ...]:
    """What happens to the orders that stand today, and what else is to be done on a day."""
    tasks = (*series_tasks(letter, plan.steps, letter.series), *dated_acts(letter))
    return tuple(task["description"] for task in tasks)


def next_up(letter: Letterhead, plan: Plan) -> tuple[tuple[str, str], ...]:
    """What comes next, each with its date: the next change of a dose, the labs, their decision."""
    found: list[tuple[int, str]] = []
    changes = [step for step in plan.steps if step.lines != plan.steps[0].lines]
    if changes:
        doses = " and ".join(daily_dose(line) for line in _new_first(changes[0]))
        found.append((changes[0].first_day, f"the dose changes: {doses}"))
    draw = next((each for each in plan.labs if each.day >= 0), None)
    if draw is not None:
        found.append((draw.day, "blood is drawn"))
    found.append((plan.checkpoint.decision_day, "the labs decide what follows"))
    return tuple((letter.words(day), what) for day, what in sorted(found))


def lab_words(letter: Letterhead, draws: Sequence[LabDraw]) -> tuple[str, ...]:
    """The draws, dated, each with what it is for; what is drawn alike at all stands in `drawn`."""
    if not drawn(draws):
        return tuple(draw_words(letter.wording, draw) for draw in draws)
    return tuple(_drawn_alike(letter, draw) for draw in draws)


def _drawn_alike(letter: Letterhead, draw: LabDraw) -> str:
    """The days of a draw, and what it has of its own."""
    days = lab_days(letter.wording, draw)
    own = draw.statement.removeprefix(DRAW).removeprefix("; ")
    about = about_draw(letter.wording, draw, own)
    return f"{days}: {about}" if about else days


def drawn(draws: Sequence[LabDraw]) -> str:
    """What is drawn at each of several draws, to be said once; empty where they differ."""
    alike = len(draws) > 1 and all(draw.statement.startswith(DRAW) for draw in draws)
    return DRAW if alike else ""


def checks_words(letter: Letterhead, scope: Scope) -> tuple[str, ...]:
    """What else is measured in a part of the plan, dated."""
    return tuple(check_words(letter, check) for check in letter.checks_in(scope))


def choices(letter: Letterhead, plan: Plan) -> Iterator[DecisionRow]:
    """The branches of the checkpoint, of which exactly one is taken."""
    for branch, own in zip(plan.checkpoint.branches, letter.branches, strict=True):
        yield _choice(letter, branch, own)


def _choice(letter: Letterhead, branch: Branch, own: tuple[OrderedCourse, ...]) -> DecisionRow:
    condition = letter.conditions[branch.reading]
    tasks = branch_tasks(letter, letter.option_scope(branch), letter.series, branch, own)
    return DecisionRow(
        reading=branch.reading,
        title=condition.title,
        condition=condition.words,
        statement=branch.statement,
        orders=order_rows(letter, own),
        endings=tuple(task["description"] for task in tasks),
        drawn=drawn(branch.labs),
        labs=(*lab_words(letter, branch.labs), *checks_words(letter, letter.option_scope(branch))),
    )
