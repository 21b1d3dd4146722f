"""Who asks for which switch: invented, spread over the strengths that are met in practice.

The shares are our own guess at a clinic's mix (no source). The strengths are marketed tablets;
doses from 75 to 150 µg of LT4 and one to two grains are the commonest (common practice, no
source).
"""

from dataclasses import dataclass
from random import Random

LT4 = "levothyroxine"
LT3 = "liothyronine"
GRAIN_60 = "desiccated thyroid 60"
GRAIN_65 = "desiccated thyroid 65"

STRENGTHS: dict[str, dict[float, int]] = {
    LT4: {25: 2, 50: 6, 75: 12, 88: 8, 100: 20, 112: 8, 125: 14, 137: 5, 150: 12, 175: 6, 200: 5},
    LT3: {5: 3, 25: 6, 50: 3},
    GRAIN_60: {30: 3, 60: 8, 90: 8, 120: 10, 180: 5},
    GRAIN_65: {32.5: 2, 65: 4, 97.5: 4, 130: 5, 195: 2},
}
"""How often each daily dose of one tablet is met."""
_BESIDE_LT4: dict[float, int] = {5: 6, 10: 3}
"""µg of LT3 a day in a combination."""


@dataclass(frozen=True, slots=True)
class Taken:
    """So much of one preparation a day, in its own unit, in so many doses of one tablet.

    `weekend`: the tablet of Saturday and Sunday, where that is another.
    """

    preparation: str
    strength: float
    times_a_day: int = 1
    weekend: float | None = None


@dataclass(frozen=True, slots=True)
class Switch:
    """What is taken, and the code of what it is to become."""

    taken: tuple[Taken, ...]
    target: str


@dataclass(frozen=True, slots=True)
class _Kind:
    share: int
    old: tuple[str, ...]
    target: str
    least: float = 0


COMBINATION = "levothyroxine-liothyronine"
"""Refused where tablets keep no ratio near the dose, as of some weeks of two tablets."""
_KINDS = (
    _Kind(30, (LT4,), "desiccated-thyroid"),
    _Kind(18, (LT4,), COMBINATION, least=88),
    _Kind(8, (LT4,), "liothyronine"),
    _Kind(14, (GRAIN_60,), "levothyroxine"),
    _Kind(4, (GRAIN_65,), "levothyroxine"),
    _Kind(4, (GRAIN_60,), COMBINATION, least=90),
    _Kind(5, (GRAIN_60,), "desiccated-thyroid-liothyronine", least=120),
    _Kind(6, (LT3,), "levothyroxine"),
    _Kind(6, (LT4, LT3), "levothyroxine"),
    _Kind(5, (LT4, LT3), "desiccated-thyroid"),
)
"""`least`: a smaller dose than this is not divided in practice, nor by the service."""


def a_switch(rng: Random) -> Switch:
    """One switch, drawn by the shares."""
    kind = rng.choices(_KINDS, [one.share for one in _KINDS])[0]
    first = Taken(kind.old[0], _drawn(STRENGTHS[kind.old[0]], rng, kind.least))
    if kind.old == (LT3,):
        first = Taken(LT3, first.strength, 1 if first.strength == 50 else rng.choice((1, 2)))
    if kind.old == (LT4,) and kind.target != COMBINATION and rng.random() < 0.15:
        first = Taken(LT4, first.strength, weekend=_drawn(STRENGTHS[LT4], rng))
    if len(kind.old) == 1:
        return Switch((first,), kind.target)
    return Switch((first, Taken(LT3, 5, int(_drawn(_BESIDE_LT4, rng) // 5))), kind.target)


def a_rare_switch(rng: Random) -> Switch:
    """One of hundreds, each as likely as the other: two tablets of LT4 a week, perhaps LT3."""
    strengths = sorted(STRENGTHS[LT4])
    lt4 = Taken(LT4, rng.choice(strengths[2:]), weekend=rng.choice(strengths))
    if rng.random() < 0.5:
        return Switch((lt4,), rng.choice(("desiccated-thyroid", "liothyronine")))
    lt3 = Taken(LT3, 5, rng.choice((1, 2, 3)))
    return Switch((lt4, lt3), rng.choice(("desiccated-thyroid", "levothyroxine")))


def _drawn(shares: dict[float, int], rng: Random, least: float = 0) -> float:
    allowed = {dose: share for dose, share in shares.items() if dose >= least}
    return rng.choices(list(allowed), list(allowed.values()))[0]
