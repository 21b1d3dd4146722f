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
from fhirpathpy.models import models
from tests.conformance.draws import DECIDED_ON, DRAWN_ON, LOINC, bundle_of
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


_DAY = re.compile(r"'\d{4}-\d\d-\d\d'")
_CODE = re.compile("|".join(LOINC.values()))
Compiled = Callable[..., list[object]]


def _parted(text: str, by: str) -> list[str]:
    """An expression parted where `by` stands in no bracket."""
    parts, depth, begun = [], 0, 0
    for at, character in enumerate(text):
        depth += (character == "(") - (character == ")")
        if depth == 0 and text.startswith(by, at):
            parts.append(text[begun:at])
            begun = at + len(by)
    return [*parts, text[begun:]]


@cache
def _terms(expression: str) -> tuple[tuple[str, ...], ...]:
    """Of each alternative the terms that must all be true: what ``iif`` tests and what it gives.

    The plan's days are put in place of the Bundle's, so that plans of one kind share their terms.
    The whole expressions are evaluated by two engines in ``tests/conformance/test_conditions.py``.
    """
    days = iter((DRAWN_ON, DECIDED_ON) * expression.count("-"))
    found = []
    for alternative in _parted(_DAY.sub(lambda _: f"'{next(days)}'", expression), " or "):
        if alternative.startswith("iif("):
            tested, given, otherwise = _parted(alternative[4:-1], ", ")
            assert otherwise == "false"
            found.append((*_parted(tested, " and "), *_parted(given, " and ")))
        else:
            found.append((alternative,))
    return tuple(found)


@cache
def _compiled(term: str) -> Compiled:
    compiled: Compiled = compile_path(term, model=models["r4"])
    return compiled


@cache
def _true(term: str, drawn: Labs) -> bool:
    return _compiled(term)(bundle_of(dict(drawn))) == [True]


@cache
def _looked_at(term: str) -> frozenset[str]:
    """The names of what a term can see: a test and its limits, or the symptoms."""
    codes = set(_CODE.findall(term))
    tests = {test for test, code in LOINC.items() if code in codes}
    names = {f"{test}{end}" for test in tests for end in ("", "Low", "High")}
    return frozenset(names | {"tooFast", "fastPulse"})


def _holds(branch: Branch, drawn: Labs) -> bool:
    """By an independent engine, term by term, each on what it can see."""
    return any(
        all(_true(t, tuple(p for p in drawn if p[0] in _looked_at(t))) for t in terms)
        for terms in _terms(branch.expression)
    )


AGREED, AGREED_UNWELL = "Not too much, and agreed", "Symptoms, not too much, and agreed"


def _agreed(answer: Answer, drawn: Labs) -> list[Branch]:
    """Where no result decides: what a specialist agrees to who is asked and finds nothing high."""
    known = dict(drawn)
    high = any(known.get(test, 0.0) > known[f"{test}High"] for test in ("freeT4", "freeT3"))
    if not known.get("specialistAgrees") or high:
        return []
    title = AGREED_UNWELL if known["tooFast"] or known["fastPulse"] else AGREED
    return [branch for branch in answer.branches if branch.title == title]


def holding(answer: Answer, drawn: Labs) -> list[Branch]:
    """The branches whose condition an independent FHIRPath engine calls true, or the one that is
    agreed to."""
    found = [branch for branch in answer.branches if _holds(branch, drawn)]
    return found or _agreed(answer, drawn)


def branch_at(answer: Answer, **drawn: float | bool) -> Branch | None:
    """The branch for these results, or none."""
    found = holding(answer, labs(answer.case, **drawn))
    return found[0] if found else None


def in_range(answer: Answer) -> Branch | None:
    """The branch of results in range, to which whoever must agree has agreed."""
    return branch_at(answer, tsh=2.0, freeT4=16.0, freeT3=5.0, specialistAgrees=True)
