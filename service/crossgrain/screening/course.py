"""What a record says of one patient over time, and what the screening concludes.

Days are whole numbers counted from the day of reading: 0 is today, the past is negative.
"""

from dataclasses import field
from datetime import date
from enum import StrEnum
from fractions import Fraction

from crossgrain.dosing.preparations import Kind
from crossgrain.dosing.regimens import DoseLine
from crossgrain.names.values import frozen
from crossgrain.safety.facts import Measurement


class End(StrEnum):
    """How the last day of a medicine is known."""

    OPEN = "open"  # taken today, with no end
    DATED = "dated"
    UNDATED = "undated"  # over, and the record does not say since when


@frozen
class DoseRun:
    """One dose of one medicine over a run of days.

    Attributes
    ----------
    kind : the kind of preparation
    lines : the dose; empty where `doubt` says why it cannot be read
    first_day, last_day : both included; `last_day` is ``None`` unless `end` is dated
    reference : how the record refers to the resource, e.g. ``MedicationRequest/7``
    group : orders of one group were meant to be taken together
    replaces : references that this one takes the place of
    from_text : some of it was read from free text
    doubt : why the dose cannot be told, or empty
    against : references to what says that it was not taken
    """

    kind: Kind
    lines: tuple[DoseLine, ...]
    first_day: int
    last_day: int | None
    end: End
    reference: str
    group: str = ""
    replaces: frozenset[str] = frozenset()
    from_text: bool = False
    doubt: str = ""
    against: tuple[str, ...] = ()

    @property
    def dose(self) -> tuple[tuple[str, Fraction], ...]:
        """Preparation and mean daily amount of each line: equal for two orders of one dose."""
        return tuple(sorted((line.preparation.id, line.daily) for line in self.lines))


class Aim(StrEnum):
    """Why TSH cannot be judged against the usual range."""

    CENTRAL = "central-hypothyroidism"
    PREGNANCY = "pregnancy"
    SUPPRESSION = "tsh-suppression-goal"


@frozen
class Dispense:
    """One dispensing of a thyroid medicine: a sign that it is taken, not a dose."""

    kind: Kind
    day: int
    reference: str


@frozen
class TakingHistory:
    """One patient, as far as a past switch is concerned.

    Attributes
    ----------
    intakes : every dated dose of thyroid hormone that was taken
    tsh, free_t4 : dated results, in any order
    aims : what sets this patient apart
    frail : heart disease or osteoporosis in the record
    age_years : ``None`` where not recorded
    planned_until : last day of a series that this service proposed and that is being followed
    unread_labs : references of results of the test that counts that could not be read
    dispenses : what was dispensed, in any order
    deceased : the record says so
    """

    intakes: tuple[DoseRun, ...]
    tsh: tuple[Measurement, ...] = ()
    free_t4: tuple[Measurement, ...] = ()
    aims: frozenset[Aim] = frozenset()
    frail: bool = False
    age_years: int | None = None
    planned_until: int | None = None
    unread_labs: tuple[str, ...] = ()
    dispenses: tuple[Dispense, ...] = ()
    deceased: bool = False


class Undecided(Exception):
    """What was taken cannot be told with certainty, so a person has to look.

    Parameters
    ----------
    reason : one sentence, without anything that identifies the patient
    references : the resources that it rests on
    """

    def __init__(self, reason: str, references: tuple[str, ...] = ()) -> None:
        super().__init__(reason)
        self.reason = reason
        self.references = references


class TooManyAtOnce(Undecided):
    """More medicines run at once than could be meant, and than are compared."""


class FlagCode(StrEnum):
    """What is the matter. Part of a flag's stable name, so never respelt."""

    UNDER = "under-dosed-switch"
    OVER = "over-dosed-switch"
    DISPUTED = "disputed-switch"
    LEFT_RUNNING = "old-medicine-left-running"
    NO_TSH = "no-tsh-after-switch"
    TSH_HIGH = "tsh-high-after-switch"
    TSH_LOW = "tsh-low-after-switch"
    LABS_OVERDUE = "plan-labs-overdue"
    LABS_UNANSWERED = "plan-labs-unanswered"
    PARKED = "plan-parked-below-checkpoint"


class FlagGrade(StrEnum):
    """How sure a flag is, surest first. `OBSERVED` is a fact that no ratio explains."""

    CONFIRMED = "confirmed"
    LIKELY = "likely"
    UNRESOLVED = "unresolved"
    SUSPECTED = "suspected"
    OBSERVED = "observed"


class Urgency(StrEnum):
    """How soon someone has to look, soonest first."""

    URGENT = "urgent"
    SOON = "soon"
    ROUTINE = "routine"


class ScreeningOutcome(StrEnum):
    """Where a patient ends; every patient ends in exactly one."""

    FLAGGED = "flagged"
    CLIMBING = "climbing"  # the dose still moves, or a series of ours is under way
    CLEARED = "cleared"  # a ratio was off, and a TSH on the present dose is in range
    SOUND = "sound"  # switched, and nothing is off
    NO_SWITCH = "no-switch"
    DECEASED = "deceased"
    NEEDS_REVIEW = "needs-review"  # the record cannot be read with certainty


@frozen
class FlagEvidence:
    """One fact that a flag rests on, and the resources that tell of it."""

    statement: str
    references: tuple[str, ...]


@frozen
class FlagSummary:
    """What a worklist says of a flag in one row; each part may be empty.

    Attributes
    ----------
    old_dose, new_dose : what was taken, and what is taken now
    result : the blood test that was weighed, with its date and range
    why : what is off, without the doses and results above
    """

    old_dose: str = ""
    new_dose: str = ""
    result: str = ""
    why: str = ""


@frozen
class Flag:
    """One finding about one switch, or about a plan of ours that runs.

    Attributes
    ----------
    code, grade, urgency : what, how sure, how pressing
    switched_on : first day of the change of preparation, or of the plan
    old_kinds, new_kinds : what was left, and what it came to
    ratios : basis id → LT4-equivalent, new over old
    aims : what sets this patient apart, so that TSH was weighed in another way
    statement : what was found, one sentence
    arithmetic : how each number came about, a line each
    evidence : what it rests on
    act : what to do next
    source : on whose word
    tsh_before, tsh_after : the results weighed, mIU/L, where there are any
    summary : the same for one row of a worklist
    """

    code: FlagCode
    grade: FlagGrade
    urgency: Urgency
    switched_on: date
    old_kinds: frozenset[Kind]
    new_kinds: frozenset[Kind]
    ratios: dict[str, Fraction]
    aims: frozenset[Aim]
    statement: str
    arithmetic: tuple[str, ...]
    evidence: tuple[FlagEvidence, ...]
    act: str
    source: str
    tsh_before: Fraction | None = None
    tsh_after: Fraction | None = None
    summary: FlagSummary = FlagSummary()

    @property
    def switch(self) -> str:
        """What was changed for what and when: the switch's own name."""
        old, new = ("+".join(sorted(kinds)) for kinds in (self.old_kinds, self.new_kinds))
        return f"{self.switched_on.isoformat()} {old} to {new}"

    @property
    def rank(self) -> tuple[int, int, float, str]:
        """Sorts the most certain first, then the most pressing, then the furthest off."""
        furthest = max((abs(float(r) - 1) for r in self.ratios.values()), default=0.0)
        return (_GRADES.index(self.grade), _URGENCIES.index(self.urgency), -furthest, self.code)


_GRADES = tuple(FlagGrade)
_URGENCIES = tuple(Urgency)


@frozen
class Screened:
    """One patient's answer.

    Attributes
    ----------
    outcome : where the patient ends
    flags : most certain and most pressing first
    why : the outcome in words, where nothing is flagged
    references : the resources that tell of the switch, or of what cannot be read
    switched_on : the first day of the change
    ratios, tsh_after : of every switch, flagged or not
    """

    outcome: ScreeningOutcome
    flags: tuple[Flag, ...] = ()
    why: str = ""
    references: tuple[str, ...] = ()
    switched_on: date | None = None
    ratios: dict[str, Fraction] = field(default_factory=dict)
    tsh_after: Fraction | None = None
