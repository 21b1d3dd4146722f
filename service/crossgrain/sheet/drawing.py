"""The few things that a drawing needs: a scale, a path, an element whose text is escaped."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import ceil

from markupsafe import Markup, escape

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


@dataclass(frozen=True, slots=True)
class Scale:
    """Maps values onto pixels.

    >>> Scale(0, 10, 100, 200).at(5)
    150.0
    """

    low: float
    high: float
    first: float
    last: float

    def at(self, value: float) -> float:
        """Where a value lies."""
        return self.first + (value - self.low) * (self.last - self.first) / (self.high - self.low)


def element(name: str, body: str | Markup = "", **attributes: object) -> Markup:
    """One SVG element; an underscore in an attribute's name stands for a hyphen.

    >>> element("text", "<b>", x=1.25, class_="tick")
    Markup('<text x="1.2" class="tick">&lt;b&gt;</text>')
    """
    written = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{_written(value)}"'
        for key, value in attributes.items()
    )
    return Markup(f"<{name}{written}>{escape(body)}</{name}>")


def _written(value: object) -> str | Markup:
    return f"{value:.1f}" if isinstance(value, float) else escape(value)


def line_path(points: Iterable[tuple[float, float]]) -> str:
    """A path through points.

    >>> line_path([(0, 1), (2, 3.25)])
    'M0.0 1.0L2.0 3.2'
    """
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points)


def area_path(upper: Sequence[tuple[float, float]], lower: Sequence[tuple[float, float]]) -> str:
    """The area between two lines drawn from left to right."""
    return line_path([*upper, *reversed(lower)]) + "Z"


def thinned(days: int, most: int) -> list[int]:
    """Evenly spaced days, the last one among them, no more than about `most`.

    >>> thinned(7, 3)
    [0, 3, 6]
    """
    stride = max(1, ceil(days / most))
    shown = list(range(0, days, stride))
    return shown if shown[-1] == days - 1 else [*shown, days - 1]
