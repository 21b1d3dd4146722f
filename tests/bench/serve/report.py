"""The figures as tables in Markdown, the aims beside them."""

import statistics
from collections.abc import Sequence

from .aims import verdicts
from .cells import Cell, Mix
from .found import Found, interpreter
from .lines import slope
from .sent import Sent


def tables(found: Found) -> str:
    """All of it for a person's eyes, in Markdown."""
    parts = [
        interpreter(),
        _start_line(found),
        _sent_table(found),
        _hits_lines(found),
        _load_table(found),
        _cost_table(found),
        _soak_lines(found),
        _aims_table(found),
    ]
    return "\n\n".join(part for part in parts if part)


def _start_line(found: Found) -> str:
    if not found.starts:
        return ""
    each = ", ".join(f"{start.wall:.2f}" for start in found.starts)
    wall = statistics.median(start.wall for start in found.starts)
    spent = statistics.median(start.processor for start in found.starts)
    return f"Start to ready, seconds: {each}; median {wall:.2f}, of processor {spent:.2f}"


def _hits_lines(found: Found) -> str:
    return "\n".join(
        f"Plans at hand in the {mix}: {hits.at_hand} of {hits.asked} ({hits.share:.0%})"
        for mix, hits in found.hits.items()
    )


def _sent_table(found: Found) -> str:
    heads = ("resources", "doses", "patients", "checked", "kB sent", "kB answered", "whole plans")
    rows = [_sent_row(sent) for sent in found.sent]
    return _table(heads, rows)


def _sent_row(sent: Sent) -> tuple[object, ...]:
    checked = sent.checked
    return (
        sent.size, "rare" if sent.rare else "common", sent.patients, checked.count,
        f"{checked.bytes_sent / checked.count / 1000:.0f}",
        f"{checked.bytes_answered / checked.count / 1000:.0f}", f"{checked.share_of_plans:.0%}",
    )  # fmt: skip


def _load_table(found: Found) -> str:
    heads = (
        "resources", "connections", "mix", "p50 ms", "p95 ms", "p99 ms", "200s/s",
        "200s per core-second", "not 200", "MiB before", "MiB after", "other cores",
    )  # fmt: skip
    return _table(heads, [_load_row(cell) for cell in found.cells])


def _load_row(cell: Cell) -> tuple[object, ...]:
    answers = cell.answers
    times = [f"{answers.percentile_ms(percent):.1f}" for percent in (50, 95, 99)]
    other = [f"{times} × {status}" for status, times in answers.refused.items()]
    failed = [f"{times} {kind}" for kind, times in answers.errors.items() if times]
    return (
        cell.size, cell.connections, cell.mix, *times, f"{answers.good_a_second:.0f}",
        f"{cell.per_core:.0f}", ", ".join([*other, *failed]) or "none",
        f"{cell.memory_before:.0f}", f"{cell.memory_after:.0f}", f"{cell.others:.2f}",
    )  # fmt: skip


def _cost_table(found: Found) -> str:
    rows = []
    for mix in Mix:
        costs = found.costs(mix)
        if len(costs) > 1:
            steep, start = slope(costs)
            line = f"{start:.2f} ms + {steep * 1000:.1f} µs per resource"
            rows.append((mix, ", ".join(f"{size}: {ms:.2f}" for size, ms in costs), line))
    return _table(("processor", "ms per answer, by resources", "nearest line"), rows)


def _soak_lines(found: Found) -> str:
    if found.soak is None:
        return ""
    soak = found.soak
    heads = (
        "answered",
        "MiB before",
        "at a tenth",
        "at the end",
        "peak",
        "KiB per 1000",
        "not 200",
    )
    (_, first), *_, (answered, last) = soak.samples
    row = (
        answered, f"{first:.1f}", f"{last - soak.growth_mib:.1f}", f"{last:.1f}",
        f"{soak.peak_mib:.1f}", f"{soak.kib_a_thousand:.1f}", soak.refused or "none",
    )  # fmt: skip
    return _table(heads, [row])


def _aims_table(found: Found) -> str:
    rows = [(v.aim, v.measured, "met" if v.met else "NOT met") for v in verdicts(found)]
    return _table(("aim", "measured", ""), rows)


def _table(heads: Sequence[str], rows: Sequence[Sequence[object]]) -> str:
    if not rows:
        return ""
    cells = [[str(cell) for cell in row] for row in rows]
    widths = [max(map(len, column)) for column in zip(heads, *cells, strict=True)]
    lines = [heads, ["-" * width for width in widths], *cells]
    return "\n".join(
        f"| {' | '.join(c.ljust(w) for c, w in zip(line, widths, strict=True))} |" for line in lines
    )
