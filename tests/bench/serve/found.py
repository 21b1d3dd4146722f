"""Everything that a run found, and the same as data."""

import json
import os
import platform
import sysconfig
from dataclasses import dataclass, field
from typing import Any

from .cells import Cell, Mix
from .hits import Hits
from .sent import Sent
from .soak import Soak
from .starts import Start


@dataclass(slots=True)
class Found:
    """Everything that a run found; what was not asked for stays empty."""

    starts: list[Start] = field(default_factory=list)
    sent: list[Sent] = field(default_factory=list)
    cells: list[Cell] = field(default_factory=list)
    hits: dict[Mix, Hits] = field(default_factory=dict)
    soak: Soak | None = None

    def costs(self, mix: Mix) -> list[tuple[int, float]]:
        """Milliseconds of processor per answer, by size, over all numbers of connections."""
        cells = [cell for cell in self.cells if cell.mix is mix]
        sizes = sorted({cell.size for cell in cells})
        return [(size, _cost([c for c in cells if c.size == size])) for size in sizes]


def _cost(cells: list[Cell]) -> float:
    return sum(c.cpu_seconds for c in cells) / sum(c.finished for c in cells) * 1000


def interpreter() -> str:
    """What runs it, and whether it was built with profile-guided optimization."""
    flags = str(sysconfig.get_config_var("CONFIG_ARGS"))
    built = "with" if "--enable-optimizations" in flags else "without"
    version = f"{platform.python_implementation()} {platform.python_version()}"
    return f"{version}, built {built} profile-guided optimization, {platform.machine()}"


def as_json(found: Found) -> str:
    """The same as data, with the samples of the soak."""
    whole = {
        "interpreter": interpreter(),
        "cores": len(os.sched_getaffinity(0)),
        "load_average": os.getloadavg(),
        "starts": [{"seconds": s.wall, "processor": s.processor} for s in found.starts],
        "plans_at_hand": {mix: {"asked": h.asked, "hits": h.at_hand}
                          for mix, h in found.hits.items()},
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
        "resources": cell.size, "connections": cell.connections, "mix": cell.mix,
        "statuses": dict(answers.statuses), "errors": dict(answers.errors),
        **{f"p{percent}_ms": answers.percentile_ms(percent) for percent in (50, 95, 99)},
        "rate": answers.good_a_second, "per_core": cell.per_core, "cpu_ms": cell.cpu_ms,
        "mib_before": cell.memory_before, "mib_after": cell.memory_after,
        "other_cores": cell.others,
    }  # fmt: skip
