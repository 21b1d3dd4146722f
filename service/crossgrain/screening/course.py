"""What a record tells of one patient's thyroid hormone over time.

Days are whole numbers counted from the day of reading: 0 is today, the past is negative.
"""

from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

from crossgrain.dosing.preparations import Kind
from crossgrain.dosing.regimens import DoseLine
from crossgrain.safety.facts import Measurement


class End(StrEnum):
    """How the last day of a medicine is known."""

    OPEN = "open"  # taken today, with no end
    DATED = "dated"
    UNDATED = "undated"  # over, and the record does not say since when


@dataclass(frozen=True, slots=True)
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
    """Why TSH cannot be weighed against the usual range."""

    CENTRAL = "central-hypothyroidism"
    PREGNANCY = "pregnancy"
    SUPPRESSION = "tsh-suppression-goal"


@dataclass(frozen=True, slots=True)
class Dispense:
    """One hand-over of a thyroid medicine: a sign that it is taken, not a dose."""

    kind: Kind
    day: int
    reference: str


@dataclass(frozen=True, slots=True)
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
    dispenses : what was handed over, in any order
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
