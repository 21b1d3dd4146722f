"""Claims about what is done with the labs at the checkpoint."""

from collections.abc import Iterator
from itertools import product

from tests.properties.titration.claims import (
    Claim,
    Look,
    branch_at,
    holding,
    in_range,
    labs,
)
from tests.properties.titration.figures import (
    EXACT,
    STEP_BACK,
    STEP_BACK_SUPPRESSED,
)
from tests.properties.titration.reading import Answer, Branch, worth

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
        "specialistAgrees": (False, True),
    }
    used = {name: values for name, values in several.items() if f"%{name}" in asked}
    for values in product(*used.values()):
        drawn = dict(zip(used, values, strict=True))
        found = [branch.title for branch in holding(answer, labs(answer.case, **drawn))]
        yield len(found) <= 1, f"{drawn}: {found}"


def by_free_t4(answer: Answer) -> bool:
    """Whether TSH is no guide."""
    return "central-hypothyroidism" in answer.case.conditions


def raised(answer: Answer, tsh: float) -> Branch | None:
    """The branch of a TSH above range."""
    return branch_at(answer, tsh=tsh, freeT4=4.0, freeT3=5.0)


TOO_MUCH = ((0.25, False, STEP_BACK), (0.05, False, STEP_BACK_SUPPRESSED),
            (0.25, True, STEP_BACK_SUPPRESSED))  # fmt: skip
"""TSH, a fast pulse, and the most that is left of the dose."""


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
    in_pregnancy_a_low_tsh_lowers_nothing,
    a_branch_goes_by_the_patients_own_limits,
)
