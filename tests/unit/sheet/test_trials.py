"""The figure of the published trials: drawn where they stand, and the same as its table."""

import re
from dataclasses import replace
from fractions import Fraction
from functools import lru_cache

import pytest
from tests.conformance.patients import CATALOGUE
from tests.unit.sheet.pages import Node, parsed, sheet

from crossgrain.dosing.bases import ChartRow
from crossgrain.dosing.evidence import WorthUnit, findings
from crossgrain.sheet.evidence import drawing, table_rows

FOUND = findings(CATALOGUE.evidence)
LT3 = [one for one in FOUND if one.currency is WorthUnit.LT3]


@lru_cache(maxsize=1)
def figure() -> Node:
    return parsed(str(drawing(CATALOGUE, "practice")).encode())


def words(node: Node) -> str:
    return "".join(one for one in node.inside if isinstance(one, str))


def scale(tick: int) -> tuple[float, float]:
    """Where 0 stands and how long one µg is, read off the axis whose last number is `tick`."""
    numbers = figure().all("text", "middle")
    (last,) = (one for one in numbers if words(one) == str(tick))
    zero = float(next(one for one in numbers if words(one) == "0").attributes["x"])
    return zero, (float(last.attributes["x"]) - zero) / tick


def dots() -> dict[str, tuple[float, ...]]:
    """What follows each trial's name: a circle's middle, or where a bound begins and ends."""
    found, name = {}, ""
    for node in figure().walk():
        if node.tag == "text" and " (" in words(node):
            name = words(node).partition(" (")[0]
        elif node.tag == "circle":
            found[name] = (float(node.attributes["cx"]),)
        elif node.attributes.get("class") == "bound":
            begins, ends = re.fullmatch(r"M(\S+) .*H(\S+)", node.attributes["d"]).groups()
            found[name] = (float(begins), float(ends))
    return found


@pytest.mark.parametrize("one", FOUND, ids=lambda one: one.comparison.id)
def test_every_dot_stands_where_its_trial_puts_it(one):
    zero, unit = scale(7 if one.currency is WorthUnit.LT3 else 120)
    x = dots()[one.comparison.id][0]
    assert x == pytest.approx(zero + unit * float(one.value), abs=1.1)


@pytest.mark.parametrize("one", [one for one in LT3 if one.at_most], ids=lambda o: o.comparison.id)
def test_a_bound_runs_from_its_worth_to_nothing(one):
    _, end = dots()[one.comparison.id]
    assert end == pytest.approx(scale(7)[0], abs=1.1)


def test_every_interval_is_as_wide_as_its_trial_says():
    zero, unit = scale(7)
    path = figure().all("path", "interval")[0].attributes["d"]
    drawn = [(float(a), float(b)) for a, b in re.findall(r"M(\S+) \d+H([\d.]+)", path)]
    meant = [(float(one.low), float(one.high)) for one in LT3 if one.low is not None]
    assert len(drawn) == len(meant)
    for ends, low_high in zip(drawn, meant, strict=True):
        assert ends == pytest.approx([zero + unit * end for end in low_high], abs=1.1)


@pytest.mark.parametrize(
    ("basis", "lt3", "grain"),
    [
        ("practice", 2, 50),  # common practice, no source
        ("label", 4, 100),
        ("trial", 115.2 / 40.3, 88),
        ("content", 3.3, 67.7),  # 38 + 9 × 3.3
    ],
)
def test_a_line_stands_where_each_basis_puts_it_in_both_panels(basis, lt3, grain):
    names = [one for one in figure().all("text", "basis") if words(one) == basis]
    ends = [float(one.attributes["x"]) + 4 for one in names]
    zero, unit = scale(7)
    wider, step = scale(120)
    assert ends == pytest.approx([zero + unit * lt3, wider + step * grain], abs=1.1)


def test_the_basis_aimed_at_is_the_one_drawn_stronger():
    assert {words(one) for one in figure().all("text", "aim")} == {"practice"}


def test_the_table_on_the_page_holds_every_trial_of_the_figure():
    page = parsed(sheet("01-levothyroxine-150.json"))
    (details,) = page.all("details", "against")
    shown = [words(one) for one in details.all("th") if one.attributes.get("scope") == "row"]
    assert shown == [one.comparison.id for one in FOUND]
    assert len(details.all("circle")) == len([one for one in FOUND if one.low is not None])


def test_the_table_says_what_the_figure_draws():
    rows = {row.name: row for row in table_rows(CATALOGUE)}
    assert len(rows) == len(FOUND)
    assert rows["celi-2010"].worth == "2.86 (2.52 to 3.2) per microgram of LT3"
    assert rows["hoang-2013"].worth == "88 (77.4 to 98.6) per grain"
    assert rows["walsh-2003"].worth == "under 5 per microgram of LT3: TSH was higher"


def test_a_table_chart_has_no_line():
    rows = tuple(ChartRow(Fraction(50 * n), Fraction(n), Fraction(25 * n)) for n in (1, 2))
    ours = replace(CATALOGUE.bases[0], id="ours", weights=None, rows=rows)
    clinic = replace(CATALOGUE, bases=(*CATALOGUE.bases, ours))
    drawn = drawing(clinic, "practice")
    assert ">ours<" not in drawn
    assert ">practice<" in drawn
