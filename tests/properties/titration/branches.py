"""Claims about what is done with the labs at the checkpoint."""

from collections.abc import Iterator
from itertools import product

from tests.conformance.draws import LOINC
from tests.properties.titration.claims import (
    Claim,
    Look,
    branch_at,
    holding,
    in_range,
    labs,
    leaving,
    part,
    same,
)
from tests.properties.titration.figures import (
    CHARTS,
    EXACT,
    RAISE,
    RAISE_ABOVE_10,
    SMALLEST,
    STEP_BACK,
    STEP_BACK_SUPPRESSED,
)
from tests.properties.titration.reading import Amounts, Answer, Branch, t3, t4, worth

DRAWN = (0.02, 0.09, 0.1, 0.2, 0.39, 0.4, 1.0, 2.5, 2.6, 4.0, 4.2, 4.5, 5.0, 6.0, 6.1, 9.9, 10.0,
         10.1, 20.0, 80.0)  # fmt: skip
FREE_T4 = (4.0, 12.0, 16.0, 25.0)
FREE_T3 = (3.0, 5.0, 8.0)


def for_any_results_at_most_one_branch_is_taken(answer: Answer) -> Iterator[Look]:
    """Whatever is drawn, with symptoms of too fast a climb or without."""
    asked = " ".join(branch.expression for branch in answer.branches)
    several = {
        "tsh": DRAWN,
        "freeT4": FREE_T4,
        "freeT3": FREE_T3,
        "tooFast": (False, True),
        "fastPulse": (False, True),
    }
    used = {n: values for n, values in several.items() if f"'{LOINC.get(n, 'status')}'" in asked}
    for values in product(*used.values()):
        drawn = dict(zip(used, values, strict=True))
        found = [branch.title for branch in holding(answer, labs(answer.case, **drawn))]
        yield len(found) <= 1, f"{drawn}: {found}"


def covered(answer: Answer, chart: str) -> float:
    """The dose at the decision as a part of what is needed of today's, on one chart."""
    return worth(chart, answer.hold) / (answer.need * worth(chart, answer.before))


def by_free_t4(answer: Answer) -> bool:
    """Whether TSH is no guide."""
    return "central-hypothyroidism" in answer.case.conditions


def raised(answer: Answer, tsh: float) -> Branch | None:
    """The branch of a TSH above range."""
    return branch_at(answer, tsh=tsh, freeT4=4.0, freeT3=5.0)


def lowered(answer: Answer, tsh: float, *, fast: bool = False) -> Branch | None:
    """The branch of a TSH below range, with palpitations or a fast pulse or without."""
    return branch_at(answer, tsh=tsh, freeT4=25.0, freeT3=5.0, fastPulse=fast)


TOO_MUCH = ((0.25, False, STEP_BACK), (0.05, False, STEP_BACK_SUPPRESSED),
            (0.25, True, STEP_BACK_SUPPRESSED))  # fmt: skip
"""TSH, a fast pulse, and the most that is left of the dose."""


LABEL_ADDS = 12.5
"""Micrograms of LT4 that tablets always make within the 12.5-25 of its label (US; secondary)."""


def a_high_tsh_gives_more_than_one_in_range_on_every_chart(answer: Answer) -> Iterator[Look]:
    """At whatever height of TSH, but where LT4 would have to rise by more than its label adds."""
    stays = in_range(answer)
    for tsh in (9.0, 15.0):
        rises = raised(answer, tsh)
        if rises is None or stays is None:
            continue
        lt4 = answer.hold.get("lt4", 0.0)
        in_label = {**answer.hold, "lt4": lt4 + LABEL_ADDS}
        short = any(
            worth(chart, in_label) <= worth(chart, stays.course.settled) for chart in CHARTS
        )
        for chart in () if short and lt4 else CHARTS:
            more = worth(chart, rises.course.settled)
            less = worth(chart, stays.course.settled)
            yield more > less + EXACT, f"TSH {tsh}, {chart}: {more:.1f} against {less:.1f}"


def a_high_tsh_raises_by_8_percent_on_every_chart_it_leaves_open_and_above_10_by_12(
    answer: Answer,
) -> Iterator[Look]:
    """Open are those that call the dose at the decision short of what is needed of today's."""
    short = [chart for chart in CHARTS if covered(answer, chart) < 1 - EXACT]
    for tsh, least in ((9.0, RAISE), (15.0, RAISE_ABOVE_10)):
        rises = raised(answer, tsh)
        for chart in (short or CHARTS) if rises else ():
            by = worth(chart, rises.course.settled) / worth(chart, answer.hold)
            yield by >= least - EXACT, f"TSH {tsh}, {chart}: {by:.3f} of {answer.hold}"


def what_is_left_of_the_old_medicine_is_not_lowered_while_the_dose_rises(
    answer: Answer,
) -> Iterator[Look]:
    """On no day of the branch of a high TSH."""
    gone = leaving(answer.case)
    left = part(answer.hold, gone)
    rises = raised(answer, 9.0)
    if left and rises:
        for day in rises.course.steps:
            kept = part(rises.course.daily(day), gone)
            yield kept >= left - EXACT, f"day {day}: {kept:g} of {left:g}"


def _can_fall(answer: Answer) -> bool:
    """Whether less can be ordered than the dose at the decision, and is not nothing."""
    held = {medicine: amount for medicine, amount in answer.hold.items() if amount}
    return len(held) > 1 or any(amount > SMALLEST[one] + EXACT for one, amount in held.items())


def a_step_back_takes_a_tenth_off_and_a_fifth_where_tsh_is_suppressed(
    answer: Answer,
) -> Iterator[Look]:
    """On every chart that calls the dose at the decision more than what is needed; else on all."""
    much = [chart for chart in CHARTS if covered(answer, chart) > 1 + EXACT]
    for tsh, fast, most in TOO_MUCH:
        if by_free_t4(answer) and tsh < 0.1:  # TSH is no guide there
            continue
        may = _can_fall(answer) and not answer.case.pregnant
        back = lowered(answer, tsh, fast=fast) if may else None
        for chart in (much or CHARTS) if back else ():
            by = worth(chart, back.course.settled) / worth(chart, answer.hold)
            yield by <= most + EXACT, f"TSH {tsh}, {chart}: {by:.3f} of {answer.hold}"


def a_step_back_begins_with_t3_and_never_leaves_a_patient_without_hormone(
    answer: Answer,
) -> Iterator[Look]:
    """Where T3 is swallowed it falls; where it does not, nor does LT4."""
    for tsh in (0.25, 0.05):
        back = lowered(answer, tsh)
        if back:
            after = back.course.settled
            yield t4(after) + t3(after) > 0, f"TSH {tsh}: nothing is taken"
            if t3(answer.hold) and _can_fall(answer) and not answer.case.pregnant:
                yield t3(after) < t3(answer.hold) - EXACT, f"TSH {tsh}: {answer.hold} → {after}"
                yield _t3_first(answer.hold, after), f"TSH {tsh}: {answer.hold} → {after}"


def _t3_first(held: Amounts, after: Amounts) -> bool:
    """LT4 falls only once liothyronine has come down to nothing, or there was none."""
    lt4_falls = after.get("lt4", 0.0) < held.get("lt4", 0.0) - EXACT
    return not lt4_falls or same(after.get("lt3", 0.0), 0.0) or "lt3" not in held


def symptoms_without_a_low_tsh_lower_nothing(answer: Answer) -> Iterator[Look]:
    """They hold the dose, or are asked about."""
    for sign in ("tooFast", "fastPulse"):
        for tsh in (2.0, 9.0):
            seen = {"tsh": tsh, "freeT4": 16.0, "freeT3": 5.0, sign: True}
            found = branch_at(answer, **seen)
            for chart in CHARTS if found else ():
                by = worth(chart, found.course.settled) / worth(chart, answer.hold)
                yield by >= 1 - EXACT, f"TSH {tsh}, {chart}: {by:.3f} of {answer.hold}"
            if found and found.course.settled and tsh > 4.0 and not by_free_t4(answer):
                yield False, "symptoms with a high TSH are not asked about"


def free_t3_above_range_raises_no_t3(answer: Answer) -> Iterator[Look]:
    """With a high TSH LT4 carries the raise; with one in range T3 falls or is divided."""
    held = answer.hold
    rises = None if by_free_t4(answer) else branch_at(answer, tsh=9.0, freeT3=8.0)
    if t3(held) and rises:
        after = rises.course.settled
        yield t3(after) <= t3(held) + EXACT, f"{held} → {after}"
        yield after.get("lt4", 0.0) >= held.get("lt4", 0.0) - EXACT, f"{held} → {after}"
    falls = branch_at(answer, tsh=2.0, freeT4=16.0, freeT3=8.0)
    if t3(held) and falls and _can_fall(answer) and not answer.case.pregnant:
        after = falls.course.settled
        yield t3(after) < t3(held) - EXACT, f"{held} → {after}"


def in_pregnancy_a_low_tsh_lowers_nothing(answer: Answer) -> Iterator[Look]:
    """It is asked about."""
    if answer.case.pregnant:
        for tsh in (0.02, 0.09, 0.2):
            found = branch_at(answer, tsh=tsh, freeT4=16.0, freeT3=5.0)
            by = (
                worth("practice", found.course.settled) if found else worth("practice", answer.hold)
            )
            yield by >= worth("practice", answer.hold) - EXACT, f"TSH {tsh}: {by:g}"


def a_branch_goes_by_the_patients_own_limits(answer: Answer) -> Iterator[Look]:
    """TSH up to 6 from 70 years (ATA 2014), up to 2.5 in pregnancy (ATA 2017); never in central."""
    case = answer.case
    if by_free_t4(answer):
        at = {branch_at(answer, tsh=tsh, freeT4=16.0, freeT3=5.0) is None for tsh in (0.02, 2, 80)}
        yield len(at) == 1, "TSH decides in central hypothyroidism"
        return
    top = (
        2.5
        if case.pregnant
        else max(case.tsh_range[1] if case.tsh_range else 4.0, 6.0 if case.age >= 70 else 0)
    )
    stays, rises = in_range(answer), raised(answer, 9.0)
    below = branch_at(answer, tsh=top, freeT4=16.0, freeT3=5.0)
    above = branch_at(answer, tsh=top + 0.1, freeT4=16.0, freeT3=5.0)
    yield below is stays is not None, f"TSH {top} is not in range"
    yield above is rises is not None, f"TSH {top + 0.1} is in range"


CLAIMS: tuple[Claim, ...] = (
    for_any_results_at_most_one_branch_is_taken,
    a_high_tsh_gives_more_than_one_in_range_on_every_chart,
    a_high_tsh_raises_by_8_percent_on_every_chart_it_leaves_open_and_above_10_by_12,
    what_is_left_of_the_old_medicine_is_not_lowered_while_the_dose_rises,
    a_step_back_takes_a_tenth_off_and_a_fifth_where_tsh_is_suppressed,
    a_step_back_begins_with_t3_and_never_leaves_a_patient_without_hormone,
    symptoms_without_a_low_tsh_lower_nothing,
    free_t3_above_range_raises_no_t3,
    in_pregnancy_a_low_tsh_lowers_nothing,
    a_branch_goes_by_the_patients_own_limits,
)
