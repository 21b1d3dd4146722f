"""The prescriber's tables: every order with its dates and tablets, and the decision to take."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from crossgrain.dosing.plan import Branch, LabDraw, OrderedCourse, Plan, Stage, SwitchPart
from crossgrain.words.doses import daily_dose, tablets_a_day
from crossgrain.writing.acts import dated_acts
from crossgrain.writing.dosage import needed
from crossgrain.writing.labels import PARTS
from crossgrain.writing.labs import lab_days, not_steady
from crossgrain.writing.letterhead import Letterhead
from crossgrain.writing.prior import branch_tasks, series_tasks


@dataclass(frozen=True, slots=True)
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


@dataclass(frozen=True, slots=True)
class DecisionRow:
    """One row of the decision: what the labs say, and what follows."""

    reading: str
    title: str
    condition: str
    statement: str
    orders: tuple[OrderRow, ...]
    endings: tuple[str, ...]
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


def lab_words(letter: Letterhead, draws: Sequence[LabDraw]) -> tuple[str, ...]:
    """The draws, dated, each with what it is for."""
    dates = letter.wording
    return tuple(
        " ".join((f"{lab_days(dates, draw)}: {draw.statement}.", *not_steady(dates, draw)))
        for draw in draws
    )


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
        labs=lab_words(letter, branch.labs),
    )
