"""The chart: coverage, T3 exposure, and the doses and labs beneath them, as SVG.

Drawn here rather than by a plotting library: text stays text and colours follow the page's
light and dark themes. Measured on one plan: 16 kB in a few milliseconds, where matplotlib wrote
42 kB in 90 ms for the two panels alone.
"""

from collections.abc import Iterable, Iterator, Sequence
from math import ceil

from markupsafe import Markup, escape

from crossgrain.names.values import frozen
from crossgrain.sheet.charted import Banded, Charted, Dose, Values
from crossgrain.words.doses import DateWords


@frozen
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


LETTER_WIDTH = 0.56
"""Mean width of a letter, in font sizes: enough to tell whether a label fits."""


@frozen
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


@frozen
class Frame:
    """One chart in one size: `across` maps days onto pixels, `dated` writes them."""

    chart: Charted
    size: Size
    across: Scale
    dated: DateWords

    def points(self, values: Values, up: Scale) -> list[tuple[float, float]]:
        """A line through daily values, thinned where there are many."""
        return [
            (self.across.at(day), up.at(values[day]))
            for day in thinned(len(values), self.size.points)
        ]


def strips(frame: Frame, top: float) -> Iterator[Markup]:
    """One strip below the other, each under its name."""
    named = [("Old", "old", frame.chart.old), ("New", "new", frame.chart.new), ("Labs", "", ())]
    if frame.chart.drawn:
        named.append(("Results", "", ()))
    for row, (name, kind, doses) in enumerate(named):
        y = top + row * frame.size.strip
        baseline = y + frame.size.strip / 2 + frame.size.font * 0.35
        yield element("text", name, class_="strip", x=0, y=baseline)
        for dose in doses:
            yield from _block(frame, dose, kind, y)
        if kind and not doses:
            yield element("text", "none", class_="tick start", x=frame.across.first, y=baseline)


def _block(frame: Frame, dose: Dose, kind: str, y: float) -> Iterator[Markup]:
    first = frame.across.at(dose.first_day)
    width = min(frame.across.at(dose.last_day + 1), frame.across.last) - first
    height, font = frame.size.strip - 4, frame.size.font
    yield element("rect", class_=f"dose {kind}", x=first, y=y, width=width - 1, height=height, rx=3)
    words = _label(dose, width / font)
    if words:
        yield element(
            "text", words, class_=f"dose-word {kind}", x=first + width / 2,
            y=y + height / 2 + font * 0.35,
        )  # fmt: skip


def _label(dose: Dose, room: float) -> str:
    """The dose, or of a single medicine its number alone, or nothing: what there is room for."""
    number_alone = "" if "+" in dose.words else dose.words.partition(" ")[0]
    fitting = (w for w in (dose.words, number_alone) if len(w) * LETTER_WIDTH + 0.3 < room)
    return next(fitting, "")


def labs(frame: Frame, top: float, strip: float) -> Iterator[Markup]:
    """A drop on the strip, and a line up through the panels; a date where there is room."""
    middle, font = strip + (frame.size.strip - 4) / 2, frame.size.font
    places = [frame.across.at(day) for day in frame.chart.labs]
    for day, x, following in zip(frame.chart.labs, places, (*places[1:], None), strict=True):
        yield element("line", class_="lab-line", x1=x, x2=x, y1=top, y2=middle - 8)
        yield element(
            "path", class_="drop",
            d=f"M{x:.1f} {middle - 9:.1f}c4 6 6 8 6 11a6 6 0 0 1-12 0c0-3 2-5 6-11z",
        )  # fmt: skip
        if following and following - x < font * 5:
            continue
        shown = frame.chart.day(day)
        left = frame.across.last - x < font * 5
        yield element(
            "text", frame.dated(shown),
            class_="tick end" if left else "tick start", x=x - 11 if left else x + 11,
            y=middle + font * 0.4,
        )  # fmt: skip


def results(frame: Frame, top: float, strip: float) -> Iterator[Markup]:
    """What came, as a full dot on the strip with a line up through the panels, and its value."""
    middle, font = strip + (frame.size.strip - 4) / 2, frame.size.font
    for place, drawn in enumerate(frame.chart.drawn):
        x = frame.across.at(drawn.day)
        yield element("line", class_="result-line", x1=x, x2=x, y1=top, y2=middle)
        yield element("circle", class_="result", cx=x, cy=middle, r=5)
        room = x + font * 6
        today = frame.across.at(frame.chart.today)
        end = room > frame.across.last or x <= today < room
        following = next((d.day for d in frame.chart.drawn[place + 1 :]), frame.chart.own.days)
        if end or frame.across.at(following) - x > font * 6:
            yield element(
                "text", drawn.words, class_="tick end" if end else "tick start",
                x=x - 8 if end else x + 8, y=middle + font * 0.4,
            )  # fmt: skip


def _today(frame: Frame, top: float, bottom: float) -> Iterator[Markup]:
    """Where what was taken ends and the plan begins."""
    if not frame.chart.today:
        return
    x, font = frame.across.at(frame.chart.today), frame.size.font
    yield element("line", class_="today", x1=x, x2=x, y1=top - font * 0.5, y2=bottom)
    left = frame.across.last - x < font * 4
    yield element(
        "text", "today", class_="tick end today-word" if left else "tick start today-word",
        x=x - 4 if left else x + 4, y=top - font * 0.5,
    )  # fmt: skip


_WEEKS_BETWEEN_TICKS = (1, 2, 4, 6, 8, 13, 26)


WIDE = Size(
    "wide", width=880, left=92, font=13, coverage=210, exposure=130, strip=27, ticks=8, points=90
)
NARROW = Size(
    "narrow", width=480, left=74, font=16, coverage=220, exposure=150, strip=32, ticks=4, points=45
)


def draw(chart: Charted, size: Size, describe: str, dated: DateWords) -> Markup:
    """One drawing of the chart; `describe` says in words what it shows, `dated` writes its days."""
    across = Scale(0, chart.own.days - 1, size.left, size.width - 14)
    frame = Frame(chart, size, across, dated)
    gap, head = size.font * 2.6, size.font * 1.9
    upper = (head, head + size.coverage)
    lower = (upper[1] + gap, upper[1] + gap + size.exposure)
    beneath = lower[1] + size.font * 2.6
    rows = 4 if chart.drawn else 3
    bottom = beneath + rows * size.strip
    parts = [
        *_waiting(frame, upper[0], bottom),
        *_coverage(frame, upper),
        *_exposure(frame, lower),
        *_dates(frame, lower[1]),
        *strips(frame, beneath),
        *labs(frame, upper[0], beneath + 2 * size.strip),
        *results(frame, upper[0], beneath + 3 * size.strip),
        *_today(frame, upper[0], bottom),
        element("line", class_="cursor", x1=across.first, x2=across.first, y1=upper[0], y2=bottom),
    ]
    return element(
        "svg",
        Markup("").join(
            [
                element("title", "Modelled hormone during the move", id=f"chart-{size.name}-title"),
                element("desc", describe, id=f"chart-{size.name}-words"),
                *parts,
            ]
        ),
        class_=f"chart {size.name}",
        viewBox=f"0 0 {size.width} {ceil(bottom + 4)}",
        role="img",
        aria_labelledby=f"chart-{size.name}-title chart-{size.name}-words",
        data_first=across.first,
        data_last=across.last,
    )


def _coverage(frame: Frame, place: tuple[float, float]) -> Iterator[Markup]:
    own, other, limit = frame.chart.own, frame.chart.other, frame.chart.lowest_coverage
    tops = [max(own.coverage.high), max(own.most_generous), 1.1]
    up = _upwards(tops + ([max(other.coverage.high)] if other else []), place)
    yield from _grid(frame, up, f"Coverage on the basis {frame.chart.leanest}")
    ground = [(frame.across.at(day), up.at(0)) for day in (0, own.days - 1)]
    old, whole = frame.points(own.of_old, up), frame.points(own.coverage.value, up)
    yield element("path", class_="from-old", d=area_path(old, ground))
    yield element("path", class_="from-new", d=area_path(whole, old))
    yield from _limit(frame, up, limit)
    if frame.chart.most_generous != frame.chart.leanest:
        yield element("path", class_="generous", d=line_path(frame.points(own.most_generous, up)))
    if other:
        yield from _banded(frame, up, other.coverage, "other")
    yield from _banded(frame, up, own.coverage, "own")


def _exposure(frame: Frame, place: tuple[float, float]) -> Iterator[Markup]:
    own, other, limit = frame.chart.own, frame.chart.other, frame.chart.highest_t3
    tops = [max(own.t3.high), 1.1] + ([max(other.t3.high)] if other else [])
    up = _upwards(tops, place)
    yield from _grid(frame, up, "T3 exposure")
    yield from _limit(frame, up, limit)
    if other:
        yield from _banded(frame, up, other.t3, "other")
    yield from _banded(frame, up, own.t3, "own t3")


def _upwards(tops: Sequence[float], place: tuple[float, float]) -> Scale:
    """From nothing to the next quarter above everything drawn."""
    return Scale(0, ceil(max(tops) * 4) / 4, place[1], place[0])


def _banded(frame: Frame, up: Scale, banded: Banded, kind: str) -> Iterator[Markup]:
    high, low = frame.points(banded.high, up), frame.points(banded.low, up)
    yield element("path", class_=f"band {kind}", d=area_path(high, low))
    yield element("path", class_=f"line {kind}", d=line_path(frame.points(banded.value, up)))


def _grid(frame: Frame, up: Scale, heading: str) -> Iterator[Markup]:
    across, font = frame.across, frame.size.font
    yield element("text", heading, class_="panel", x=0, y=up.last - font * 0.7)
    for percent in range(0, int(up.high * 100) + 1, 50):
        y = up.at(percent / 100)
        kind = "level full" if percent == 100 else "level"
        yield element("line", class_=kind, x1=across.first, x2=across.last, y1=y, y2=y)
        yield element(
            "text", f"{percent} %", class_="tick end", x=across.first - 7, y=y + font * 0.35
        )


def _limit(frame: Frame, up: Scale, limit: float) -> Iterator[Markup]:
    """Past this a finding is raised."""
    if not up.low < limit < up.high:
        return
    y = up.at(limit)
    yield element("line", class_="limit", x1=frame.across.first, x2=frame.across.last, y1=y, y2=y)
    yield element(
        "text",
        f"limit {limit * 100:.0f} %",
        class_="tick start limit-word",
        x=frame.across.first + 5,
        y=y + frame.size.font,
    )


def _waiting(frame: Frame, top: float, bottom: float) -> Iterator[Markup]:
    """The stretch during which the dose waits for labs."""
    first = frame.across.at(frame.chart.checkpoint_day)
    yield element(
        "rect", class_="waiting", x=first, y=top, width=frame.across.last - first,
        height=bottom - top,
    )  # fmt: skip
    words = "waiting for labs"
    if frame.across.last - first > len(words) * frame.size.font * LETTER_WIDTH:
        yield element(
            "text", words, class_="tick end", x=frame.across.last - 4, y=top - frame.size.font * 0.5
        )


def _dates(frame: Frame, top: float) -> Iterator[Markup]:
    font = frame.size.font
    for day in _ticks(frame):
        x, shown = frame.across.at(day), frame.chart.day(day)
        yield element("line", class_="notch", x1=x, x2=x, y1=top, y2=top + 5)
        yield element(
            "text", frame.dated(shown),
            class_="tick start" if day == 0 else "tick middle", x=x, y=top + font * 1.5,
        )  # fmt: skip


def _ticks(frame: Frame) -> list[int]:
    """Whole weeks, as many as there is room for, none under the right edge."""
    weeks = frame.chart.own.days / 7
    between = next((w for w in _WEEKS_BETWEEN_TICKS if weeks / w <= frame.size.ticks), 52)
    room = frame.size.font * 1.6
    return [
        day
        for day in range(0, frame.chart.own.days, between * 7)
        if frame.across.at(day) + room <= frame.size.width
    ]
