"""One printer: the same quantity reads the same wherever it stands."""

import re
from collections import defaultdict
from decimal import Decimal
from fractions import Fraction
from importlib.resources import files
from pathlib import Path

import pytest
from tests.unit.safety.patients import CLEAR
from tests.unit.sheet.pages import PLANNED, Node, parsed, sheet

from crossgrain.catalogue import load_catalogue
from crossgrain.dosing.plan import PriorTherapy
from crossgrain.names import printing
from crossgrain.names.numbers import Number
from crossgrain.safety.results import tsh_limits
from crossgrain.safety.rule import texts
from crossgrain.writing.condition_notes import for_anyone

QUANTITY = re.compile(
    r"(about )?(?<![\d.,/–-])(\d+(?:\.\d+)?) (micrograms?|mg|grains?)\b(?!/| per)"
)
CASES = [(file, prior) for file in PLANNED for prior in PriorTherapy]


@pytest.mark.parametrize(
    ("value", "printed"),
    [
        (Fraction(65, 4), "16.25"),
        (Fraction(25, 8), "3.125"),
        (Fraction(25, 16), "about 1.6"),
        (Fraction(600, 7), "about 85.7"),
        (Fraction(100), "100"),
        (Fraction(1, 3), "about 0.3"),
        (Fraction(0), "0"),
    ],
)
def test_an_amount_is_exact_to_three_decimals_and_else_about_a_tenth(
    value: Fraction, printed: str
) -> None:
    assert printing.amount(value) == printed


@pytest.mark.parametrize(
    ("value", "printed"),
    [
        (Fraction(50, 44), "1.136"),
        (Fraction(2), "2"),
        (0.7506, "0.751"),
        (-0.0001, "0"),
        (1e-9, "0"),
        (1234.5, "1234.5"),
    ],
)
def test_a_ratio_is_printed_to_three_decimals(value: Fraction | float, printed: str) -> None:
    assert printing.decimal(value) == printed


@pytest.mark.parametrize(
    ("ratio", "whole", "fine"),
    [
        (0.754, "75 %", "75.4 %"),
        (Fraction(7, 10), "70 %", "70 %"),
        (1.2468, "125 %", "124.7 %"),
        (0.0, "0 %", "0 %"),
    ],
)
def test_a_part_of_the_old_dose_is_whole_percent_and_a_tenth_where_plans_are_compared(
    ratio: Fraction | float, whole: str, fine: str
) -> None:
    assert (printing.percent(ratio), printing.fine_percent(ratio)) == (whole, fine)


@pytest.mark.parametrize(
    ("value", "unit", "printed"),
    [
        (Fraction(1), "ug", "1 microgram"),
        (Fraction(1, 2), "ug", "0.5 micrograms"),
        (Fraction(600, 7), "ug", "about 85.7 micrograms"),
        (Fraction(65, 4), "mg", "16.25 mg"),
    ],
)
def test_a_quantity_carries_its_unit_as_a_word(value: Fraction, unit: str, printed: str) -> None:
    assert printing.quantity(value, unit) == printed


def test_a_limit_on_coverage_is_read_in_percent_as_coverage_is() -> None:
    limit = Number("a", Fraction(7, 10), "of the old regimen's", "x", "y")
    assert texts({"lowest": limit}) == {"lowest": "70 %"}
    assert texts({"under": Number("a", Fraction(4, 5), "ratio", "x", "y")}) == {"under": "0.8"}


def test_a_limit_in_a_condition_keeps_every_digit(tmp_path: Path) -> None:
    """A machine evaluates it: 0.35 rounded to 0.3 would call a low TSH in range."""
    chart = tmp_path / "clinic.toml"
    chart.write_text('[numbers.tsh]\nlow = "0.35"\nhigh = "5"\n')
    catalogue = load_catalogue(chart)
    said = for_anyone(tsh_limits(CLEAR, catalogue.rules), catalogue.codes.labs)
    assert "0.35 to 5.0 mIU/L is used" in said


def prose(node: Node) -> list[str]:
    """What a person reads on a page, element by element, the drawings left out."""
    if node.tag in {"svg", "script", "style"}:
        return []
    texts = [part for part in node.inside if isinstance(part, str)]
    return [*texts, *(t for part in node.inside if isinstance(part, Node) for t in prose(part))]


@pytest.mark.parametrize(("file", "prior"), CASES)
def test_equal_quantities_on_a_sheet_read_the_same(file: str, prior: PriorTherapy) -> None:
    """Two printings that a tenth of a microgram cannot tell apart are one printing."""
    printed: dict[tuple[str, Decimal], set[str]] = defaultdict(set)
    for text in prose(parsed(sheet(file, prior))):
        for about, number, unit in QUANTITY.findall(text):
            kind = unit.removesuffix("s")
            places = Decimal("0.01") if kind == "grain" else Decimal("0.1")
            # A whole number may stand for an ordered dose beside another that is about as much.
            known_as = number if Decimal(number) % 1 == 0 else f"{about}{number}"
            printed[kind, Decimal(number).quantize(places)].add(known_as)
    assert sum(map(len, printed.values())) > 5
    assert {what: forms for what, forms in printed.items() if len(forms) > 1} == {}


@pytest.mark.parametrize(("file", "prior"), CASES)
def test_a_sheet_says_microgram_wherever_a_person_reads(file: str, prior: PriorTherapy) -> None:
    """ISMP, list of error-prone abbreviations: µg is mistaken for mg; mcg stays out as well."""
    said = " ".join(prose(parsed(sheet(file, prior))))
    assert "microgram" in said
    assert re.findall(r".{0,30}(?:µg|μg|mcg|\bug\b).{0,20}", said) == []


@pytest.mark.parametrize(("file", "prior"), CASES)
def test_coverage_on_a_sheet_is_in_percent_everywhere(file: str, prior: PriorTherapy) -> None:
    said = " ".join(prose(parsed(sheet(file, prior))))
    assert re.search(r"coverage[^.;]*? \d+(?:\.\d)? %", said)
    assert re.findall(r"overage (?:of|falls to|from|to)? ?[01]\.\d+", said) == []


def test_numbers_are_formatted_by_the_printer_alone() -> None:
    """Doses and ratios: whoever formats a float by hand prints what the others do not."""
    package = files("crossgrain")
    by_hand = re.compile(r"\{float\([^{}]*\):|:\.[0-9]+g\}|\.normalize\(\):f")
    # To three digits, as trials are quoted; a conversion of units by a library.
    allowed = {"names/printing.py", "dosing/wording.py", "reading/quantities.py"}
    rooms = (
        "dosing",
        "safety",
        "screening",
        "reading",
        "words",
        "writing",
        "sheet",
        "cds",
        "names",
    )
    found = {
        f"{room}/{file.name}"
        for room in rooms
        for file in package.joinpath(room).iterdir()
        if file.name.endswith(".py") and by_hand.search(file.read_text("utf-8"))
    }
    assert found - allowed == set()


@pytest.mark.parametrize("digits", [3, 28, 29, 100])
def test_a_number_of_any_length_is_printed_to_its_last_whole_digit(digits: int) -> None:
    """A decimal of Python's own is rounded, or refused, beyond 28 digits."""
    long = Fraction("7" * digits + ".0004")
    assert printing.decimal(long) == "7" * digits
    assert printing.amount(long) == "about " + "7" * digits
    assert printing.percent(long) == "7" * digits + "00 %"
    assert printing.fine_percent(long) == "7" * digits + "00 %"
