"""The costs as rows of a table, measured in an interpreter that has done nothing else."""

import subprocess
import sys
from collections.abc import Iterable, Iterator

import msgspec
from tests.bench.costs.measured import Cost

Pair = tuple[str, str]
"""A shape and an operation."""
HEAD = (
    f"{'shape':<45} {'operation':<17} {'bytes':>8} {'status':>6} {'ms':>7} {'× same':>7}"
    f" {'× plain':>7} {'MB':>6} {'over':>6}"
)


def line(cost: Cost) -> str:
    """One row."""
    return (
        f"{cost.shape:<45} {cost.operation:<17} {cost.size:>8} {cost.status:>6} {cost.ms:>7.0f}"
        f" {cost.ms / cost.parsing_ms:>7.1f} {cost.ms / cost.ordinary_ms:>7.1f}"
        f" {cost.mb:>6.1f} {cost.mb_over_parsing:>6.1f}"
    )


def worst(every: list[Cost]) -> Iterator[str]:
    """The dearest rows in time and in memory, and how many are too dear."""
    yield "\nThe most processor time:"
    yield from map(line, sorted(every, key=lambda cost: -cost.ms)[:15])
    yield "\nThe most memory over parsing:"
    yield from map(line, sorted(every, key=lambda cost: -cost.mb_over_parsing)[:15])
    dear = [cost for cost in every if cost.is_dear]
    yield f"\n{len(every)} calls, {len(dear)} of them too dear"
    yield from map(line, dear)


def costs_apart(pairs: Iterable[Pair], size: int) -> Iterator[Cost]:
    """Measure in another interpreter: this one has memory that was used before."""
    command = [sys.executable, "-m", "tests.bench.costs", "--as-json", "--size", str(size)]
    for name, operation in pairs:
        command += ["--pair", name, operation]
    done = subprocess.run(command, check=True, stdout=subprocess.PIPE)
    for row in done.stdout.splitlines():
        yield msgspec.json.decode(row, type=Cost)
