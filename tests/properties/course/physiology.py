"""A simulated body: two hormone pools, a pituitary that listens to both, and a laboratory.

It shares nothing with the service, and it is no patient. Swallowed T4 and T3 are absorbed in part
and leave by first-order kinetics; part of the T4 that leaves becomes T3. The pituitary hears a
`signal`, 1 where this body is content: its logarithm of TSH falls on a straight line as the signal
rises. How much of the signal is T4's own and how much is T3's follows from what LT3 is truly worth
in this body, which nobody in the simulated clinic knows.
"""

import random
from dataclasses import dataclass, field
from math import exp, log, log10
from typing import Final

# --- what the trade knows ---------------------------------------------------------------------
T4_HALF_LIFE_DAYS: Final = (7.0, 0.5)
"""Mean and spread; labels 6-7 days (from memory)."""
T3_HALF_LIFE_DAYS: Final = (1.0, 0.12)
"""1.0 day in eight euthyroid people (as quoted in a review); label 2.5 (secondary)."""
T4_ABSORBED: Final = (0.65, 0.80)
"""Levothyroxine label: 40-80 %; a tablet on an empty stomach lies in its upper part."""
T3_ABSORBED: Final = (0.88, 1.0)
"""Liothyronine label: 95 % in four hours."""
BECOMES_T3: Final = (0.31, 0.43)
"""By moles; Surks et al., J Clin Invest 1973;52: 42.6 % (30.7-50.8); 35 % (from memory)."""
MOLAR: Final = 650.97 / 776.87
"""g of T3 from g of T4."""
LT3_WORTH: Final = (2.0, 4.0)
"""µg LT4 that a µg LT3 is truly worth: between common practice and the desiccated label."""
GRAIN_WORTH: Final = (50.0, 100.0)
"""µg LT4 that a grain is truly worth: between common practice and a monograph as quoted."""
GRAIN_UG: Final = (38.0, 9.0)
"""T4 and T3 in a grain: desiccated thyroid label (US)."""
FULL_UG_PER_KG: Final = (1.6, 0.12)
"""LT4 for full replacement, and its relative spread; ATA 2014 (secondary), the spread our guess."""
TSH_SET: Final = (1.5, 0.45)
"""Median mIU/L and log spread of TSH where people are content: most of 0.4-4.0 (from memory)."""
SLOPE: Final = (2.35, 0.15)
"""Decades of TSH per unit of the signal, and the relative spread. Walsh et al., J Clin Endocrinol
Metab 2006;91, abstract: TSH 2.8, 1.0 and 0.3 at three doses 25 µg apart, in people on 100 µg or
more; half the hormone, a hundred times the TSH in logarithms (from memory)."""
TSH_MOST: Final = 150.0
"""mIU/L that the pituitary can reach, about (from memory)."""
LAG_HALF_LIFE_DAYS: Final = 3.0
"""The pituitary follows the hormones by some days (from memory)."""
SECRETED_AT_MOST: Final = 2.0
"""A remnant of the gland under high TSH, as a multiple of what it gives at the set point: ours."""

# --- the laboratory ---------------------------------------------------------------------------
TSH_CV, FREE_T4_CV, FREE_T3_CV = 0.216, 0.099, 0.093
"""Within a person: Benhadi et al., Eur J Endocrinol 2010;162:323, abstract."""
TSH_RANGE: Final = (0.4, 4.0)
FREE_T4_RANGE: Final = (9.0, 19.0)
FREE_T3_RANGE: Final = (3.1, 6.8)
"""pmol/L; usual ranges (from memory)."""
FREE_T4_SET, FREE_T3_SET = 15.0, 4.4
"""pmol/L of people who are content on LT4: T4 in the upper half, T3 in the lower (from memory)."""
LEAST: Final = {"tsh": 0.01, "free_t4": 1.0, "free_t3": 1.0}
"""Below these a laboratory gives no number: ours."""

HOURS: Final = {"MORN": 0.0, "NOON": 0.2, "HS": 0.6}
"""When in the day, which begins with the draw, a dose is swallowed."""
TimedDoses = dict[tuple[str, str], float]
"""Amounts by medicine (``lt4``, ``lt3`` in µg; ``d60``, ``d65`` in mg) and time of day."""


def daily(doses: TimedDoses) -> dict[str, float]:
    """Amounts of a day by medicine."""
    found: dict[str, float] = {}
    for (medicine, _), amount in doses.items():
        found[medicine] = found.get(medicine, 0.0) + amount
    return found


def content(medicine: str, amount: float) -> tuple[float, float, float]:
    """µg of T4, of T3 as liothyronine, and of T3 in desiccated thyroid."""
    if medicine == "lt4":
        return amount, 0.0, 0.0
    if medicine == "lt3":
        return 0.0, amount, 0.0
    grains = amount / {"d60": 60.0, "d65": 65.0}[medicine]
    return grains * GRAIN_UG[0], 0.0, grains * GRAIN_UG[1]


@dataclass(frozen=True, slots=True)
class Traits:
    """What is true of a body, and what the clinic cannot see."""

    need_ug: float
    """LT4 a day at which it is content, of all that it gets."""
    lt3_worth: float
    grain_worth: float
    tsh_set: float = 1.5
    slope: float = 2.35
    remnant: float = 0.0
    """Part of the need that its own gland still makes at the set point."""
    t4_half_life: float = 7.0
    t3_half_life: float = 1.0
    t4_absorbed: float = 0.75
    t3_absorbed: float = 0.95
    becomes_t3: float = 0.35

    @property
    def share_of_t3(self) -> float:
        """How much of the signal T3 carries in somebody on LT4 alone, 0 to 1.

        Of an absorbed µg of LT4 a part becomes T3; LT3 is worth more the larger this share is.
        """
        made = self.becomes_t3 * MOLAR * self.t4_absorbed
        return self.lt3_worth * made / self.t3_absorbed

    @property
    def gland_t3_worth(self) -> float:
        """µg LT4 that a µg of T3 in desiccated thyroid is worth."""
        return (self.grain_worth - GRAIN_UG[0]) / GRAIN_UG[1]

    def worth(self, medicine: str, amount: float) -> float:
        """µg LT4 that an amount is truly worth."""
        t4, pure, gland = content(medicine, amount)
        return t4 + self.lt3_worth * pure + self.gland_t3_worth * gland


def drawn_traits(chance: random.Random, weight_kg: float, age: int) -> Traits:
    """A body by chance; one in which T3 would carry more than all of the signal is drawn again."""
    while True:
        per_kg = FULL_UG_PER_KG[0] * (0.92 if age >= 65 else 1.0)
        made = Traits(
            need_ug=weight_kg * per_kg * exp(chance.gauss(0, FULL_UG_PER_KG[1])),
            lt3_worth=chance.uniform(*LT3_WORTH),
            grain_worth=chance.uniform(*GRAIN_WORTH),
            tsh_set=min(max(TSH_SET[0] * exp(chance.gauss(0, TSH_SET[1])), 0.6), 3.2),
            slope=SLOPE[0] * exp(chance.gauss(0, SLOPE[1])),
            remnant=chance.uniform(0.05, 0.35) if chance.random() < 0.4 else 0.0,
            t4_half_life=chance.gauss(*T4_HALF_LIFE_DAYS),
            t3_half_life=max(chance.gauss(*T3_HALF_LIFE_DAYS), 0.6),
            t4_absorbed=chance.uniform(*T4_ABSORBED),
            t3_absorbed=chance.uniform(*T3_ABSORBED),
            becomes_t3=chance.uniform(*BECOMES_T3),
        )
        if made.share_of_t3 <= 0.98:
            return made


@dataclass(slots=True)
class Body:
    """The pools of one body in µg, by where their hormone comes from."""

    traits: Traits
    t4: float = 0.0
    t3_made: float = 0.0
    t3_pure: float = 0.0
    t3_gland: float = 0.0
    heard: float = 1.0
    """The signal as the pituitary hears it, some days late."""
    signal: float = field(default=1.0, init=False)
    """Mean of the last day."""
    t3_load: float = field(default=1.0, init=False)
    """T3 of the last day, as a multiple of that of a content body on LT4 alone."""

    @property
    def tsh(self) -> float:
        """mIU/L, as it truly is."""
        own = self.traits
        line = own.tsh_set * 10 ** (own.slope * (1 - self.heard))
        return 1 / (1 / line + 1 / TSH_MOST)

    @property
    def free_t4(self) -> float:
        """pmol/L before the morning's dose, as it truly is."""
        return FREE_T4_SET * self.t4 / self._t4_set

    @property
    def free_t3(self) -> float:
        """pmol/L before the morning's dose, as it truly is."""
        return FREE_T3_SET * (self.t3_made + self.t3_pure + self.t3_gland) / self._t3_set

    @property
    def _t4_set(self) -> float:
        own = self.traits
        return own.need_ug * own.t4_absorbed * own.t4_half_life / log(2)

    @property
    def _t3_set(self) -> float:
        own = self.traits
        made = own.need_ug * own.t4_absorbed * own.becomes_t3 * MOLAR
        return made * own.t3_half_life / log(2)

    def live(self, swallowed: TimedDoses) -> None:
        """One day, from the moment at which blood is drawn to the same of the next."""
        times = sorted({HOURS[time] for _, time in swallowed} | {0.0})
        areas = [0.0, 0.0, 0.0, 0.0]
        for begins, ends in zip(times, [*times[1:], 1.0], strict=True):
            for (medicine, time), amount in swallowed.items():
                if HOURS[time] == begins:
                    self._swallow(medicine, amount)
            for pool, area in enumerate(self._pass(ends - begins)):
                areas[pool] += area
        self._hear(areas)

    def _swallow(self, medicine: str, amount: float) -> None:
        own, (t4, pure, gland) = self.traits, content(medicine, amount)
        self.t4 += own.t4_absorbed * t4
        self.t3_pure += own.t3_absorbed * pure
        self.t3_gland += own.t3_absorbed * gland

    def _pass(self, days: float) -> tuple[float, float, float, float]:
        """Let time pass in closed form; the area under each pool in µg·days."""
        own = self.traits
        out4, out3 = log(2) / own.t4_half_life, log(2) / own.t3_half_life
        left4, left3 = exp(-out4 * days), exp(-out3 * days)
        made = own.becomes_t3 * MOLAR
        secreted = self._secreted() * days
        t4, t3 = self.t4, self.t3_made
        self.t4 = t4 * left4 + secreted
        self.t3_made = t3 * left3 + made * t4 * out4 * (left4 - left3) / (out3 - out4)
        turned = made * t4 * (1 - left4)
        areas = (
            t4 * (1 - left4) / out4,
            (t3 + turned - self.t3_made) / out3,
            self.t3_pure * (1 - left3) / out3,
            self.t3_gland * (1 - left3) / out3,
        )
        self.t3_pure *= left3
        self.t3_gland *= left3
        return areas

    def _secreted(self) -> float:
        """µg of T4 that a remnant of the gland gives a day, the more the higher TSH is."""
        own = self.traits
        driven = SECRETED_AT_MOST * self.tsh / (self.tsh + own.tsh_set)
        return own.remnant * own.need_ug * own.t4_absorbed * driven

    def _hear(self, areas: list[float]) -> None:
        own = self.traits
        t3 = own.share_of_t3
        gland = own.gland_t3_worth / own.lt3_worth
        self.t3_load = sum(areas[1:]) / self._t3_set
        felt = (areas[1] + areas[2] + gland * areas[3]) / self._t3_set
        self.signal = (1 - t3) * areas[0] / self._t4_set + t3 * felt
        self.heard += (self.signal - self.heard) * (1 - 0.5 ** (1 / LAG_HALF_LIFE_DAYS))


def settled(traits: Traits, doses: TimedDoses, days: int = 400) -> Body:
    """A body that has lived on the same doses for long."""
    body = Body(traits)
    for _ in range(days):
        body.live(doses)
    return body


@dataclass(frozen=True, slots=True)
class Drawn:
    """Results of one draw: mIU/L and pmol/L, as a laboratory gives them."""

    tsh: float
    free_t4: float
    free_t3: float


def draw(body: Body, chance: random.Random) -> Drawn:
    """What the laboratory finds before the morning's dose, within-person variation included."""

    def found(true: float, cv: float, least: float) -> float:
        value = max(true * exp(chance.gauss(0, log(1 + cv**2) ** 0.5)), least)
        return round(value, 2 - min(int(log10(value)), 1)) if value >= 1 else round(value, 3)

    return Drawn(
        found(body.tsh, TSH_CV, LEAST["tsh"]),
        found(body.free_t4, FREE_T4_CV, LEAST["free_t4"]),
        found(body.free_t3, FREE_T3_CV, LEAST["free_t3"]),
    )
