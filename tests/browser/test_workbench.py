"""The workbench at ``/``, tried as a developer or a prescriber would."""

import json
import re
import subprocess
from urllib.parse import parse_qs, urlsplit

import pytest
from playwright.sync_api import FrameLocator, Page, expect
from tests.browser.conftest import Open
from tests.browser.looks import SCHEMES, WIDTHS, too_wide, violations
from tests.conformance.patients import FIXTURES
from tests.unit.sheet.pages import QUOTED, SCRIPT


def come(page: Page, service: str) -> FrameLocator:
    page.goto(service)
    return settled(page)


def settled(page: Page) -> FrameLocator:
    """The sheet, once the service has answered."""
    expect(page.get_by_role("status")).to_contain_text("The sheet came")
    return page.frame_locator("#sheet")


def pasted(page: Page, text: str) -> None:
    page.locator("#own").evaluate("one => { one.open = true }")
    page.get_by_label("A FHIR Bundle as JSON").fill(text)


@pytest.mark.parametrize("scheme", SCHEMES)
def test_it_shows_a_sheet_at_once_at_every_width_and_axe_finds_no_violation(
    open_page: Open, service: str, scheme: str
) -> None:
    for width in WIDTHS:
        page = open_page(width, scheme)
        sheet = come(page, service)
        expect(sheet.get_by_role("heading", name="A proposed switch")).to_be_visible()
        assert too_wide(page) <= 0
        assert violations(page) == []


def visit(page: Page, service: str, name: str) -> FrameLocator:
    """The sheet of an invented patient's visit."""
    come(page, service)
    page.get_by_label("Operation").select_option("$next-step")
    page.get_by_label("An invented patient").select_option(f"{name}.json")
    return page.frame_locator("#sheet")


@pytest.mark.parametrize("scheme", SCHEMES)
def test_the_next_step_of_a_running_plan_is_shown_at_every_width_and_axe_finds_no_violation(
    open_page: Open, service: str, scheme: str
) -> None:
    for width in WIDTHS:
        page = open_page(width, scheme)
        sheet = visit(page, service, "on-time")
        expect(sheet.locator("h1")).to_have_text("Next step: go on as planned")
        assert too_wide(page) <= 0
        assert violations(page) == []


def test_the_operation_brings_a_record_and_options_of_its_own(
    open_page: Open, service: str
) -> None:
    page = open_page()
    sheet = come(page, service)
    offered = page.get_by_label("An invented patient")
    page.get_by_label("Operation").select_option("$next-step")
    expect(sheet.locator("h1")).to_have_text("Next step: go on as planned")
    expect(offered).to_have_value("on-time.json")
    expect(page.get_by_label("Read as of")).to_have_value("2025-04-17")
    for of_a_switch in ("Target", "Old medicine"):
        expect(page.get_by_label(of_a_switch)).to_be_hidden()
    assert "target" not in page.locator("#curl").inner_text()
    answer = json.loads(page.locator("#json").inner_text())
    assert answer["entry"][0]["resource"]["status"] == "success"
    offered.select_option("02-desiccated-120.json")
    expect(page.get_by_label("Operation")).to_have_value("$propose-switch")
    expect(sheet.locator("h1")).to_have_text("A proposed switch")
    expect(page.get_by_label("Target")).to_have_value("levothyroxine")


def test_the_tablets_that_can_be_had_are_sent_with_a_visit(open_page: Open, service: str) -> None:
    page = open_page()
    with page.expect_request(lambda sent: "/sheet/next-step" in sent.url and "stock" in sent.url):
        sheet = visit(page, service, "strength-out-of-stock")
    stock = page.get_by_label("Tablets in stock")
    expect(stock).to_have_value("desiccated-thyroid 15, desiccated-thyroid 30")
    expect(sheet.get_by_text("desiccated thyroid 30 mg tablet").first).to_be_visible()
    with page.expect_request(lambda sent: "$next-step" in sent.url) as sent:
        stock.fill("desiccated-thyroid 15, levothyroxine 88")
        stock.blur()
    assert parse_qs(urlsplit(sent.value.url).query)["stock"] == [
        "desiccated-thyroid 15", "levothyroxine 88",
    ]  # fmt: skip


def test_the_sheet_is_saved_as_it_was_served(open_page: Open, service: str) -> None:
    page = open_page()
    sheet = visit(page, service, "pregnancy-in-mid-climb")
    with page.expect_response(lambda one: "/sheet/next-step" in one.url) as served:
        page.get_by_label("Read as of").fill("2025-04-18")
    expect(sheet.get_by_text("Read as of April 18, 2025")).to_be_visible()
    with page.expect_download() as saved:
        page.get_by_role("link", name="Save the sheet").click()
    assert saved.value.suggested_filename == "thyroid-plan.html"
    assert saved.value.path().read_bytes() == served.value.body()


def test_a_question_about_a_visit_that_no_field_can_answer_shows_no_button(
    open_page: Open, service: str
) -> None:
    page = open_page()
    visit(page, service, "second-plan-begun")
    form = page.get_by_role("form", name="Questions to answer first")
    expect(form).to_contain_text("Several plans are open")
    expect(form).to_contain_text("is settled in the record itself")
    expect(form.get_by_role("button", name="Answer")).to_be_hidden()
    assert violations(page) == []


def test_a_question_about_a_visit_is_answered_on_the_page(open_page: Open, service: str) -> None:
    page = open_page()
    come(page, service)
    page.get_by_label("Operation").select_option("$next-step")
    record = json.loads((FIXTURES / "visits" / "titration.json").read_text("utf-8"))
    for entry in record["entry"]:
        if entry["resource"]["resourceType"] in {"MedicationRequest", "MedicationStatement"}:
            entry["resource"].pop("dosage", None)
            entry["resource"]["dosageInstruction"] = [{"text": "take 1 to 2 tablets daily"}]
    pasted(page, json.dumps(record))
    page.get_by_label("Read as of").fill("2025-03-03")
    form = page.get_by_role("form", name="Questions to answer first")
    expect(form).to_contain_text("take 1 to 2 tablets daily")
    form.get_by_label("the dose taken a day, in micrograms").fill("100")
    with page.expect_request(lambda sent: "$next-step" in sent.url) as sent:
        form.get_by_role("button", name="Answer").click()
    told = json.loads(sent.value.post_data or "")
    assert [each["name"] for each in told["parameter"]] == ["record", "answers"]
    expect(form).to_be_hidden()
    sheet = settled(page)
    expect(sheet.locator("h1")).to_contain_text("Next step: what the labs lead to")


def test_the_sheets_own_script_runs_inside_the_frame(open_page: Open, service: str) -> None:
    page = open_page()
    sheet = come(page, service)
    sheet.get_by_role("slider", name="Read a day").press("ArrowRight")
    expect(sheet.locator("#reading")).to_contain_text("March 4, 2025. Coverage")


def in_view(sheet: FrameLocator, part: str) -> None:
    """A part of the sheet has the focus and stands at the top of the frame."""
    focused = sheet.locator(f"#{part}:focus")
    expect(focused).to_be_visible()
    assert abs(focused.evaluate("one => one.getBoundingClientRect().top")) < 40


@pytest.mark.parametrize("width", [360, 1400])
def test_a_link_in_the_sheet_leads_to_its_part_by_mouse(
    open_page: Open, service: str, width: int
) -> None:
    page = open_page(width)
    sheet = come(page, service)
    for name, part in (("For the patient", "patient"), ("For the prescriber", "prescriber")):
        sheet.get_by_role("link", name=name).click()
        in_view(sheet, part)
    expect(sheet.locator("h1")).to_have_text("A proposed switch")
    assert page.url.rstrip("/") == service


def test_a_link_in_the_sheet_leads_to_its_part_by_keyboard(open_page: Open, service: str) -> None:
    page = open_page()
    sheet = come(page, service)
    page.locator("#sheet").focus()
    page.keyboard.press("Tab")
    expect(sheet.locator(":focus")).to_have_text("Skip to the plan")
    page.keyboard.press("Enter")
    in_view(sheet, "prescriber")
    sheet.get_by_role("link", name="For the patient").focus()
    page.keyboard.press("Enter")
    in_view(sheet, "patient")
    page.keyboard.press("Tab")  # on from there, not from the top
    expect(sheet.locator(":focus")).to_have_attribute("aria-label", "How it goes, Step A")
    expect(sheet.locator("h1")).to_have_text("A proposed switch")


def test_every_link_in_the_frame_leads_to_a_part_of_the_sheet(
    open_page: Open, service: str
) -> None:
    page = open_page()
    sheet = come(page, service)
    links = sheet.locator("a")
    expect(links).to_have_count(3)
    for link in links.all():
        part = (link.get_attribute("href") or "").removeprefix("#")
        expect(sheet.locator(f"#{part}")).to_have_count(1)
    page.get_by_label("An invented patient").select_option("12-text-only-sig.json")
    expect(sheet.get_by_role("heading", name="these questions come first")).to_be_visible()
    expect(links).to_have_count(0)  # one part alone, and nothing to skip


def test_the_dates_are_saved_from_the_frame(open_page: Open, service: str) -> None:
    page = open_page()
    sheet = come(page, service)
    with page.expect_download() as saved:
        sheet.get_by_role("button", name="Save these dates to your calendar").click()
    assert saved.value.suggested_filename == "thyroid-plan.ics"


def test_the_sheet_follows_what_is_chosen(open_page: Open, service: str) -> None:
    page = open_page()
    sheet = come(page, service)
    page.get_by_label("Basis").select_option("label")
    expect(sheet.get_by_text(re.compile("Aim: .* on the basis “label”"))).to_be_visible()
    page.get_by_label("Old medicine").select_option("stop")
    expect(sheet.get_by_text("not chosen: tapered")).to_be_visible()
    page.get_by_label("Pace").select_option("brisk")
    expect(sheet.get_by_text("Pace: brisk")).to_be_visible()
    page.get_by_label("Target").select_option("liothyronine")
    expect(sheet.get_by_text("This plan moves you to liothyronine")).to_be_visible()
    page.get_by_label("An invented patient").select_option("12-text-only-sig.json")
    expect(sheet.get_by_role("heading", name="these questions come first")).to_be_visible()


def test_a_pasted_record_is_asked_about(open_page: Open, service: str) -> None:
    page = open_page()
    come(page, service)
    bundle = (FIXTURES / "patients" / "02-desiccated-120.json").read_text("utf-8")
    pasted(page, bundle)
    page.get_by_label("Target").select_option("levothyroxine")
    sheet = page.frame_locator("#sheet")
    expect(sheet.get_by_text("This plan moves you to levothyroxine")).to_be_visible()
    expect(page.locator("#curl")).to_contain_text("@record.json")
    assert "record" not in page.url


def test_a_question_is_answered_on_the_page_by_a_choice_and_by_a_dose(
    open_page: Open, service: str
) -> None:
    page = open_page()
    come(page, service)
    record = json.loads((FIXTURES / "patients" / "12-text-only-sig.json").read_text("utf-8"))
    for entry in record["entry"]:
        if entry["resource"]["resourceType"] == "MedicationRequest":
            entry["resource"]["dosageInstruction"] = [{"text": "take 1 to 2 tablets daily"}]
    pasted(page, json.dumps(record))
    form = page.get_by_role("form", name="Questions to answer first")
    expect(form).to_contain_text("The record says: “take 1 to 2 tablets daily”")
    assert violations(page) == []
    dose = form.get_by_label("the dose taken a day, in micrograms")
    dose.fill("10000")  # leaves the pasted record, which asks nothing anew
    page.wait_for_timeout(600)
    expect(dose).to_have_value("10000")
    form.get_by_role("button", name="Answer").click()
    expect(form).to_contain_text("which is not plausible")
    form.get_by_label("the dose taken a day, in micrograms").fill("100")
    form.get_by_role("button", name="Answer").click()
    expect(form).to_be_hidden()
    sheet = settled(page)
    expect(sheet.get_by_role("heading", name="A proposed switch")).to_be_visible()
    pasted(page, json.dumps(record) + " ")
    expect(form).to_be_visible()


def test_a_refused_call_says_why_and_shows_no_old_sheet(open_page: Open, service: str) -> None:
    page = open_page(but="status of 400")
    come(page, service)
    pasted(page, '{"resourceType": "Bundle", "type": "collection", "entry": "none"}')
    expect(page.get_by_role("heading", name="The call is refused")).to_be_visible()
    expect(page.locator("#refused li")).not_to_have_count(0)
    expect(page.locator("#sheet")).to_be_hidden()


@pytest.mark.parametrize("operation", ["$propose-switch", "$next-step"])
def test_the_command_that_is_copied_gives_the_json_that_is_shown(
    open_page: Open, service: str, operation: str
) -> None:
    page = open_page()
    page.context.grant_permissions(["clipboard-read", "clipboard-write"])
    come(page, service)
    page.get_by_label("Operation").select_option(operation)
    expect(page.locator("#curl")).to_contain_text(operation)
    settled(page)
    page.get_by_role("button", name="Copy the command").click()
    expect(page.get_by_role("status")).to_have_text("Copied.")
    command = page.evaluate("navigator.clipboard.readText()")
    page.get_by_role("button", name="Copy the JSON").click()
    shown = json.loads(page.evaluate("navigator.clipboard.readText()"))
    ran = subprocess.run(["bash", "-c", command], capture_output=True, check=True, timeout=30)
    assert json.loads(ran.stdout) == shown
    assert shown["resourceType"] == "Bundle"


@pytest.mark.parametrize("text", [SCRIPT, QUOTED])
def test_hostile_text_in_a_record_stays_text(open_page: Open, service: str, text: str) -> None:
    page = open_page()
    come(page, service)
    bundle = json.loads((FIXTURES / "patients" / "12-text-only-sig.json").read_text("utf-8"))
    for entry in bundle["entry"]:
        resource = entry["resource"]
        if resource["resourceType"] == "Patient":
            resource["name"] = [{"text": text}]
        for dosage in resource.get("dosage", []) + resource.get("dosageInstruction", []):
            dosage["text"] = text
    pasted(page, json.dumps(bundle))
    sheet = page.frame_locator("#sheet")
    expect(sheet.locator("header .name")).to_contain_text(text[:20])
    expect(page).to_have_title("Crossgrain workbench")
    assert sheet.locator("img").count() == 0


def test_the_keyboard_alone_reaches_every_control_in_order(open_page: Open, service: str) -> None:
    page = open_page()
    come(page, service)
    walked = []
    for _ in range(60):  # the sheet holds some of them
        page.keyboard.press("Tab")
        walked.append(page.evaluate("document.activeElement.id || document.activeElement.tagName"))
        if walked[-1] == "json":
            break
    wanted = [
        "operation",
        "example",
        "version",
        "target",
        "basis",
        "pace",
        "prior-therapy",
        "stock",
        "as-of",
        "save",
        "sheet",
        "curl",
        "json",
    ]
    places = [walked.index(name) for name in wanted]
    assert places == sorted(places)


def test_an_access_token_is_sent_and_stays_out_of_the_command(
    open_page: Open, service: str
) -> None:
    page = open_page()
    come(page, service)
    page.get_by_text("Access token").click()
    page.get_by_label("Where the service asks for one").fill("secret-token")
    with page.expect_request(lambda sent: "$propose-switch" in sent.url) as sent:
        page.get_by_label("Basis").select_option("trial")
    assert sent.value.headers["authorization"] == "Bearer secret-token"
    settled(page)
    expect(page.locator("#curl")).to_contain_text('"Authorization: Bearer $TOKEN"')
    assert "secret-token" not in page.locator("#curl").inner_text()
