"""What is done at a visit in the middle of a plan, or where none runs: one answer for every state.

A `Visit` is where the patient stands, one value for each dimension. The table (a data file) gives
the answer in stages, and an earlier stage has the last word:

==========  ==========================================================================
emergency   what cannot wait
rule        a pregnancy that the plan was not made for, or a rule that stops it
reading     what was ordered is not what was taken, or the labs cannot be read
pace        signs of too fast a climb
labs        what the labs say of today's dose
finding     what is new in the record speaks against a rise
schedule    nothing speaks against the plan: on, as its dates have it
==========  ==========================================================================

Within a stage at most one row holds, and in the last stage always one, so that every visit has
exactly one answer. A test goes through every visit that there can be.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import fields, replace
from enum import StrEnum
from itertools import product

from crossgrain.dosing.onward import Act
from crossgrain.dosing.plan import LabReading
from crossgrain.dosing.underway import DrawnWhen
from crossgrain.names.numbers import Numbers
from crossgrain.names.values import frozen


class Position(StrEnum):
    """Where in a plan the patient is."""

    NONE = "no-plan"
    CLIMB = "climb"  # a dose is to rise yet, on the way to the checkpoint or in a branch after it
    WAITING = "waiting"  # at the checkpoint's dose, until its labs decide
    AFTER = "after"  # past the checkpoint, until two TSHs in a row are in range
    MAINTENANCE = "maintenance"


class Alarm(StrEnum):
    """What speaks against the plan as a whole."""

    NONE = "none"
    EMERGENCY = "emergency"
    PREGNANCY = "pregnancy"  # one that the plan was not made for
    RULE = "stop-rule"


@frozen
class AlarmCodes:
    """What the safety rules that stop a plan mean in the middle of one, by their codes.

    Attributes
    ----------
    emergency : what cannot wait
    pregnancy : turns back
    elsewhere : answered by the rows on labs, or on day one, so that they stop nothing here
    """

    emergency: frozenset[str]
    pregnancy: frozenset[str]
    elsewhere: frozenset[str]


class DosesTaken(StrEnum):
    """What was taken, beside what was ordered."""

    AS_ORDERED = "as-ordered"
    MISSED = "missed"  # on more of the last fourteen days than labs allow
    GAP = "gap"  # nothing was taken for so long that the pools emptied; it is taken again
    STOPPED = "stopped"  # nothing is taken


class TooFast(StrEnum):
    """Signs of too fast a climb, since the last visit."""

    NONE = "none"
    JITTERS = "jitters"  # jitters or sleeplessness
    PALPITATIONS = "palpitations"  # palpitations or a fast pulse


class LabsSay(StrEnum):
    """What the labs say that no earlier answer has weighed."""

    NONE = "none"  # there are none, and none is due
    DUE = "due"  # the day of the plan's own draw is here or past, and none has come
    OVERDUE = "overdue"
    EARLY = "early"  # not steady yet, and nothing in them changes the plan
    EARLY_SUPPRESSED = "early-suppressed"
    EARLY_LOW = "early-low"  # a low TSH, or free T3 above its range
    EARLY_VERY_HIGH = "early-very-high"
    UNREADABLE = "unreadable"  # on biotin, not final, or without a date or a unit
    DISAGREEING = "disagreeing"
    INCOMPLETE = "incomplete"  # free T3 is missing, without which no reading holds
    SPECIALIST = "specialist"  # results by which no dose changes by itself
    VERY_HIGH = LabReading.VERY_HIGH.value
    HIGH = LabReading.HIGH.value
    HIGH_FREE_T3 = LabReading.HIGH_FREE_T3.value
    IN_RANGE = LabReading.IN_RANGE.value
    SYMPTOMS = LabReading.SYMPTOMS.value
    LOW = LabReading.LOW.value
    VERY_LOW = LabReading.VERY_LOW.value

    @property
    def reading(self) -> LabReading | None:
        """The branch that they ask for; ``None`` where they decide nothing."""
        return LabReading(self.value) if self.value in set(LabReading) else None


class Lateness(StrEnum):
    """Today's dose beside the plan's dates."""

    ON_TIME = "on-time"
    BEHIND = "behind"
    AHEAD = "ahead"


class Stock(StrEnum):
    """Whether the tablets of the doses to come can be had."""

    AS_PLANNED = "as-planned"
    OUT = "out"
    NONE = "none"  # none make today's dose for as long as it is to be taken


class News(StrEnum):
    """Whether a rule holds a rise for what no visit has weighed, such as a disease found since."""

    NONE = "none"
    HOLD = "hold"


class Before(StrEnum):
    """How often an earlier visit was answered for the same reason, since the last step that labs
    decided."""

    NOT = "not"
    ONCE = "once"
    OFTEN = "often"


@frozen
class Visit:
    """Where a patient stands: one value for each dimension of the table."""

    position: Position
    alarm: Alarm = Alarm.NONE
    taking: DosesTaken = DosesTaken.AS_ORDERED
    too_fast: TooFast = TooFast.NONE
    labs: LabsSay = LabsSay.NONE
    schedule: Lateness = Lateness.ON_TIME
    stock: Stock = Stock.AS_PLANNED
    news: News = News.NONE
    before: Before = Before.NOT


DIMENSIONS: Mapping[str, type[StrEnum]] = {
    "position": Position,
    "alarm": Alarm,
    "taking": DosesTaken,
    "too_fast": TooFast,
    "labs": LabsSay,
    "schedule": Lateness,
    "stock": Stock,
    "news": News,
    "before": Before,
}
assert tuple(DIMENSIONS) == tuple(field.name for field in fields(Visit))


class Precedence(StrEnum):
    """In which order the rows are asked; see the module."""

    EMERGENCY = "emergency"
    RULE = "rule"
    READING = "reading"
    PACE = "pace"
    LABS = "labs"
    FINDING = "finding"
    SCHEDULE = "schedule"


AS_READ = "as-read"
"""As the `reading` of a row: the branch is the one that the labs ask for."""


@frozen
class VisitRow:
    """One entry of the table.

    Attributes
    ----------
    code : its own name
    stage : when it is asked
    when : of a dimension the values that it holds for; of one that is not named, all
    act : what is done
    reason : for what; a second answer for one reason asks
    reading : the branch of a `branch`: a `LabReading`, or `AS_READ`
    hold_days : how long today's dose is held; ``None`` until the next labs
    draw : when the labs are drawn that the hold waits for; ``None`` as the plan has them
    freeze_old : what is to fall of the old medicine stays as it is
    says : what was found, in plain words for the prescriber
    do : what to do, or what to settle
    source : on whose word
    """

    code: str
    stage: Precedence
    when: Mapping[str, frozenset[StrEnum]]
    act: Act
    reason: str
    reading: str
    hold_days: int | None
    draw: DrawnWhen | None
    freeze_old: bool
    says: str
    do: str
    source: str

    def holds_for(self, visit: Visit) -> bool:
        """Whether it is the row of a visit, if its stage is reached."""
        return all(getattr(visit, name) in values for name, values in self.when.items())


DecisionTable = tuple[VisitRow, ...]
"""The rows in the order of the file."""


@frozen
class Decision:
    """The one answer to a visit.

    Attributes
    ----------
    row : the code of the row that gives it
    stage : in which stage it was given
    act : what is done
    reason : for what; carried on, so that a second answer for it asks
    reading : the branch, where `act` is one
    hold_days : how long today's dose is held; ``None`` until the next labs
    draw : when the labs are drawn that the hold waits for; ``None`` as the plan has them
    freeze_old : what is to fall of the old medicine stays as it is
    says, do : what was found and what to do, in plain words
    source : on whose word
    """

    row: str
    stage: Precedence
    act: Act
    reason: str
    reading: LabReading | None
    hold_days: int | None
    draw: DrawnWhen | None
    freeze_old: bool
    says: str
    do: str
    source: str

    @property
    def changes_nothing(self) -> bool:
        """Whether the plan goes on as it is."""
        return self.act is Act.CONTINUE and not self.freeze_old


VISIT_KEYS: Mapping[str, str] = {
    "gap_days": "next_step.gap_days",
    "slack_days": "next_step.slack_days",
    "overdue_days": "next_step.overdue_days",
    "supply_days": "next_step.supply_days",
    "unanswered_days": "next_step.unanswered_days",
    "parked_days": "next_step.parked_days",
    "yearly_days": "labs.maintenance_days.third",
}


@frozen
class VisitLimits:
    """The days by which it is settled where a patient stands; see the numbers file."""

    gap_days: int
    slack_days: int
    overdue_days: int
    supply_days: int
    unanswered_days: int
    parked_days: int
    yearly_days: int


def visit_limits_from(numbers: Numbers) -> VisitLimits:
    """The limits, by their keys."""
    return VisitLimits(**{name: int(numbers[key].value) for name, key in VISIT_KEYS.items()})


def rows_for(visit: Visit, table: DecisionTable) -> tuple[VisitRow, ...]:
    """The rows of the first stage in which any holds: exactly one, in a sound table."""
    for stage in Precedence:
        found = tuple(row for row in table if row.stage is stage and row.holds_for(visit))
        if found:
            return found
    return ()


def decide(visit: Visit, table: DecisionTable) -> Decision:
    """The answer to a visit.

    Raises
    ------
    ValueError
        where the table has no row or several for it; the shipped one has one for every visit.
    """
    (row,) = rows_for(visit, table)
    return Decision(
        row=row.code,
        stage=row.stage,
        act=row.act,
        reason=row.reason,
        reading=_reading(row, visit),
        hold_days=row.hold_days,
        draw=row.draw,
        freeze_old=row.freeze_old,
        says=row.says,
        do=row.do,
        source=row.source,
    )


def _reading(row: VisitRow, visit: Visit) -> LabReading | None:
    if not row.reading:
        return None
    return visit.labs.reading if row.reading == AS_READ else LabReading(row.reading)


def decide_again(visit: Visit, reasons: Sequence[str], table: DecisionTable) -> Decision:
    """The answer to a visit, in the light of the reasons for which earlier ones were answered.

    Parameters
    ----------
    reasons : of the holds and the slower climbs since the last step that labs decided
    """
    times = reasons.count(decide(replace(visit, before=Before.NOT), table).reason)
    before = (Before.NOT, Before.ONCE, Before.OFTEN)[min(times, 2)]
    return decide(replace(visit, before=before), table)


def every_visit() -> Iterator[Visit]:
    """Every visit that there can be: the whole product of the dimensions."""
    for values in product(*DIMENSIONS.values()):
        yield Visit(*values)  # type: ignore[arg-type]  # in the order of the fields, see above
