"""What is aimed at, and whether it was met. A bench reports; it never fails on time."""

import statistics
from collections.abc import Iterator
from dataclasses import dataclass

from .cells import Cell
from .found import Found
from .lines import steepening

SIZE, CONNECTIONS = 25, 16
"""Where the service is to be a quarter as fast as the echo."""
SECONDS_TO_READY = 1.5
SHARE_OF_ECHO = 0.25
P99_MS = 20.0
STEEPER = 1.25
"""Linear: a resource beyond the first 250 costs no more than this times one before (ours)."""
GROWN_MIB = 5.0
"""Flat: no more than this from a tenth of the soak, when memories are filled, to its end (ours)."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """An aim beside what was measured."""

    aim: str
    measured: str
    met: bool


def verdicts(found: Found) -> Iterator[Verdict]:
    """Of every aim for which something was measured."""
    if found.starts:
        median = statistics.median(found.starts)
        aim = f"start to ready under {SECONDS_TO_READY} s"
        yield Verdict(aim, f"{median:.2f} s", median < SECONDS_TO_READY)
    for plans_kept, which in ((True, "plans at hand"), (False, "every plan made")):
        yield from _beside_echo(found, plans_kept, which)
    steeper = steepening(found.costs("proposal"))
    echo = steepening(found.costs("echo"))
    if steeper is not None:
        aim = f"linear: a later resource costs at most {STEEPER} times an earlier one"
        yield Verdict(aim, f"{steeper:.2f} times (echo's: {echo:.2f})", steeper <= STEEPER)
    if found.soak is not None:
        grown = found.soak.growth_mib
        aim = f"memory flat: at most {GROWN_MIB:.0f} MiB from a tenth of the soak to its end"
        yield Verdict(aim, f"{grown:+.1f} MiB", grown <= GROWN_MIB)


def _beside_echo(found: Found, plans_kept: bool, which: str) -> Iterator[Verdict]:
    pair = [_cell(found, route, plans_kept) for route in ("proposal", "echo")]
    if None in pair:
        return
    proposal, echo = (cell for cell in pair if cell is not None)
    where = f"{SIZE} resources, {CONNECTIONS} connections, {which}"
    for how, share in (
        ("per second", proposal.answers.good_a_second / echo.answers.good_a_second),
        ("per core-second", proposal.per_core / echo.per_core),
    ):
        aim = f"{where}: proposals {how} at least 1/{1 / SHARE_OF_ECHO:.0f} of echoes"
        yield Verdict(aim, f"1/{1 / share:.1f}", share >= SHARE_OF_ECHO)
    p99 = proposal.answers.percentile_ms(99)
    yield Verdict(f"{where}: p99 under {P99_MS:.0f} ms", f"{p99:.1f} ms", p99 < P99_MS)


def _cell(found: Found, route: str, plans_kept: bool) -> Cell | None:
    cells = found.cells_of(route, plans_kept=plans_kept)
    return next((c for c in cells if (c.size, c.connections) == (SIZE, CONNECTIONS)), None)
