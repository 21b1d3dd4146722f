"""A patient lives day by day with a clinic: swallows or forgets, feels, has blood drawn, calls."""

from dataclasses import dataclass, field
from typing import Final

from tests.properties.course.clinic import Clinic, HowItGoes, Result
from tests.properties.course.patients import Patient
from tests.properties.course.physiology import Body, TimedDoses

WEEKS_104: Final = 728
RESULTS_TAKE_DAYS = 2
LATE: Final = ((0, 70), (1, 8), (2, 6), (3, 5), (5, 3), (8, 3), (12, 3), (None, 2))
"""Days by which a draw is late, in how many of a hundred; `None` never comes: ours."""

PALPITATIONS: Final = (0.002, 0.15)
JITTERS: Final = (0.005, 0.20)
"""Chance in a week, within the band and past it: ours. Labels name both as signs of too much."""
T3_PAST, SIGNAL_PAST, SIGNAL_SHORT = 1.6, 1.3, 0.75
"""Load of T3, and the signal, as multiples of what the body had before day one: ours."""
TIRED: Final = (0.05, 0.5)
"""Chance in two weeks, within the band and below it: ours."""
PULSE_PER_SIGNAL, PULSE_SPREAD = 20.0, 5.0
"""Beats a minute for each unit of the signal, and from day to day: ours."""


@dataclass(frozen=True, slots=True)
class Day:
    """What was true of one day."""

    ordered: TimedDoses
    tsh: float
    """As it truly was, in the morning."""
    signal: float


@dataclass(slots=True)
class Life:
    """Two years of one patient with one clinic."""

    patient: Patient
    clinic: Clinic
    days: list[Day] = field(default_factory=list)


def live(patient: Patient, clinic: Clinic, days: int = WEEKS_104) -> Life | None:
    """The course, or nothing where the clinic does not begin one."""
    if not clinic.begin():
        return None
    body, life = patient.body(), Life(patient, clinic)
    feels = _Feelings(patient, body)
    arrived: set[int] = set()
    for day in range(days):
        how = feels.today(body, day)
        arrived |= _blood(patient, clinic, body, day, arrived)
        for result in clinic.results:
            if result.back == day:
                clinic.read(result, how)
        clinic.morning(day, how)
        if feels.calls(day):
            clinic.told(day, how)
        ordered = clinic.doses(day)
        life.days.append(Day(ordered, body.tsh, body.signal))
        body.live(ordered if patient.swallows(day) else {})
    return life


def _blood(patient: Patient, clinic: Clinic, body: Body, day: int, arrived: set[int]) -> set[int]:
    """Draw what is due on a day; all planned days up to it are settled by that."""
    waiting = clinic.planned - arrived
    if not any(_comes(patient, planned) == day for planned in waiting):
        return set()
    clinic.results.append(Result(day, day + RESULTS_TAKE_DAYS, patient.drawn(body, day)))
    return {planned for planned in waiting if planned <= day}


def _comes(patient: Patient, planned: int) -> int | None:
    """The day on which the patient comes for a draw that was ordered for another."""
    late, often = zip(*LATE, strict=True)
    by: int | None = patient.chance("late", planned).choices(late, often)[0]
    return None if by is None else planned + by


class _Feelings:
    """What a patient feels, by what the body has now beside what it had before day one."""

    def __init__(self, patient: Patient, body: Body) -> None:
        self._patient = patient
        self._usual = body.signal, max(body.t3_load, 0.5)
        self._palpitated: list[int] = []
        self._jittery: list[int] = []

    def today(self, body: Body, day: int) -> HowItGoes:
        """What is told of the last two weeks, once today's chance has been taken."""
        past = self._past(body)
        if day % 7 == 0:
            chance = self._patient.chance("symptoms", day)
            if chance.random() < PALPITATIONS[past]:
                self._palpitated.append(day)
            if chance.random() < JITTERS[past]:
                self._jittery.append(day)
        chance = self._patient.chance("feels", day)
        signal = body.signal / self._usual[0]
        resting = self._patient.case.pulse or 70
        return HowItGoes(
            palpitations=any(at > day - 14 for at in self._palpitated),
            jitters=any(at > day - 14 for at in self._jittery),
            fatigue=chance.random() < TIRED[signal < SIGNAL_SHORT],
            missed_days=sum(
                not self._patient.swallows(back) for back in range(max(day - 14, 0), day)
            ),
            pulse=round(resting + PULSE_PER_SIGNAL * (signal - 1) + chance.gauss(0, PULSE_SPREAD)),
        )

    def _past(self, body: Body) -> bool:
        signal, t3 = self._usual
        return body.signal > SIGNAL_PAST * signal or body.t3_load > T3_PAST * t3

    def calls(self, day: int) -> bool:
        """Palpitations that began today are a reason to call."""
        return day in self._palpitated
