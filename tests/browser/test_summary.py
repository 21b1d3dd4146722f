"""The summary of a night, opened from its file as an on-call prescriber would."""

from pathlib import Path

import pytest
from playwright.sync_api import Page, expect
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


def column(page: Page, number: int) -> list[str]:
    return page.locator(f"#worklist tbody tr td:nth-child({number})").all_inner_texts()


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


def test_the_search_keeps_what_holds_every_word(open_page: Open, out: Path) -> None:
    page = come(open_page(), out)
    page.get_by_label("Search").fill("UNDER confirmed")
    grades, codes = column(page, 4), column(page, 3)
    assert set(grades) == {"confirmed"}
    assert set(codes) == {"under dosed switch"}
    page.get_by_label("Search").fill("no such word")
    expect(page.locator("#shown")).to_contain_text("0 of")


def test_a_heading_sorts_and_sorts_the_other_way(open_page: Open, out: Path) -> None:
    page = come(open_page(), out)
    heading = page.get_by_role("button", name="switched")
    heading.click()
    assert column(page, 6) == sorted(column(page, 6))
    heading.click()
    assert column(page, 6) == sorted(column(page, 6), reverse=True)
    expect(page.locator("#worklist th[aria-sort=descending]")).to_have_text("switched")


def test_the_pages_hold_every_flag_once(open_page: Open, out: Path) -> None:
    page = come(open_page(), out)
    seen = column(page, 1)
    first = len(seen)
    for _ in range(10):
        page.get_by_role("button", name="on", exact=True).click()
        last = column(page, 1)
        if last[-1] == seen[-1]:
            break
        seen += last
    count = len(lines(out / "DetectedIssue.ndjson"))
    assert seen == [str(number) for number in range(1, count + 1)]
    assert first < count


def test_an_export_that_is_not_whole_is_said_first(open_page: Open, out: Path) -> None:
    page = come(open_page(), out)
    banner = page.locator(".banner")
    expect(banner).to_contain_text("could not be read whole")
    banner.locator("summary").click()
    expect(banner).to_contain_text("Goal.000.ndjson")


def test_a_flag_unfolds_to_its_arithmetic(open_page: Open, out: Path) -> None:
    page = come(open_page(), out)
    row = page.locator("#worklist tbody tr").first
    row.locator("summary").click()
    expect(row).to_contain_text("ratio")
