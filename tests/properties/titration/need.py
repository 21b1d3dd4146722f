"""Claims about what today's results change: the same patient asked for twice."""

from collections.abc import Callable, Iterator
from dataclasses import replace

from tests.properties.titration.claims import Look, wanted
from tests.properties.titration.figures import EXACT, SMALLEST
from tests.properties.titration.grid import Case
from tests.properties.titration.reading import Amounts, Answer

Ask = Callable[[Case], Answer | None]
Pair = Callable[[Case, Ask], Iterator[Look]]

STEADY_DAYS = 700
"""Long past the six weeks after which a TSH speaks of a dose (ATA 2014, from memory)."""


def _asked(made: Case, ask: Ask, tsh: float) -> Answer | None:
    """The plan for this patient, had TSH been drawn at this height; nothing where there is none."""
    steady = replace(
        made, tsh=tsh, tsh_days=14, held_days=STEADY_DAYS, tsh_range=None, free_t4=None
    )
    answer = ask(steady)
    return answer if answer and answer.ends == "plan" else None


def _reached(answer: Answer) -> Amounts:
    """The target's medicines at the decision."""
    return {m: answer.hold.get(m, 0.0) for m in wanted(answer.case)}


def _no_more(other: Answer, usual: Answer) -> Iterator[Look]:
    """Of a medicine that is taken today as well, more of today's dose may be kept."""
    was = _reached(usual)
    for medicine, amount in _reached(other).items():
        most = max(was[medicine], usual.before.get(medicine, 0.0))
        yield amount <= most + EXACT, f"TSH {other.case.tsh}: {amount:g} {medicine} for {was}"


def a_high_tsh_of_today_never_raises_the_checkpoint(made: Case, ask: Ask) -> Iterator[Look]:
    """A need above 1 changes what is aimed at, and never the dose that waits for labs."""
    usual = _asked(made, ask, 2.0)
    for tsh in (8.0, 18.0):
        short = _asked(made, ask, tsh)
        if usual and short and not made.pregnant:
            yield from _no_more(short, usual)


def a_low_tsh_of_today_lowers_the_checkpoint(made: Case, ask: Ask) -> Iterator[Look]:
    """By a tenth: a new dose of ten increments and more is less; in pregnancy nothing is."""
    if made.pregnant or "central-hypothyroidism" in made.conditions:
        return
    usual, much = _asked(made, ask, 2.0), _asked(made, ask, 0.25)
    if usual and much:
        yield from _no_more(much, usual)
        # of a combination its ratio comes first, and the pairs that keep it lie far apart
        combined = made.target == "levothyroxine-liothyronine"
        new = [m for m in wanted(made) if m not in usual.before and not combined]
        if new and _reached(usual)[new[0]] >= 10 * SMALLEST[new[0]]:
            less, was = _reached(much)[new[0]], _reached(usual)[new[0]]
            yield less < was - EXACT, f"{less:g} {new[0]} for {was:g}"


def tsh_of_today_changes_nothing_in_central_hypothyroidism(made: Case, ask: Ask) -> Iterator[Look]:
    """TSH is no guide there (levothyroxine label)."""
    if "central-hypothyroidism" in made.conditions and not made.pregnant:
        usual, high = _asked(made, ask, 2.0), _asked(made, ask, 8.0)
        if usual and high:
            yield usual.hold == high.hold, f"{usual.hold} and {high.hold}"


PAIRS: tuple[Pair, ...] = (
    a_high_tsh_of_today_never_raises_the_checkpoint,
    a_low_tsh_of_today_lowers_the_checkpoint,
    tsh_of_today_changes_nothing_in_central_hypothyroidism,
)
