"""What stands on the page is what the JSON answer says."""

import re
from datetime import date, timedelta
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise
from math import ceil
from typing import Any

import pytest
from jinja2 import Environment, PackageLoader
from tests.conformance.patients import AS_OF, CATALOGUE, proposed
from tests.unit.sheet.pages import ASKED, PLANNED, VERSION, Node, parsed, sheet

from crossgrain.dosing.plan import PriorTherapy
from crossgrain.dosing.steps import Stage, courses
from crossgrain.names.identity import FhirVersion
from crossgrain.sheet.days import Tablet
from crossgrain.sheet.figures import WAYS
from crossgrain.words.doses import date_words, tablets
from crossgrain.writing.answer import answer_bundle

CASES = [(file, prior) for file in PLANNED for prior in PriorTherapy]


def resources(file: str, prior: PriorTherapy, kind: str, **having: str) -> list[dict[str, Any]]:
    answer = answer_bundle(
        proposed(file, ASKED[file], prior),
        version=FhirVersion.R4,
        service_version=VERSION,
        codes=CATALOGUE.codes,
    )
    found = (entry["resource"] for entry in answer["entry"])
    return [
        resource
        for resource in found
        if resource["resourceType"] == kind
        and all(resource.get(name) == value for name, value in having.items())
    ]


def working(file: str, prior: PriorTherapy, name: str) -> list[list[dict[str, Any]]]:
    """The parts of every parameter of that name in the answer's working."""
    (guidance,) = resources(file, prior, "GuidanceResponse")
    (held,) = (one for one in guidance["contained"] if one["resourceType"] == "Parameters")
    return [one["part"] for one in held["parameter"] if one["name"] == name]


def named(parts: list[dict[str, Any]]) -> dict[str, dict[str, Any]]:
    return {part["name"]: part for part in parts}


def on(iso: str) -> str:
    return date_words(date.fromisoformat(iso))


def ordered(request: dict[str, Any]) -> list[tuple[str, str, str, str]]:
    """First day, last day, strength in words and tablets in all, for each step of an order."""
    strength = re.search(r"([\d./]+ \w+) tablet$", request["medicationCodeableConcept"]["text"])
    assert strength
    taken: dict[tuple[str, str], Fraction] = {}
    for instruction in request["dosageInstruction"]:
        repeat = instruction["timing"]["repeat"]
        first, last = repeat["boundsPeriod"]["start"], repeat["boundsPeriod"]["end"]
        days = (date.fromisoformat(last) - date.fromisoformat(first)).days + 1
        each = Fraction(instruction["doseAndRate"][0]["doseQuantity"]["value"])
        before = taken.get((first, last), Fraction(0))
        taken[first, last] = before + each * repeat["frequency"] * days
    return [
        (on(first), on(last), strength[1], str(ceil(tablets)))
        for (first, last), tablets in taken.items()
    ]


def table_rows(page: Node) -> list[tuple[str, str, str, str]]:
    """The same from the page's table of the series, one entry per strength."""
    (table,) = page.all("table", "orders")
    rows = []
    for row in table.all("tr")[1:]:
        dates, _, tablets, dispensed = (cell.text for cell in row.all("td"))
        first, last = re.match(r"(.+?) to (.+?) \(", dates).groups()  # type: ignore[union-attr]
        found = re.findall(r"of ([\d./]+ \w+?)s?(?= and |,|$| in the| at bed)", tablets)
        strengths = list(dict.fromkeys(found))  # what is taken twice a day stands twice
        if dispensed != "–":
            counts = dispensed.split(" + ")
            assert len(counts) == len(strengths), tablets
            rows += [(first, last, *pair) for pair in zip(strengths, counts, strict=True)]
    return rows


@pytest.mark.parametrize(("file", "prior"), CASES)
def test_the_steps_that_wait_for_labs_are_marked_and_no_others(
    file: str, prior: PriorTherapy
) -> None:
    """Who reads the table must see where the dose stays until bloods have come."""
    plan = proposed(file, ASKED[file], prior).plan
    assert plan
    (table,) = parsed(sheet(file, prior)).all("table", "orders")
    rows = [row.all("td")[0].text for row in table.all("tr")[1:]]
    marked = [row.partition(" to ")[0] for row in rows if "waiting for labs" in row]
    held = [course for course in courses(plan.steps) if course.stage is Stage.HOLD]
    days = [on((AS_OF + timedelta(course.first_day)).isoformat()) for course in held]
    assert marked == days
    assert 0 < len(days) < len(rows) or len(plan.steps) == 1


@pytest.mark.parametrize(("file", "prior"), CASES)
def test_every_order_of_the_series_stands_in_the_table_and_nothing_else(
    file: str, prior: PriorTherapy
) -> None:
    orders = resources(file, prior, "MedicationRequest", intent="proposal")
    sent = [row for r in orders for row in ordered(r)]
    assert sent
    assert sorted(table_rows(parsed(sheet(file, prior)))) == sorted(sent)


@pytest.mark.parametrize(("file", "prior"), CASES)
def test_the_pharmacy_list_is_the_orders_with_the_day_by_which_each_is_fetched(
    file: str, prior: PriorTherapy
) -> None:
    sent = []
    for order in resources(file, prior, "MedicationRequest", intent="proposal"):
        first = order["dosageInstruction"][0]["timing"]["repeat"]["boundsPeriod"]["start"]
        supply = order["dispenseRequest"]
        lasts = int(supply["expectedSupplyDuration"]["value"])
        until = date.fromisoformat(first) + timedelta(lasts - 1)
        name = order["medicationCodeableConcept"]["text"]
        count = str(supply["quantity"]["value"])
        sent.append((on(first), name, count, date_words(until)))
    (table,) = parsed(sheet(file, prior)).by_id("prescriber").all("table", "pharmacy")
    listed = [tuple(cell.text for cell in row.all("td")) for row in table.all("tr")[1:]]
    assert sorted(listed) == sorted(sent)


@pytest.mark.parametrize(("file", "prior"), CASES)
def test_every_order_of_a_branch_stands_on_its_card(file: str, prior: PriorTherapy) -> None:
    page = parsed(sheet(file, prior))
    said = {card.all("h4")[0].text: card.text for card in page.all("article", "choice")}
    (group,) = resources(file, prior, "RequestGroup")
    by_id = {r["id"]: r for r in resources(file, prior, "MedicationRequest", intent="option")}
    checked = 0
    for branch in group["action"][0]["action"]:
        card = said[branch["title"]]
        assert branch["condition"][0]["expression"]["description"] in card
        for leaf in branch["action"]:
            request = by_id.get(leaf["resource"]["reference"].rpartition(":")[2])
            if request:
                for first, last, strength, quantity in ordered(request):
                    assert f"{first} to {last}" in card
                    assert re.search(rf"of {re.escape(strength)}s?\b", card)
                    assert re.search(rf"; (\d+ \+ )*{quantity}( \+ \d+)* in all", card)
                    checked += 1
    assert len(said) == len(group["action"][0]["action"]) >= 6
    assert checked


@pytest.mark.parametrize(("file", "prior"), CASES)
def test_coverage_and_exposure_are_those_of_the_answer(file: str, prior: PriorTherapy) -> None:
    (table,) = parsed(sheet(file, prior)).all("table", "modes")
    rows = [
        [cell.text for cell in row.walk() if cell.tag in {"th", "td"}] for row in table.all("tr")
    ]
    for row, parts in zip(rows[1:], working(file, prior, "forecast"), strict=True):
        said = named(parts)
        assert row[0].startswith(WAYS[said["prior-therapy"]["valueCode"]])
        exposure = named(said["t3-exposure"]["part"])
        for told, name in zip(row[3].split(" to "), ("lowest", "highest"), strict=True):
            assert_rounds(told, exposure[name]["valueDecimal"])
        coverages = [named(part["part"]) for part in parts if part["name"] == "coverage"]
        lowest = min(coverages, key=lambda coverage: coverage["lowest"]["valueDecimal"])
        assert_rounds(row[1].partition(" (")[0], lowest["lowest"]["valueDecimal"])
        assert row[2].startswith(on(lowest["lowest-on"]["valueDate"]))


def assert_rounds(told: str, ratio: Decimal) -> None:
    """A whole percent on the page against the answer's three decimals."""
    whole = Decimal(told.removesuffix(" %"))
    assert abs(whole - ratio * 100) <= Decimal("0.55"), (told, ratio)


@pytest.mark.parametrize("file", PLANNED)
def test_the_targets_of_every_basis_are_those_of_the_answer(file: str) -> None:
    (table,) = parsed(sheet(file)).all("table", "bases")
    rows = {row.all("th")[0].text.split()[0]: row.text for row in table.all("tr")[1:]}
    said = [named(parts) for parts in working(file, PriorTherapy.OVERLAP, "basis")]
    assert list(rows) == [basis["id"]["valueCode"] for basis in said]
    for basis in said:
        row = rows[basis["id"]["valueCode"]]
        worth, target = row.split("micrograms", 1)
        for name, unit in (("lt4", "LT4"), ("lt3", "LT3")):
            if name in basis:
                value = Decimal(basis[name]["valueQuantity"]["value"])
                (shown,) = re.findall(rf"{unit} (?:about )?([\d.]+) micrograms", target)
                assert round(Decimal(shown), 1) == round(value, 1)
        if "grains" in basis:
            (shown,) = re.findall(r"([\d.]+) grain", target)
            assert round(Decimal(shown), 2) == round(Decimal(basis["grains"]["valueDecimal"]), 2)
        value = Decimal(basis["lt4-equivalent"]["valueQuantity"]["value"])
        assert round(Decimal(worth.split()[-1]), 1) == round(value, 1)


@pytest.mark.parametrize(("file", "prior"), CASES)
def test_every_lab_and_every_ending_of_the_answer_is_dated_on_the_page(
    file: str, prior: PriorTherapy
) -> None:
    page = parsed(sheet(file, prior))
    told, patient = page.by_id("prescriber").text, page.by_id("patient").text
    labs = resources(file, prior, "ServiceRequest", intent="proposal")
    assert labs
    for lab in labs:
        for day in lab.get("occurrenceTiming", {}).get("event") or [lab["occurrenceDateTime"]]:
            assert on(day) in told
            assert on(day) in patient
    for task in resources(file, prior, "Task"):
        assert task["description"] in told


@pytest.mark.parametrize("file", PLANNED)
def test_no_code_of_a_rule_is_shown_bare(file: str) -> None:
    codes = {code for code in CATALOGUE.rules.before if "-" in code}
    shown = parsed(sheet(file)).by_id("prescriber").all("ul", "findings")
    assert "tsh-suppression-goal" in codes
    assert "TSH kept low on purpose" in shown[0].text
    assert not [code for code in codes if code in shown[0].text]


@pytest.mark.parametrize("file", ASKED)
def test_every_finding_stands_on_the_page_the_gravest_first(file: str) -> None:
    page = parsed(sheet(file))
    issues = resources(file, PriorTherapy.OVERLAP, "DetectedIssue")
    shown = [item.text for item in page.all("ul", "findings")[0].all("li")] if issues else []
    assert len(shown) == len(issues)
    for item, issue in zip(shown, issues, strict=True):
        found, _, act = issue["detail"].partition(" What to do: ")
        assert found.casefold() in item.casefold()
        assert act
        assert act in item


@pytest.mark.parametrize(("file", "prior"), CASES)
def test_the_patients_days_hold_the_doses_of_the_orders(file: str, prior: PriorTherapy) -> None:
    """Tablets of a day added up from the patient's list: those of the orders that run then."""
    page = parsed(sheet(file, prior)).by_id("patient")
    months = " ".join(caption.text for caption in page.all("caption"))
    for request in resources(file, prior, "MedicationRequest", intent="proposal"):
        for first, _, strength, _ in ordered(request):
            assert first.partition(" ")[2] in months
            (steps,) = page.all("ol", "steps")
            began = [s for s in steps.inside if isinstance(s, Node) and runs(s, first)]
            assert len(began) == 1, first
            name = request["medicationCodeableConcept"]["text"].partition(f" {strength}")[0]
            assert re.search(rf"of {re.escape(strength)}s?\b", began[0].text)
            assert name in began[0].text


@pytest.mark.parametrize("quarters", range(1, 13))
def test_as_much_of_a_tablet_is_drawn_as_is_taken(quarters: int) -> None:
    """Who goes by the drawing takes a quarter where a quarter is meant, never none or a half."""
    tablet = Tablet(Fraction(quarters, 4), "", "")
    assert tablet.whole * 4 + tablet.part == quarters
    assert tablet.part in range(4)


@pytest.mark.parametrize("file", PLANNED)
def test_what_is_drawn_of_tablets_is_what_the_words_beside_it_say(file: str) -> None:
    said = {tablets(Fraction(quarters, 4)): quarters for quarters in range(1, 100)}
    nodes = list(parsed(sheet(file)).walk())
    drawn = [(a, b) for a, b in pairwise(n for n in nodes if n.tag in {"span", "b"})
             if "pills" in a.attributes.get("class", "").split()]  # fmt: skip
    assert drawn
    for pills, words in drawn:
        kinds = [pill.attributes["class"] for pill in pills.all("i")]
        parts = [int(kind.removeprefix("pill part-")) for kind in kinds if kind != "pill"]
        assert kinds.count("pill") * 4 + sum(parts) == said[words.text]


@pytest.mark.parametrize("quarters", range(1, 9))
def test_the_page_draws_every_part_of_a_tablet(quarters: int) -> None:
    """No invented patient takes a quarter, and a clinic's own chart may well cut so."""
    pages = Environment(loader=PackageLoader("crossgrain.sheet"), autoescape=True)
    source = pages.loader.get_source(pages, "patient.html")[0]  # type: ignore[union-attr]
    macro = next(line for line in source.splitlines() if "macro tablet(" in line)
    drawn = pages.from_string(f"{macro}{{{{ tablet(one) }}}}").render(
        one=Tablet(Fraction(quarters, 4), "", "")
    )
    whole, part = divmod(quarters, 4)
    assert drawn.count('class="pill"') == whole
    assert re.findall(r"pill part-(\d)", drawn) == ([str(part)] if part else [])


def runs(step: Node, day: str) -> bool:
    return re.search(rf"\w+day {day} to ", step.text) is not None


@pytest.mark.parametrize(("file", "prior"), CASES)
def test_the_price_of_a_simple_taper_stands_on_the_sheet_as_the_rationale_says_it(
    file: str, prior: PriorTherapy
) -> None:
    """Both figures, where the old medicine tapers; no such line where it does not."""
    part = parsed(sheet(file, prior)).by_id("prescriber")
    shown = [node.text for node in part.all("p", "simplicity")]
    titles = [named(one)["title"]["valueString"] for one in working(file, prior, "statement")]
    priced = [t for t in titles if re.search(r"instead of|No taper that was found", t)]
    assert shown == [
        f"What a simpler taper costs: {title}. Coverage, old regimen = 100 %." for title in priced
    ]


def test_what_one_more_strength_would_hold_is_said_in_one_line_with_both_figures() -> None:
    part = parsed(sheet("01-levothyroxine-150.json")).by_id("prescriber")
    (line,) = part.all("p", "simplicity")
    assert re.search(r"would hold \d+\.\d % instead of \d+\.\d %", line.text)
