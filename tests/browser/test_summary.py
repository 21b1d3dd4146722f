"""The summary of a night, opened from its file as a nurse or prescriber on call would."""

from io import BytesIO
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect
from pypdf import PdfReader
from tests.browser.conftest import Open
from tests.browser.looks import SCHEMES, WIDTHS, too_wide, unfold, violations
from tests.unit.nightly.exports import lines, make, run


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The outputs of a run over two hundred invented patients, with one line damaged."""
    folder = tmp_path_factory.mktemp("summary")
    export = make(folder, patients=200)
    with (export / "Goal.000.ndjson").open("a") as file:
        file.write("{\n")
    run(export, folder / "out")
    return folder / "out"


def come(page: Page, out: Path) -> Page:
    page.goto((out / "summary.html").as_uri())
    return page


ROWS = "#worklist tbody tr"


def places(page: Page) -> list[int]:
    """The rows that are shown, by their place in the list."""
    rows = page.locator(f"{ROWS}:not([hidden])").all()
    return [int(row.get_attribute("data-place") or 0) for row in rows]


@pytest.mark.parametrize("scheme", SCHEMES)
def test_it_fits_every_width_and_axe_finds_no_violation(
    open_page: Open, out: Path, scheme: str
) -> None:
    for width in WIDTHS:
        page = come(open_page(width, scheme), out)
        assert too_wide(page) <= 0
        unfold(page)
        assert violations(page) == []


def test_it_asks_for_nothing_from_elsewhere(open_page: Open, out: Path) -> None:
    page = open_page()
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    come(page, out)
    assert asked == [(out / "summary.html").as_uri()]


def test_what_is_sought_keeps_the_rows_that_hold_every_word(open_page: Open, out: Path) -> None:
    page = come(open_page(), out)
    patient = page.locator(ROWS).last.get_attribute("data-patient") or ""
    page.get_by_label("Find").fill(f"{patient.upper()} tonight")
    shown = page.locator(f"{ROWS}:not([hidden])").all()
    found = [row.get_attribute("data-patient") or "" for row in shown]
    assert patient in found
    assert all(one.startswith(patient) for one in found)  # p1 is sought in p12 too
    page.get_by_label("Find").fill("no such word")
    expect(page.locator("#shown")).to_contain_text("0 of")


def test_grade_and_reason_are_chosen_by_keyboard_and_all_come_back(
    open_page: Open, out: Path
) -> None:
    page = come(open_page(), out)
    everyone = places(page)
    for label, name in (("Reason", "reason"), ("Grade", "grade")):
        page.get_by_label(label).focus()
        page.keyboard.press("ArrowDown")
        chosen = page.get_by_label(label).input_value()
        kept = page.locator(f"{ROWS}:not([hidden])").all()
        assert chosen
        assert {row.get_attribute(f"data-{name}") for row in kept} == {chosen}
    assert 0 < len(places(page)) < len(everyone)
    page.get_by_role("button", name="Show all").press("Enter")
    expect(page.locator("#shown")).to_have_text(f"{len(everyone)} of {len(everyone)} shown")
    assert places(page) == everyone


def test_the_rows_are_put_in_another_order(open_page: Open, out: Path) -> None:
    page = come(open_page(), out)
    page.get_by_label("Sort").select_option("oldest change first")
    days = [row.get_attribute("data-changed") or "" for row in page.locator(ROWS).all()]
    assert days == sorted(days)
    page.get_by_label("Sort").select_option("most pressing first")
    assert places(page) == sorted(places(page))


def test_what_is_new_tonight_is_shown_alone(open_page: Open, out: Path) -> None:
    page = come(open_page(), out)
    page.get_by_label("new tonight only").check()
    assert len(places(page)) == len(lines(out / "DetectedIssue.ndjson"))


def test_without_script_every_row_is_shown_and_no_tool_that_does_nothing(
    open_page: Open, out: Path
) -> None:
    page = come(open_page(script=False), out)
    count = len(lines(out / "DetectedIssue.ndjson"))
    assert places(page) == list(range(1, count + 1))
    expect(page.locator(ROWS).last).to_be_visible()
    expect(page.locator("#tools")).to_be_hidden()


def test_a_printed_list_holds_its_rows_and_no_tools(open_page: Open, out: Path) -> None:
    page = come(open_page(), out)
    page.emulate_media(media="print")
    expect(page.locator("#tools")).to_be_hidden()
    expect(page.locator(ROWS).first).to_be_visible()
    assert len(PdfReader(BytesIO(page.pdf(format="Letter"))).pages) < len(places(page)) / 3


def test_an_export_that_is_not_whole_is_said_first(open_page: Open, out: Path) -> None:
    page = come(open_page(), out)
    banner = page.locator(".banner")
    expect(banner).to_contain_text("could not be read whole")
    banner.locator("summary").click()
    expect(banner).to_contain_text("Goal.000.ndjson")


def test_a_flag_unfolds_to_its_arithmetic(open_page: Open, out: Path) -> None:
    page = come(open_page(), out)
    row = page.locator(f"{ROWS}[data-reason=under-dosed-switch]").first
    row.locator("summary").click()
    expect(row.locator("details li").first).to_contain_text("ratio")
