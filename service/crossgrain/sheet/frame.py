"""Where everything lies in one drawing of the chart."""

from dataclasses import dataclass

from crossgrain.sheet.charted import Charted
from crossgrain.sheet.drawing import Scale, thinned
from crossgrain.sheet.traces import Values

LETTER_WIDTH = 0.56
"""Mean width of a letter, in font sizes: enough to tell whether a label fits."""


@dataclass(frozen=True, slots=True)
class Size:
    """Measures of one drawing, in its own pixels."""

    name: str
    width: int
    left: int
    font: int
    coverage: int
    exposure: int
    strip: int
    ticks: int
    points: int


@dataclass(frozen=True, slots=True)
class Frame:
    """One chart in one size: `across` maps days onto pixels."""

    chart: Charted
    size: Size
    across: Scale

    def points(self, values: Values, up: Scale) -> list[tuple[float, float]]:
        """A line through daily values, thinned where there are many."""
        return [
            (self.across.at(day), up.at(values[day]))
            for day in thinned(len(values), self.size.points)
        ]
