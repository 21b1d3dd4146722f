"""What every simulated clinic does: it orders doses and draws, and reads what comes back."""

from dataclasses import dataclass, field

from tests.properties.course.floor import Promise
from tests.properties.course.patients import Patient
from tests.properties.course.physiology import Drawn, TimedDoses

FAST_PULSE = 100
"""Beats a minute at rest (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class HowItGoes:
    """What a patient tells of the last two weeks, and the pulse that is counted."""

    palpitations: bool = False
    jitters: bool = False
    fatigue: bool = False
    missed_days: int = 0
    pulse: int = 70

    @property
    def too_fast(self) -> bool:
        """Symptoms of too fast a climb."""
        return self.palpitations or self.jitters or self.fast_pulse

    @property
    def fast_pulse(self) -> bool:
        """Palpitations, or a fast pulse at rest."""
        return self.palpitations or self.pulse > FAST_PULSE


@dataclass(frozen=True, slots=True)
class Result:
    """One draw, and the day on which the clinic has its results."""

    day: int
    back: int
    found: Drawn


@dataclass(frozen=True, slots=True)
class Deed:
    """What the clinic did on a day, in one word, with what it was told."""

    day: int
    act: str
    words: str = ""


@dataclass
class Clinic:
    """One patient's clinic. A strategy says what it orders."""

    patient: Patient
    results: list[Result] = field(default_factory=list)
    planned: set[int] = field(default_factory=set)
    """The days for which a draw is ordered."""
    visits: set[int] = field(default_factory=set)
    deeds: list[Deed] = field(default_factory=list)
    flaws: list[str] = field(default_factory=list)
    """What no clinic could carry out in the answers that it was given."""
    promises: list[Promise] = field(default_factory=list)
    """What the answers forecast, in their order."""

    def begin(self) -> bool:
        """Plan the move; false where it is not made."""
        raise NotImplementedError

    def morning(self, day: int, how: HowItGoes) -> None:
        """What is due on a day, whether or not something came in."""

    def read(self, result: Result, how: HowItGoes) -> None:
        """Results are back."""
        raise NotImplementedError

    def told(self, day: int, how: HowItGoes) -> None:
        """The patient calls with palpitations."""

    def doses(self, day: int) -> TimedDoses:
        """What is ordered for a day."""
        raise NotImplementedError

    def did(self, day: int, act: str, words: str = "") -> None:
        """Write a decision down; the patient was seen for it."""
        self.visits.add(day)
        self.deeds.append(Deed(day, act, words))

    def promised(self, promise: Promise | None) -> None:
        """Keep what an answer forecasts, where it does."""
        if promise:
            self.promises.append(promise)

    def outside(self, tsh: float) -> int:
        """-1 below the patient's own range, 1 above it, else 0."""
        low, high = self.patient.tsh_range
        return (tsh > high) - (tsh < low)
