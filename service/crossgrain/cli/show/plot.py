"""A small plot in characters: lines over the days of a plan, against the old regimen."""

from collections.abc import Mapping, Sequence
from datetime import date, timedelta

import plotext

_ROWS = 14
_MARKERS = ("braille", "dot", "+", "x")
_TICKS = 4
_ROOM_FOR_LEGEND = 1.4


def draw(lines: Mapping[str, Sequence[float]], start: date, columns: int) -> str:
    """Ratios to the old regimen, one value per day, as lines under one legend.

    The lines differ by their marks, not by colour, so that they print.
    """
    plotext.clear_figure()
    plotext.theme("clear")
    plotext.plot_size(columns, _ROWS)
    for (label, ratios), marker in zip(lines.items(), _MARKERS, strict=False):
        percents = [100 * ratio for ratio in ratios]
        plotext.plot(range(len(percents)), percents, label=label, marker=marker)
    top = max(100 * max(ratios) for ratios in lines.values())
    ceiling = top * _ROOM_FOR_LEGEND
    plotext.ylim(0, ceiling)
    levels = range(0, int(ceiling) + 1, 50)
    plotext.yticks(list(levels), [f"{level} %" for level in levels])
    days = max(len(ratios) for ratios in lines.values())
    marks = [days * tick // _TICKS for tick in range(_TICKS)]
    plotext.xticks(marks, [(start + timedelta(days=day)).isoformat() for day in marks])
    plotext.hline(100)
    drawing: str = plotext.build()
    return drawing.rstrip("\n")
