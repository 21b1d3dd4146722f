"""Claims about what today's results change: the same patient asked for twice."""

from collections.abc import Callable, Iterator
from dataclasses import replace

from tests.properties.titration.claims import Look, wanted
from tests.properties.titration.figures import CHARTS, EXACT
from tests.properties.titration.grid import Case
from tests.properties.titration.reading import Answer, worth

Ask = Callable[[Case], Answer | None]
Pair = Callable[[Case, Ask], Iterator[Look]]

STEADY_DAYS = 700
"""Long past the six weeks after which a TSH speaks of a dose (ATA 2014, from memory)."""


def _asked(made: Case, ask: Ask, tsh: float) -> Answer | None:
    """The plan for this patient, had TSH been drawn at this height; nothing where there is none."""
    steady = replace(made, tsh=tsh, tsh_days=14, held_days=STEADY_DAYS, tsh_range=None)
    answer = ask(steady)
    return answer if answer and answer.ends == "plan" else None


def _reached(answer: Answer, chart: str) -> float:
    """What the target's medicines are worth at the decision."""
    new = {m: a for m, a in answer.hold.items() if m in wanted(answer.case)}
    return worth(chart, new)


def a_high_tsh_of_today_never_raises_the_checkpoint(made: Case, ask: Ask) -> Iterator[Look]:
    """A need above 1 changes what is aimed at, and never the dose that waits for labs."""
    usual = _asked(made, ask, 2.0)
    for tsh in (8.0, 18.0):
        short = _asked(made, ask, tsh)
        if usual and short and not made.pregnant:
            for chart in CHARTS:
                more, less = _reached(short, chart), _reached(usual, chart)
                yield more <= less + EXACT, f"TSH {tsh}, {chart}: {more:.1f} for {less:.1f}"


def a_low_tsh_of_today_lowers_the_checkpoint(made: Case, ask: Ask) -> Iterator[Look]:
    """By a tenth, as far as tablets and increments allow; in pregnancy it lowers nothing."""
    if made.pregnant or "central-hypothyroidism" in made.conditions:
        return
    usual, much = _asked(made, ask, 2.0), _asked(made, ask, 0.25)
    if usual and much:
        for chart in CHARTS:
            less, was = _reached(much, chart), _reached(usual, chart)
            yield less <= was + EXACT, f"{chart}: {less:.1f} for {was:.1f}"


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
