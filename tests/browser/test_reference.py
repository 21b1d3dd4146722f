"""The reference at ``/docs``, read as a developer would without a network."""

import pytest
from playwright.sync_api import expect
from tests.browser.conftest import Open
from tests.browser.looks import SCHEMES, WIDTHS, too_wide, unfold, violations


@pytest.mark.parametrize("scheme", SCHEMES)
def test_it_fits_every_width_and_axe_finds_no_violation(
    open_page: Open, service: str, scheme: str
) -> None:
    for width in WIDTHS:
        page = open_page(width, scheme)
        page.goto(f"{service}/docs")
        assert too_wide(page) <= 0
        unfold(page)
        assert violations(page) == []


def test_the_workbench_leads_to_it_and_it_asks_nothing_of_any_other_place(
    open_page: Open, service: str
) -> None:
    page = open_page()
    asked: list[str] = []
    page.goto(service)
    expect(page.get_by_role("status")).to_contain_text("The sheet came")
    page.on("request", lambda request: asked.append(request.url))
    page.get_by_role("link", name="Reference of the interface").click()
    expect(page.get_by_role("heading", name="Propose a switch")).to_be_visible()
    assert asked == [f"{service}/docs"]


def test_a_route_in_the_list_leads_to_what_is_said_of_it(open_page: Open, service: str) -> None:
    page = open_page()
    page.goto(f"{service}/docs")
    page.get_by_role("link", name="POST /fhir/r4/$propose-switch").click()
    expect(page.locator("#fhir-r4-propose-switch")).to_be_in_viewport()
