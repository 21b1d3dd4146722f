"""What is aimed at, and whether it was met. A bench reports; it never fails on time."""

import statistics
from collections.abc import Iterator
from dataclasses import dataclass

from .cells import Cell, Mix
from .found import Found
from .lines import steepening

SIZE, CONNECTIONS = 25, 16
"""Where the service is measured against the plain echo."""
SECONDS_OF_PROCESSOR_TO_READY = 0.6
SHARES_OF_ECHO = {Mix.FIRST_PASS: 0.25, Mix.MADE: 0.10, Mix.RARE: 0.10}
P99_MS = 40.0
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
        spent = statistics.median(start.processor for start in found.starts)
        aim = f"start to ready under {SECONDS_OF_PROCESSOR_TO_READY} s of processor"
        yield Verdict(aim, f"{spent:.2f} s", spent < SECONDS_OF_PROCESSOR_TO_READY)
    for mix, share in SHARES_OF_ECHO.items():
        yield from _beside_echo(found, mix, share)
    steeper, echo = (steepening(found.costs(mix)) for mix in (Mix.MADE, Mix.ECHO))
    if steeper is not None and echo is not None:
        aim = f"linear: a later resource costs at most {STEEPER} times an earlier one"
        yield Verdict(aim, f"{steeper:.2f} times (echo's: {echo:.2f})", steeper <= STEEPER)
    if found.soak is not None:
        grown = found.soak.growth_mib
        aim = f"memory flat: at most {GROWN_MIB:.0f} MiB from a tenth of the soak to its end"
        yield Verdict(aim, f"{grown:+.1f} MiB", grown <= GROWN_MIB)


def _beside_echo(found: Found, mix: Mix, least: float) -> Iterator[Verdict]:
    proposal, echo = _cell(found, mix), _cell(found, Mix.ECHO)
    if proposal is None or echo is None:
        return
    where = f"{SIZE} resources, {CONNECTIONS} connections, {mix}"
    share = proposal.per_core / echo.per_core
    aim = f"{where}: per core-second at least {least:.2f} of the echo"
    yield Verdict(aim, f"{share:.3f}", share >= least)
    p99 = proposal.answers.percentile_ms(99)
    yield Verdict(f"{where}: p99 under {P99_MS:.0f} ms", f"{p99:.1f} ms", p99 < P99_MS)


def _cell(found: Found, mix: Mix) -> Cell | None:
    cells = (cell for cell in found.cells if cell.mix is mix)
    return next((c for c in cells if (c.size, c.connections) == (SIZE, CONNECTIONS)), None)
