"""Simulated patients by number: a body, what it lives on, where it is to move, how it keeps to it.

Chance is drawn for each patient, day and purpose apart, so that under another strategy the same
patient misses the same days and the same day's laboratory errs the same way.
"""

import random
from dataclasses import dataclass
from functools import cached_property
from math import exp
from typing import Final

from tests.properties.course.physiology import (
    TSH_RANGE,
    Body,
    Drawn,
    TimedDoses,
    Traits,
    draw,
    drawn_traits,
    settled,
)
from tests.properties.titration.grid import Case, Taken

MOVES: Final = (
    (("lt4",), "desiccated-thyroid", 30),
    (("lt4",), "levothyroxine-liothyronine", 20),
    (("lt4",), "liothyronine", 8),
    (("d60",), "levothyroxine", 20),
    (("d60",), "levothyroxine-liothyronine", 6),
    (("lt3",), "levothyroxine", 8),
    (("lt4", "lt3"), "levothyroxine", 8),
)
"""From, to, and how often in a hundred: ours."""
CHARTS: Final = ("practice", "label", "trial", "content")
ORDERABLE: Final = {"lt4": 12.5, "d60": 15.0, "lt3": 5.0}
"""The grid of doses of today; labels, how supplied."""
AS_TITRATED: Final = 0.07
"""Log spread of today's dose around what the body needs: ours."""
STARTS_WITHIN: Final = (0.25, 9.0)
"""mIU/L of those who are moved at all: ours."""
TIMES: Final = {1: ("MORN",), 2: ("MORN", "HS")}


@dataclass(frozen=True)
class Patient:
    """One simulated patient and the move that is asked for."""

    seed: int
    number: int
    traits: Traits
    case: Case
    misses: float
    """Part of the days on which all is forgotten."""
    gap: range
    """Days of one longer pause, mostly none."""

    def chance(self, purpose: str, day: int = 0) -> random.Random:
        """The luck of one day in one thing."""
        return random.Random(f"{self.seed} {self.number} {purpose} {day}")

    def swallows(self, day: int) -> bool:
        """Whether the day's medicine is taken."""
        return day not in self.gap and self.chance("missed", day).random() >= self.misses

    def drawn(self, body: Body, day: int) -> Drawn:
        """What the laboratory finds on a day."""
        return draw(body, self.chance("laboratory", day))

    @property
    def tsh_range(self) -> tuple[float, float]:
        """Up to 6 mIU/L from 70 years (ATA 2014, as summarised)."""
        low, high = TSH_RANGE
        return low, max(high, 6.0) if self.case.age >= 70 else high

    @cached_property
    def before(self) -> TimedDoses:
        """What is taken before day one, by time of day."""
        return timed(self.case.taken)

    def body(self) -> Body:
        """The body on day one."""
        return settled(self.traits, self.before)


def timed(taken: tuple[Taken, ...]) -> TimedDoses:
    """Equal doses at usual times."""
    return {
        (one.medicine, time): one.amount / one.times for one in taken for time in TIMES[one.times]
    }


def patient(seed: int, number: int) -> Patient:
    """The patient of one number of one seed: always the same."""
    chance = random.Random(f"{seed} {number}")
    while True:
        made = _patient(seed, number, chance)
        if made:
            return made


def _patient(seed: int, number: int, chance: random.Random) -> Patient | None:
    """One by chance, or none where TSH is so far off that nobody would move."""
    age = chance.choice((24, 31, 38, 45, 52, 58, 63, 68, 74, 79))
    weight = min(max(chance.gauss(76, 14), 46), 125)
    traits = drawn_traits(chance, weight, age)
    medicines, target, _ = chance.choices(MOVES, [often for *_, often in MOVES])[0]
    taken = _taken(medicines, traits, chance)
    body = settled(traits, timed(taken))
    found = draw(body, chance)
    tsh = min(body.tsh, found.tsh), max(body.tsh, found.tsh)
    if tsh[0] < STARTS_WITHIN[0] or tsh[1] > STARTS_WITHIN[1]:
        return None
    paused = chance.randint(20, 200)
    case = Case(
        taken=taken,
        target=target,
        basis=chance.choice(CHARTS),
        pace=chance.choice(("standard", "standard", "standard", "brisk", "cautious")),
        age=age,
        female=chance.random() < 0.8,
        weight=round(weight, 1),
        tsh=found.tsh,
        free_t4=found.free_t4,
        free_t3=found.free_t3,
        tsh_range=TSH_RANGE,
        tsh_days=10,
        pulse=round(chance.gauss(70, 6)),
        conditions=("coronary-disease",) if age >= 58 and chance.random() < 0.1 else (),
    )
    return Patient(
        seed, number, traits, case,
        misses=chance.uniform(0, 0.06),
        gap=range(paused, paused + 14) if chance.random() < 0.04 else range(0),
    )  # fmt: skip


def _taken(medicines: tuple[str, ...], traits: Traits, chance: random.Random) -> tuple[Taken, ...]:
    """A regimen that a clinic has titrated to about what the body needs."""
    need = traits.need_ug * (1 - traits.remnant) * exp(chance.gauss(0, AS_TITRATED))
    if medicines == ("lt4", "lt3"):
        lt3 = chance.choice((5.0, 10.0))
        need -= traits.worth("lt3", lt3)
        return (_nearest("lt4", need, traits), Taken("lt3", lt3, 1 if lt3 == 5 else 2))
    return (_nearest(medicines[0], need, traits),)


def _nearest(medicine: str, need: float, traits: Traits) -> Taken:
    grid = ORDERABLE[medicine]
    amount = max(round(need / traits.worth(medicine, grid)), 1) * grid
    return Taken(medicine, amount, 2 if medicine == "lt3" and amount > 5 else 1)
