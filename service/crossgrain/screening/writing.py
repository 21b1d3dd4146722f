"""From what was found to a flag: urgency, statement, evidence."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from crossgrain.dosing.bases import Basis
from crossgrain.names.printing import decimal
from crossgrain.safety.facts import Measurement
from crossgrain.safety.results import is_below
from crossgrain.screening.course import Aim, TakingHistory
from crossgrain.screening.flags import Flag, FlagCode, FlagEvidence, FlagGrade, Urgency
from crossgrain.screening.limits import Limits
from crossgrain.screening.switches import Ratios, Switch
from crossgrain.screening.words import (
    act_words,
    ratio_lines,
    result_words,
    spread_words,
    stretch_words,
)

SOURCE = (
    "Bases: each chart's own source. The limits on ratio and change are our judgement; TSH 6 weeks"
    " after a dose that is kept: ATA 2014 (4-8 weeks, from memory)."
)
_HIGH_SIDE = frozenset({FlagCode.UNDER, FlagCode.TSH_HIGH, FlagCode.DISPUTED})


@dataclass(frozen=True, slots=True)
class Found:
    """What the judgement found of one switch.

    `before` is the baseline, `first` and `after` the first and the last result on the present
    dose (or, without any, the last since the switch).
    """

    code: FlagCode
    grade: FlagGrade
    switch: Switch
    course: TakingHistory
    ratios: Ratios
    before: Measurement | None
    first: Measurement | None
    after: Measurement | None


def flag_of(found: Found, *, as_of: date, bases: Sequence[Basis], limits: Limits) -> Flag:
    """The flag, in words, with its evidence."""
    switch = found.switch
    old, new = switch.old, switch.present
    lines = (*ratio_lines(old.regimen, new.regimen, bases, found.ratios), _limits_line(limits))
    return Flag(
        code=found.code,
        grade=found.grade,
        urgency=_urgency(found, limits),
        switched_on=as_of + timedelta(days=switch.day),
        old_kinds=old.kinds,
        new_kinds=new.kinds,
        ratios=found.ratios,
        aims=found.course.aims,
        statement=_statement(found, as_of),
        arithmetic=lines,
        evidence=tuple(_evidence(found, as_of)),
        act=act_words(found.code, found.grade, found.course.aims),
        source=SOURCE,
        tsh_before=found.before.value if found.before else None,
        tsh_after=found.after.value if found.after else None,
    )


def _limits_line(limits: Limits) -> str:
    return (
        f"off below {decimal(limits.ratio_under)} or above {decimal(limits.ratio_over)} of the old"
        " LT4-equivalent"
    )


def _statement(found: Found, as_of: date) -> str:
    switch = found.switch
    was = stretch_words(switch.old, as_of, since=False)
    now = stretch_words(switch.present, as_of, since=True)
    after = f" {result_words(found.after, as_of)}." if found.after else ""
    return (
        f"{_HEADINGS[found.code]}, {found.grade}: {was}, {now}. New over old is"
        f" {spread_words(found.ratios)}.{after}"
    )


_HEADINGS = {
    FlagCode.UNDER: "Switched to a lower dose and left there",
    FlagCode.OVER: "Switched to a higher dose and left there",
    FlagCode.DISPUTED: "Switched to a dose that one chart calls too low and another too high",
    FlagCode.LEFT_RUNNING: "The old medicine still runs beside the new one",
    FlagCode.NO_TSH: "Switched, and no TSH since",
    FlagCode.TSH_HIGH: "TSH is high after a switch to a dose that no chart calls low",
    FlagCode.TSH_LOW: "TSH is low after a switch to a dose that no chart calls high",
}


def _evidence(found: Found, as_of: date) -> Iterator[FlagEvidence]:
    switch = found.switch
    yield FlagEvidence(
        f"Before: {stretch_words(switch.old, as_of, since=False)}", switch.old.references
    )
    yield FlagEvidence(
        f"Now: {stretch_words(switch.present, as_of, since=True)}", switch.present.references
    )
    results = {
        "Before the switch": found.before,
        "First on this dose": None if found.first is found.after else found.first,
        "After the switch": found.after,
    }
    for when, result in results.items():
        if result:
            yield FlagEvidence(f"{when}: {result_words(result, as_of)}", (result.origin,))
    handed_over = _dispensed_since(found)
    if handed_over:
        yield FlagEvidence(
            "What the switch left was dispensed after its end, so it may still be taken",
            handed_over,
        )


def _dispensed_since(found: Found) -> tuple[str, ...]:
    switch = found.switch
    left = switch.old.kinds - switch.present.kinds
    return tuple(
        d.reference
        for d in sorted(found.course.dispenses, key=lambda d: (d.day, d.reference))
        if d.kind in left and d.day > switch.old.last_day
    )


def _urgency(found: Found, limits: Limits) -> Urgency:
    """Urgent: pregnancy, a frankly high TSH, a suppressed one in the old or the frail."""
    if Aim.PREGNANCY in found.course.aims:
        return Urgency.URGENT
    after, course = found.after, found.course
    if after and not course.aims:
        at_least = after.comparator not in {"<", "<="} and after.value >= limits.tsh_frankly_high
        if found.code in _HIGH_SIDE and at_least:
            return Urgency.URGENT
        if found.code not in _HIGH_SIDE and is_below(after, limits.tsh_suppressed):
            frail = course.frail or (course.age_years or 0) >= limits.tsh_frail_years
            return Urgency.URGENT if frail else Urgency.SOON
    certain = found.grade in {FlagGrade.CONFIRMED, FlagGrade.LIKELY}
    return Urgency.SOON if certain else Urgency.ROUTINE
