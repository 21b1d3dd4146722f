"""One patient's answer as it is kept between the judgement and the outputs."""

from collections.abc import Mapping
from datetime import date
from fractions import Fraction

import msgspec

from crossgrain.screening.course import Flag, Screened, ScreeningOutcome


class EvidenceLine(msgspec.Struct, omit_defaults=True):
    """One fact and the resources that tell of it."""

    statement: str
    references: list[str] = []


class FlagLine(msgspec.Struct, omit_defaults=True):
    """A flag in plain values; ratios and TSH as exact fractions, ``22/25``."""

    code: str
    grade: str
    urgency: str
    switch: str
    switched_on: date
    old_kinds: list[str]
    new_kinds: list[str]
    ratios: dict[str, str]
    statement: str
    arithmetic: list[str]
    evidence: list[EvidenceLine]
    act: str
    source: str
    rank: list[float]
    aims: list[str] = []
    tsh_before: str | None = None
    tsh_after: str | None = None


class Answer(msgspec.Struct, omit_defaults=True):
    """One patient's answer; `lost` names what an open flag rests on and did not come."""

    patient: str
    outcome: ScreeningOutcome
    why: str = ""
    references: list[str] = []
    lost: list[str] = []
    switched_on: date | None = None
    ratios: dict[str, str] = {}
    tsh_after: str | None = None
    flags: list[FlagLine] = []


def answer_of(patient: str, screened: Screened, lost: tuple[str, ...] = ()) -> Answer:
    """The answer of one patient in plain values."""
    return Answer(
        patient=patient,
        outcome=screened.outcome,
        why=screened.why,
        references=list(screened.references),
        lost=list(lost),
        switched_on=screened.switched_on,
        ratios=_ratios(screened.ratios),
        tsh_after=_written(screened.tsh_after),
        flags=[flag_line(flag) for flag in screened.flags],
    )


def flag_line(flag: Flag) -> FlagLine:
    """A flag in plain values."""
    *places, _ = flag.rank
    return FlagLine(
        code=flag.code,
        grade=flag.grade,
        urgency=flag.urgency,
        switch=flag.switch,
        switched_on=flag.switched_on,
        old_kinds=sorted(flag.old_kinds),
        new_kinds=sorted(flag.new_kinds),
        ratios=_ratios(flag.ratios),
        statement=flag.statement,
        arithmetic=list(flag.arithmetic),
        evidence=[EvidenceLine(e.statement, list(e.references)) for e in flag.evidence],
        act=flag.act,
        source=flag.source,
        rank=[float(place) for place in places],
        aims=sorted(flag.aims),
        tsh_before=_written(flag.tsh_before),
        tsh_after=_written(flag.tsh_after),
    )


def _ratios(ratios: Mapping[str, Fraction]) -> dict[str, str]:
    return {basis: str(ratio) for basis, ratio in ratios.items()}


def _written(value: Fraction | None) -> str | None:
    return None if value is None else str(value)


ENCODE = msgspec.json.Encoder().encode
DECODE = msgspec.json.Decoder(Answer).decode
