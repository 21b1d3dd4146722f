"""The strips beneath the chart: the old doses, the new ones, and the labs."""

from collections.abc import Iterator

from markupsafe import Markup

from crossgrain.sheet.charted import Dose
from crossgrain.sheet.drawing import MONTHS, element
from crossgrain.sheet.frame import LETTER_WIDTH, Frame


def strips(frame: Frame, top: float) -> Iterator[Markup]:
    """One strip below the other, each under its name."""
    for row, (name, kind, doses) in enumerate(
        (("Old", "old", frame.chart.old), ("New", "new", frame.chart.new), ("Labs", "", ()))
    ):
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
            "text", f"{shown.day} {MONTHS[shown.month - 1]}",
            class_="tick end" if left else "tick start", x=x - 11 if left else x + 11,
            y=middle + font * 0.4,
        )  # fmt: skip
