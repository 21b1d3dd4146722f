"""What a claim is: one sentence about every answer, and how it is looked at.

A claim is a generator over one plan. Each thing that it yields is one look: whether it holds, and
what was seen. A claim that never looks has proved nothing, so looks are counted too.
"""

import re
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cache

from fhirpathpy import compile as compile_path
from tests.properties.titration.figures import EXACT, HEART_AGE, TSH_USUAL
from tests.properties.titration.grid import HEART, Case
from tests.properties.titration.reading import Amounts, Answer, Branch

Look = tuple[bool, str]
Claim = Callable[[Answer], Iterator[Look]]


@dataclass(slots=True)
class Seen:
    """What came of the claims over many answers."""

    answers: Counter[str] = field(default_factory=Counter)
    looks: Counter[str] = field(default_factory=Counter)
    objections: dict[str, list[str]] = field(default_factory=dict)

    def look(self, name: str, number: int, looks: Iterator[Look]) -> None:
        """Count what a claim saw in one case, and keep what it objects to."""
        for holds, what in looks:
            self.looks[name] += 1
            if not holds:
                self.objections.setdefault(name, []).append(f"{number}: {what}")

    def add(self, other: "Seen") -> None:
        """What was seen in further cases."""
        self.answers += other.answers
        self.looks += other.looks
        for name, own in other.objections.items():
            self.objections.setdefault(name, []).extend(own)


def name_of(claim: Callable[..., object]) -> str:
    """A claim as a sentence."""
    return claim.__name__.replace("_", " ")


# --- what claims ask about ----------------------------------------------------------------------

TARGETS = {
    "levothyroxine": ("lt4",),
    "liothyronine": ("lt3",),
    "levothyroxine-liothyronine": ("lt4", "lt3"),
}


def wanted(case: Case) -> tuple[str, ...]:
    """The medicines that the patient moves to."""
    both = {
        "desiccated-thyroid": (case.family,),
        "desiccated-thyroid-liothyronine": (case.family, "lt3"),
    }
    return {**TARGETS, **both}[case.target]


def leaving(case: Case) -> tuple[str, ...]:
    """The medicines of today that are no part of the target."""
    return tuple(one.medicine for one in case.taken if one.medicine not in wanted(case))


def fragile(case: Case) -> bool:
    """Heart disease, or 65 years and more."""
    return case.age >= HEART_AGE or bool(set(HEART) & set(case.conditions))


def part(amounts: Amounts, medicines: tuple[str, ...]) -> float:
    """The sum of some medicines' amounts."""
    return sum(amounts.get(medicine, 0.0) for medicine in medicines)


def same(one: float, other: float) -> bool:
    """Equal but for the rounding of floats."""
    return abs(one - other) <= EXACT


Labs = tuple[tuple[str, float | bool], ...]


def labs(case: Case, **drawn: float | bool) -> Labs:
    """Results of the draw that decides, with the laboratory's limits and no symptoms."""
    low, high = case.tsh_range or TSH_USUAL
    usual = {
        "tshLow": low,
        "tshHigh": high,
        "tooFast": False,
        "fastPulse": False,
        "freeT4Low": 9.0,
        "freeT4High": 19.0,
        "freeT3Low": 3.1,
        "freeT3High": 6.8,
    }
    return tuple(sorted({**usual, **drawn}.items()))


_VARIABLE = re.compile("%([A-Za-z0-9]+)")
Compiled = Callable[..., list[object]]


@cache
def _compiled(expression: str) -> tuple[Compiled, tuple[str, ...]]:
    """An expression for an independent FHIRPath engine, and its variables."""
    return compile_path(expression), tuple(sorted(set(_VARIABLE.findall(expression))))


@cache
def _true(expression: str, used: Labs) -> bool:
    path, names = _compiled(expression)
    known = dict(used)
    return path({}, {name: known.get(name, []) for name in names}) == [True]


def _holds(branch: Branch, drawn: Labs) -> bool:
    """By the variables that it asks for alone; one that was not drawn is empty."""
    _, names = _compiled(branch.expression)
    return _true(branch.expression, tuple(pair for pair in drawn if pair[0] in names))


def holding(answer: Answer, drawn: Labs) -> list[Branch]:
    """The branches whose condition an independent FHIRPath engine calls true."""
    return [branch for branch in answer.branches if _holds(branch, drawn)]


def branch_at(answer: Answer, **drawn: float | bool) -> Branch | None:
    """The branch for these results, or none."""
    found = holding(answer, labs(answer.case, **drawn))
    return found[0] if found else None


def in_range(answer: Answer) -> Branch | None:
    """The branch of results in range, to which whoever must agree has agreed."""
    return branch_at(answer, tsh=2.0, freeT4=16.0, freeT3=5.0, specialistAgrees=True)
