"""The chart is read by its own axes, as a prescriber does with a ruler, and says what was modelled.

Days are read from the dates beneath it, percent from the levels beside each panel; nothing here
knows how the drawing is laid out.
"""

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import pairwise

import pytest
from tests.unit.sheet.pages import CATALOGUE, Node, page_of, parsed
from tests.unit.writing.plans import PLANNED, START

from crossgrain.dosing.steps import Stage
from crossgrain.sheet.charted import Charted, charted
from crossgrain.sheet.figures import data_rows
from crossgrain.words.doses import date_words

PIXEL = 0.11
"""Places are written to a tenth of one, and a day or a level is read between two of them."""
Points = list[tuple[float, float]]


def number(node: Node, name: str) -> float:
    return float(node.attributes[name])


def line_through(points: Points) -> Callable[[float], float]:
    """Pixel → value, by the outermost two; every other mark must lie on it."""
    (x1, v1), (x2, v2) = points[0], points[-1]
    slope = (v2 - v1) / (x2 - x1)
    assert all(abs(x1 + (v - v1) / slope - x) < PIXEL for x, v in points)
    return lambda pixel: v1 + (pixel - x1) * slope


def points_of(path: Node) -> Points:
    pairs = re.findall(r"(-?[\d.]+) (-?[\d.]+)", path.attributes["d"])
    return [(float(x), float(y)) for x, y in pairs]


@dataclass
class Read:
    """A drawing with its rulers: a day by a pixel across, a share by a pixel up each panel."""

    svg: Node
    day: Callable[[float], float]
    share: list[Callable[[float], float]]
    steps: list[float]
    """What a pixel is worth up each panel."""

    def one(self, tag: str, kind: str) -> Node:
        (found,) = (node for node in self.svg.all(tag) if node.attributes.get("class", "") == kind)
        return found

    def holds(self, path: Node, panel: int, *courses: tuple[float, ...]) -> None:
        """A path runs along these courses of values, every second one backwards."""
        points, low = points_of(path), PIXEL * self.steps[panel]
        length = len(points) // len(courses)
        for place, values in enumerate(courses):
            along = points[place * length : (place + 1) * length]
            days = [self.day(x) for x, _ in along]
            assert days == sorted(days, reverse=bool(place % 2))
            assert {round(min(days)), round(max(days))} == {0, len(values) - 1}
            for day, (_, y) in zip(days, along, strict=True):
                assert abs(day - round(day)) < 0.12, "a value belongs to a day"
                assert abs(self.share[panel](y) - values[round(day)]) < low


def read(svg: Node) -> Read:
    """By its marks alone."""
    levels: list[Points] = []
    dates: Points = []
    x = y = 0.0
    for node in svg.walk():
        kind = node.attributes.get("class", "")
        if kind == "panel":
            levels.append([])
            assert number(node, "x") == 0
        elif kind.startswith("level"):
            y = number(node, "y1")
            assert y == number(node, "y2")
            assert number(node, "x1") == number(svg, "data-first")
            assert number(node, "x2") == number(svg, "data-last")
        elif node.text.endswith(" %") and kind == "tick end":
            assert abs(number(node, "y") - y) < 8, "a level's number stands beside its line"
            assert 0 < number(svg, "data-first") - number(node, "x") < 12
            levels[-1].append((y, float(node.text.removesuffix(" %")) / 100))
        elif kind == "notch":
            x = number(node, "x1")
            assert x == number(node, "x2")
        elif kind in {"tick start", "tick middle"} and number(node, "x") == x:
            dates.append((x, float(day_of(node.text))))
    assert len(levels) == 2
    assert all(0.5 in {v for _, v in panel} for panel in levels)
    steps = [abs((p[-1][1] - p[0][1]) / (p[-1][0] - p[0][0])) for p in levels]
    return Read(svg, line_through(dates), [line_through(panel) for panel in levels], steps)


def day_of(words: str) -> int:
    """A date without its year: every hand-made plan ends in the year in which it begins."""
    found = datetime.strptime(f"{words} {START.year}", "%d %b %Y").date()  # noqa: DTZ007 - a date
    assert found >= START
    return (found - START).days


def drawings() -> Iterator[tuple[str, Charted, Read]]:
    for name, make in PLANNED.items():
        proposal = make()
        chart = charted(proposal, proposal.plan, CATALOGUE)
        page = parsed(page_of(proposal))
        both = [one for size in ("wide", "narrow") for one in page.all("svg", size)]
        assert len(both) == 2
        yield from ((name, chart, read(one)) for one in both)


@pytest.fixture
def every() -> list[tuple[str, Charted, Read]]:
    return list(drawings())


def test_lines_and_bands_run_where_the_model_puts_them(every) -> None:
    for _, chart, drawn in every:
        for kind, panel, banded in (("own", 0, chart.own.coverage), ("own t3", 1, chart.own.t3)):
            drawn.holds(drawn.one("path", f"line {kind}"), panel, banded.value)
            drawn.holds(drawn.one("path", f"band {kind}"), panel, banded.high, banded.low)


def test_what_the_old_medicine_gives_lies_below_what_the_new_one_adds(every) -> None:
    for _, chart, drawn in every:
        own, x = chart.own, [0.0, chart.own.days - 1.0]
        area = points_of(drawn.one("path", "from-old"))
        for (left, bottom), day in zip(area[-2:], x, strict=True):
            assert abs(drawn.day(left) - day) < 0.12 or abs(drawn.day(left) - x[-1] + day) < 0.12
            assert abs(drawn.share[0](bottom)) < PIXEL * drawn.steps[0]
        upper = Node("path", {"d": " ".join(f"{a:.1f} {b:.1f}" for a, b in area[:-2])})
        drawn.holds(upper, 0, own.of_old)
        drawn.holds(drawn.one("path", "from-new"), 0, own.coverage.value, own.of_old)


def test_limits_stand_at_their_percent_and_say_it(every) -> None:
    for _, chart, drawn in every:
        lines = drawn.svg.all("line", "limit")
        words = drawn.svg.all("text", "limit-word")
        assert lines
        for line, text in zip(lines, words, strict=True):
            y = number(line, "y1")
            shown = float(text.text.removeprefix("limit ").removesuffix(" %")) / 100
            panel = 0 if shown < 1 else 1
            assert shown == pytest.approx((chart.lowest_coverage, chart.highest_t3)[panel])
            assert drawn.share[panel](y) == pytest.approx(shown, abs=PIXEL * drawn.steps[panel])
            assert (number(line, "x1"), number(line, "x2")) == (
                number(drawn.svg, "data-first"), number(drawn.svg, "data-last"),
            )  # fmt: skip
            assert 0 < number(text, "x") - number(line, "x1") < 10
            assert 0 < number(text, "y") - y < 20


def test_the_wait_for_labs_runs_from_the_checkpoint_to_the_end_over_the_whole_height(every) -> None:
    for _, chart, drawn in every:
        wait, cursor = drawn.one("rect", "waiting"), drawn.one("line", "cursor")
        assert drawn.day(number(wait, "x")) == pytest.approx(chart.checkpoint_day, abs=0.12)
        ends = number(wait, "x") + number(wait, "width")
        assert ends == pytest.approx(number(drawn.svg, "data-last"), abs=PIXEL)
        assert number(wait, "y") == number(cursor, "y1")
        assert number(wait, "y") + number(wait, "height") == pytest.approx(
            number(cursor, "y2"), abs=PIXEL
        )
        assert number(cursor, "x1") == number(cursor, "x2") == number(drawn.svg, "data-first")


def test_every_block_of_a_dose_covers_its_days_in_the_strip_of_its_medicine(every) -> None:
    for _, chart, drawn in every:
        names = {text.text: number(text, "y") for text in drawn.svg.all("text", "strip")}
        assert list(names) == ["Old", "New", "Labs"]
        assert names["Old"] < names["New"] < names["Labs"]
        for name, kind, doses in (("Old", "old", chart.old), ("New", "new", chart.new)):
            blocks = drawn.svg.all("rect", kind)
            words = {text.text: text for text in drawn.svg.all("text", kind)}
            assert len(blocks) == len(doses)
            for block, dose in zip(blocks, doses, strict=True):
                left, width = number(block, "x"), number(block, "width")
                top, height = number(block, "y"), number(block, "height")
                assert drawn.day(left) == pytest.approx(dose.first_day, abs=0.12)
                after = min(dose.last_day + 1, chart.own.days - 1)
                assert drawn.day(left + width + 1) == pytest.approx(after, abs=0.2)
                assert top < names[name] < top + height
                if text := words.get(dose.words):
                    inside = number(text, "x") - left
                    assert inside == pytest.approx((width + 1) / 2, abs=PIXEL) or len(doses) > 1
                    assert number(text, "y") == pytest.approx(names[name], abs=2.5)


def test_every_lab_is_a_drop_on_its_day_with_a_line_up_and_its_date_where_there_is_room(
    every,
) -> None:
    for _, chart, drawn in every:
        lines, drops = drawn.svg.all("line", "lab-line"), drawn.svg.all("path", "drop")
        assert [round(drawn.day(number(line, "x1"))) for line in lines] == list(chart.labs)
        strip = next(t for t in drawn.svg.all("text", "strip") if t.text == "Labs")
        dated = {text.text: text for text in drawn.svg.all("text", "tick")}
        for day, line, drop in zip(chart.labs, lines, drops, strict=True):
            x = number(line, "x1")
            assert x == number(line, "x2")
            (at, top), *_ = points_of(drop)
            assert at == x
            assert number(line, "y2") == pytest.approx(top + 1, abs=PIXEL)
            assert abs(number(strip, "y") - top) < 20
            shown = chart.day(day)
            text = dated.get(f"{shown.day} {shown:%b}")
            assert text is None or abs(number(text, "x") - x) < 12


def test_no_word_on_the_drawing_lies_outside_it(every) -> None:
    for _, _, drawn in every:
        *_, width, height = map(float, drawn.svg.attributes["viewbox"].split())
        for text in drawn.svg.all("text"):
            assert 0 <= number(text, "x") <= width
            assert 0 < number(text, "y") < height


def test_the_dot_of_each_basis_stands_at_its_target_and_tells_what_the_basis_is_for() -> None:
    """On one scale from nothing to the largest target; the aim is drawn larger, and a basis that
    steers nothing otherwise: taken for one that steers, it would seem to be planned for."""
    for make in PLANNED.values():
        proposal = make()
        plan = proposal.plan
        rows = [row for row in plan.comparison if row.target]
        drawn = parsed(page_of(proposal)).all("svg", "dots")
        measure = next(
            name for name in ("grains", "lt4_ug", "lt3_ug") if getattr(plan.aim, name)
        )  # fmt: skip
        targets = [float(getattr(row.target, measure)) for row in rows]
        for svg, row, target in zip(drawn, rows, targets, strict=True):
            *_, width, height = map(float, svg.attributes["viewbox"].split())
            lines = {node.attributes["class"]: node for node in svg.all("line")}
            axis, spread, waits = (lines[kind] for kind in ("axis", "spread", "waits"))
            (dot,) = svg.all("circle")
            assert 0 < number(axis, "x1") < number(axis, "x2") < width
            unit = (number(axis, "x2") - number(axis, "x1")) / max(targets)
            at = {value: number(axis, "x1") + value * unit for value in (*targets, target)}
            assert number(dot, "cx") == pytest.approx(at[target], abs=PIXEL)
            assert number(spread, "x1") == pytest.approx(at[min(targets)], abs=PIXEL)
            assert number(spread, "x2") == pytest.approx(at[max(targets)], abs=PIXEL)
            held = number(axis, "x1") + float(getattr(plan.checkpoint.dose, measure)) * unit
            assert number(waits, "x1") == number(waits, "x2") == pytest.approx(held, abs=PIXEL)
            assert (number(waits, "y1"), number(waits, "y2")) == (0, height)
            level = [number(line, y) for line in (axis, spread) for y in ("y1", "y2")]
            assert {number(dot, "cy"), *level} == {height / 2}
            steers = "dot" if row.sets_checkpoint else "compared"
            aimed_at = row.basis_id == plan.basis_id
            assert dot.attributes["class"] == ("aim" if aimed_at else steers)
            assert number(dot, "r") == (7 if aimed_at else 5)
            assert svg.attributes["aria-hidden"] == "true"


def test_each_drawing_is_an_image_that_is_read_out_by_its_own_title_and_words(every) -> None:
    for _, _, drawn in every:
        assert drawn.svg.attributes["role"] == "img"
        names = drawn.svg.attributes["aria-labelledby"].split()
        title, words = (drawn.svg.by_id(name) for name in names)
        assert (title.tag, title.text) == ("title", "Modelled hormone during the move")
        assert (words.tag, bool(words.text)) == ("desc", True)


@pytest.mark.parametrize(("weeks", "between"), [(26, 1), (27, 2), (52, 2), (53, 4)])
def test_the_table_of_the_drawing_has_a_row_a_week_and_in_a_long_plan_every_second_or_fourth(
    weeks: int, between: int
) -> None:
    proposal = PLANNED["LT4 to desiccated"]()
    *climb, hold = proposal.plan.steps
    assert hold.stage is Stage.HOLD
    longer = replace(proposal.plan, steps=(*climb, replace(hold, last_day=weeks * 7 - 2)))
    chart = charted(replace(proposal, plan=longer), longer, CATALOGUE)
    days = [datetime.strptime(row[0], "%d %B %Y").date() for row in data_rows(chart, date_words)]  # noqa: DTZ007
    apart = [(after - before).days for before, after in pairwise(days)]
    assert set(apart[:-1]) == {between * 7}
    assert (days[-1] - START).days == weeks * 7 - 1
    assert days[0] == START
