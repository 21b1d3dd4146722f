"""Everything that a run found, and the same as data."""

import json
import os
from dataclasses import dataclass, field
from typing import Any

from .cells import Cell
from .sent import Sent
from .soak import Soak


@dataclass(slots=True)
class Found:
    """Everything that a run found; what was not asked for stays empty."""

    starts: list[float] = field(default_factory=list)
    sent: list[Sent] = field(default_factory=list)
    cells: list[Cell] = field(default_factory=list)
    soak: Soak | None = None

    def cells_of(self, route: str, *, plans_kept: bool = True) -> list[Cell]:
        """The cells of one route, by size and connections."""
        return [c for c in self.cells if (c.route, c.plans_kept) == (route, plans_kept)]

    def costs(self, route: str, *, plans_kept: bool = True) -> list[tuple[int, float]]:
        """Milliseconds of processor per answer, by size, over all numbers of connections."""
        cells = self.cells_of(route, plans_kept=plans_kept)
        sizes = sorted({cell.size for cell in cells})
        return [(size, _cost([c for c in cells if c.size == size])) for size in sizes]


def _cost(cells: list[Cell]) -> float:
    return sum(c.cpu_seconds for c in cells) / sum(c.finished for c in cells) * 1000


def as_json(found: Found) -> str:
    """The same as data, with the samples of the soak."""
    whole = {
        "cores": len(os.sched_getaffinity(0)),
        "load_average": os.getloadavg(),
        "start_seconds": found.starts,
        "bodies": [
            {"resources": s.size, "rare": s.rare, "patients": s.patients,
             "checked": s.checked.count, "outcomes": dict(s.checked.outcomes),
             "bytes_sent": s.checked.bytes_sent, "bytes_answered": s.checked.bytes_answered}
            for s in found.sent
        ],
        "load": [_cell_data(cell) for cell in found.cells],
        "soak": found.soak and {
            "samples": found.soak.samples, "peak_mib": found.soak.peak_mib,
            "growth_mib": found.soak.growth_mib, "kib_per_1000": found.soak.kib_a_thousand,
            "refused": found.soak.refused, "seconds": found.soak.seconds,
        },
    }  # fmt: skip
    return json.dumps(whole, indent=2)


def _cell_data(cell: Cell) -> dict[str, Any]:
    answers = cell.answers
    return {
        "resources": cell.size, "connections": cell.connections, "route": cell.route,
        "plans_kept": cell.plans_kept,
        "statuses": dict(answers.statuses), "errors": dict(answers.errors),
        **{f"p{percent}_ms": answers.percentile_ms(percent) for percent in (50, 95, 99)},
        "rate": answers.good_a_second, "per_core": cell.per_core, "cpu_ms": cell.cpu_ms,
        "mib_before": cell.memory_before, "mib_after": cell.memory_after,
        "other_cores": cell.others,
    }  # fmt: skip
