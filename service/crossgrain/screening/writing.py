"""From what was found to a flag: urgency, statement, evidence.

Dates are calendar dates, so that a flag reads the same on every night that finds it.
"""

from collections.abc import Iterator, Sequence
from datetime import date, timedelta
from fractions import Fraction

from crossgrain.dosing.bases import Basis
from crossgrain.dosing.preparations import Kind
from crossgrain.dosing.regimens import Regimen
from crossgrain.names.errors import DomainError
from crossgrain.names.printing import decimal, fine_percent, in_grains, micrograms, quantity, span
from crossgrain.names.values import frozen
from crossgrain.safety.checks import DRAWN
from crossgrain.safety.facts import Analyte, Measurement
from crossgrain.safety.results import is_below
from crossgrain.screening.course import (
    Aim,
    Flag,
    FlagCode,
    FlagEvidence,
    FlagGrade,
    FlagSummary,
    TakingHistory,
    Urgency,
)
from crossgrain.screening.grading import tsh_range
from crossgrain.screening.limits import Limits
from crossgrain.screening.stretches import Stretch
from crossgrain.screening.switches import Ratios, Switch

KIND_WORDS = {
    Kind.LEVOTHYROXINE: "levothyroxine",
    Kind.LIOTHYRONINE: "liothyronine",
    Kind.DESICCATED_THYROID: "desiccated thyroid",
    Kind.FIXED_RATIO: "a fixed-ratio T4/T3 product",
    Kind.COMPOUNDED: "a compounded product",
}


def on(day: int, as_of: date) -> str:
    """The calendar date of a day counted from the day of reading.

    >>> on(-2, date(2025, 3, 3))
    '2025-03-01'
    """
    return (as_of + timedelta(days=day)).isoformat()


def regimen_words(regimen: Regimen) -> str:
    """Everything taken, one mean daily dose per preparation."""
    totals: dict[str, tuple[str, Fraction, str]] = {}
    for line in regimen:
        name, amount, unit = totals.get(
            line.preparation.id,
            (KIND_WORDS[line.preparation.kind], Fraction(0), line.preparation.unit),
        )
        totals[line.preparation.id] = (name, amount + line.daily, unit)
    return " and ".join(f"{name} {quantity(dose, unit)}" for name, dose, unit in totals.values())


def stretch_words(stretch: Stretch, as_of: date, *, since: bool) -> str:
    """A regimen and the days on which it was taken."""
    words = f"{regimen_words(stretch.regimen)} a day"
    if any(intake.from_text for intake in stretch.intakes):
        words += ", read from free text,"
    if since:
        return f"{words} since {on(stretch.first_day, as_of)}"
    assumed = ", which the record does not say and is inferred" if stretch.assumed_end else ""
    return f"{words} until {on(stretch.last_day, as_of)}{assumed}"


def result_words(measurement: Measurement, as_of: date) -> str:
    """A result with its date and the laboratory's own range."""
    name, unit = DRAWN[measurement.analyte], measurement.analyte.unit
    dated = on(measurement.day, as_of) if measurement.day is not None else "undated"
    ends = [decimal(end) if end is not None else "" for end in (measurement.low, measurement.high)]
    own = f", range {ends[0]} to {ends[1]}" if any(ends) else ""
    return f"{name} {measurement.comparator}{decimal(measurement.value)} {unit} on {dated}{own}"


def ratio_lines(
    old: Regimen, new: Regimen, bases: Sequence[Basis], ratios: Ratios
) -> Iterator[str]:
    """The arithmetic of each basis, spelled out."""
    for basis in bases:
        if basis.id not in ratios:
            yield f"{basis.id}: the chart does not reach both doses, so it says nothing here"
            continue
        before, after = _worth(old, basis), _worth(new, basis)
        yield f"{basis.id}: now {after}; before {before}; ratio {decimal(ratios[basis.id])}"


def _worth(regimen: Regimen, basis: Basis) -> str:
    try:
        total = f"{micrograms(basis.lt4_equivalent(regimen))} of LT4 a day"
    except DomainError:  # pragma: no cover - such a basis has no ratio
        return "out of the chart's reach"
    if basis.weights is None:
        return f"{total} by the chart's table"
    terms = (
        (regimen.pure_t4_ug, f"{micrograms(regimen.pure_t4_ug)} of LT4", None),
        (regimen.grains, in_grains(regimen.grains), basis.weights.lt4_ug_per_grain),
        (
            regimen.pure_t3_ug,
            f"{micrograms(regimen.pure_t3_ug)} of LT3",
            basis.weights.lt4_ug_per_lt3_ug,
        ),
    )
    parts = [
        words + (f" × {decimal(weight)}" if weight else "") for dose, words, weight in terms if dose
    ]
    return f"{' + '.join(parts)} = {total}"


def spread_words(ratios: Ratios) -> str:
    """The ratios from the smallest to the largest.

    >>> spread_words({"label": Fraction(1), "practice": Fraction(1, 2)})
    '0.5 (practice) to 1 (label)'
    """
    ordered = sorted(ratios.items(), key=lambda item: (item[1], item[0]))
    low, high = ordered[0], ordered[-1]
    if low[1] == high[1]:
        return f"{decimal(low[1])} (every basis)"
    return f"{decimal(low[1])} ({low[0]}) to {decimal(high[1])} ({high[0]})"


REASONS = {
    FlagCode.UNDER: "Dose too low after a switch",
    FlagCode.OVER: "Dose too high after a switch",
    FlagCode.DISPUTED: "Charts disagree on the new dose",
    FlagCode.LEFT_RUNNING: "Old medicine still taken beside the new one",
    FlagCode.NO_TSH: "No TSH since the switch",
    FlagCode.TSH_HIGH: "TSH high after a switch",
    FlagCode.TSH_LOW: "TSH low after a switch",
    FlagCode.LABS_OVERDUE: "Plan: labs overdue",
    FlagCode.LABS_UNANSWERED: "Plan: labs not acted on",
    FlagCode.PARKED: "Plan: dose stuck below the checkpoint",
}
"""Each code in the words of a worklist."""
GRADES = {
    FlagGrade.CONFIRMED: "the dose is off, and TSH, in range before the change, is now off the"
    " same way",
    FlagGrade.LIKELY: "the dose is off on every chart, or is off on one and TSH has moved the same"
    " way; nothing confirms or clears it",
    FlagGrade.UNRESOLVED: "the dose is off, and TSH was already off the same way before the change",
    FlagGrade.SUSPECTED: "the dose is off on some charts and not on others, and no blood test"
    " settles it",
    FlagGrade.OBSERVED: "a fact of the record, such as a missing blood test; no dose is compared",
}
"""What each grade says of a flag."""
GRADES_IN_SHORT = {
    FlagGrade.CONFIRMED: "confirmed by a blood test",
    FlagGrade.LIKELY: "likely",
    FlagGrade.UNRESOLVED: "blood tests were off before it too",
    FlagGrade.SUSPECTED: "suspected, as charts disagree",
    FlagGrade.OBSERVED: "seen in the record",
}
"""The same in a few words, for one line."""
_ACTS = {
    (
        FlagCode.UNDER,
        FlagGrade.CONFIRMED,
    ): "Review the dose now: compare every basis for the old regimen"
    " and propose the next step up, with TSH {settled} after it.",
    (
        FlagCode.UNDER,
        FlagGrade.LIKELY,
    ): "Ask for symptoms and doses missed, draw TSH and free T4, and"
    " compare every basis for the old regimen before the next step up.",
    (FlagCode.UNDER, FlagGrade.UNRESOLVED): "TSH was high before the switch too: settle adherence,"
    " absorption and interactions, then compare every basis and review the dose.",
    (
        FlagCode.UNDER,
        FlagGrade.SUSPECTED,
    ): "Draw TSH and free T4: charts disagree on this dose, and no"
    " result on it settles the question.",
    (
        FlagCode.OVER,
        FlagGrade.CONFIRMED,
    ): "Review the dose now: ask for palpitations, consider the next"
    " step down, with TSH {settled} after it.",
    (
        FlagCode.OVER,
        FlagGrade.LIKELY,
    ): "Ask for palpitations and loss of weight, draw TSH with free T4 and"
    " free T3, and consider the next step down.",
    (
        FlagCode.OVER,
        FlagGrade.UNRESOLVED,
    ): "TSH was low before the switch too: settle whether suppression"
    " is meant, then review the dose.",
    (
        FlagCode.OVER,
        FlagGrade.SUSPECTED,
    ): "Draw TSH, free T4 and free T3: charts disagree on this dose, and"
    " no result on it settles the question.",
}
_ACTS_OF_CODE = {
    FlagCode.DISPUTED: "Draw TSH: one chart calls this dose too low and another too high, and no"
    " result on it settles the question.",
    FlagCode.LEFT_RUNNING: "Ask which medicines are taken. If the old one was to end, end its order"
    " and draw TSH {settled} later.",
    FlagCode.NO_TSH: "Draw TSH: none followed the change of preparation.",
    FlagCode.TSH_HIGH: "TSH is high though the dose is not low on any chart: look at adherence,"
    " absorption, interactions and the product dispensed.",
    FlagCode.TSH_LOW: "TSH is low though the dose is not high on any chart: look at the dose taken,"
    " at biotin and at other causes, then review the dose.",
    FlagCode.LABS_OVERDUE: "Draw them: today's dose goes on until they are read. Then ask for the"
    " plan's next step.",
    FlagCode.LABS_UNANSWERED: "See the patient, and ask for the plan's next step: it says what"
    " these labs lead to.",
    FlagCode.PARKED: "Ask which dose is taken and why the climb stopped. Draw TSH where none speaks"
    " of this dose, and ask for the plan's next step; or record the plan as given up.",
}
_APART = {
    Aim.CENTRAL: "Central hypothyroidism: TSH is no guide, so free T4 was weighed where T3 does"
    " not lower it.",
    Aim.PREGNANCY: "Pregnancy: have a specialist look today; TSH every 4 weeks. The wait of a"
    " climb does not excuse a low dose here.",
    Aim.SUPPRESSION: "TSH is meant to be suppressed: a TSH in range clears nothing, a low one is"
    " the goal.",
}


def act_words(code: FlagCode, grade: FlagGrade, aims: frozenset[Aim], limits: Limits) -> str:
    """What to do next; a TSH is due once the dose has settled."""
    act = _ACTS.get((code, grade)) or _ACTS_OF_CODE[code]
    settled = span(limits.labs_settled_days)
    return " ".join([*(_APART[aim] for aim in sorted(aims)), act.format(settled=settled)])


SOURCE = (
    "Bases: each chart's own source. The limits on ratio and change are our judgement; TSH 6 weeks"
    " after a dose that is kept: ATA 2014 (4-8 weeks, from memory)."
)
_HIGH_SIDE = frozenset({FlagCode.UNDER, FlagCode.TSH_HIGH, FlagCode.DISPUTED})


@frozen
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
        act=act_words(found.code, found.grade, found.course.aims, limits),
        source=SOURCE,
        tsh_before=tsh_of(found.before),
        tsh_after=tsh_of(found.after),
        summary=_summary(found, as_of, limits),
    )


def tsh_of(result: Measurement | None) -> Fraction | None:
    """The value of a TSH; in central hypothyroidism what was weighed is a free T4, and is none."""
    return result.value if result and result.analyte is Analyte.TSH else None


def _summary(found: Found, as_of: date, limits: Limits) -> FlagSummary:
    return FlagSummary(
        old_dose=f"{regimen_words(found.switch.old.regimen)} a day",
        new_dose=f"{regimen_words(found.switch.present.regimen)} a day",
        result=_ranged(found.after, found.course, as_of, limits) if found.after else "",
        why=_worth_words(found.ratios),
    )


def _worth_words(ratios: Ratios) -> str:
    """How much the new dose is of the old one.

    >>> _worth_words({"label": Fraction(1), "practice": Fraction(399, 500)})
    'The new dose is worth 79.8 % to 100 % of the old one, depending on the chart.'
    """
    if not ratios:
        return ""
    low, high = fine_percent(min(ratios.values())), fine_percent(max(ratios.values()))
    if low == high:
        return f"The new dose is worth {low} of the old one on every chart."
    return f"The new dose is worth {low} to {high} of the old one, depending on the chart."


def _ranged(result: Measurement, course: TakingHistory, as_of: date, limits: Limits) -> str:
    """A result with the range that it was held against, whoever gave it."""
    words = result_words(result, as_of)
    if result.analyte is not Analyte.TSH or Aim.PREGNANCY in course.aims:
        return words
    within = tsh_range(result, course, limits)
    if result.low is None and result.high is None:
        words += f", usual range {decimal(within.low)} to {decimal(within.high)}"
    if within.acceptable > within.high:
        words += f"; at this age up to {decimal(within.acceptable)} is acceptable"
    return words


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
