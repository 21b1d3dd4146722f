"""``sheet=true`` beside ``answers``: the page shows what was confirmed, and asks the rest."""

import json
import re
from base64 import b64decode
from html import unescape
from io import BytesIO
from typing import Any

import httpx2 as httpx
import pytest
from pypdf import PdfReader
from tests.api.test_questions import call, resources, response
from tests.properties.answers.records import Chart, Resource, bundle, mass

from crossgrain.names.identity import FhirVersion
from crossgrain.writing.forms import to_json

OPERATIONS = ("$propose-switch", "$next-step")
R4, R5 = (Chart(version, 100) for version in FhirVersion)


def two(chart: Chart) -> Resource:
    """Two medicines, of which neither dose is told."""
    return bundle([
        chart.order([{"text": "as directed"}]),
        chart.order([{"text": "as told"}], {"text": "liothyronine sodium"}, own="r2"),
    ])  # fmt: skip


def asked(
    client: httpx.Client, operation: str, record: Resource, chart: Chart, *answers: Resource,
    **options: str,
) -> Resource:  # fmt: skip
    body = call(record, *answers)
    if operation == "$next-step":
        body["parameter"] = [p for p in body["parameter"] if p["name"] != "target"]
    body["parameter"] += [{"name": name, "valueCode": value} for name, value in options.items()]
    body["parameter"].append({"name": "sheet", "valueBoolean": True})
    answer = client.post(
        f"/fhir/{chart.version.value}/{operation}",
        content=to_json(body),
        headers={"content-type": "application/fhir+json"},
    )
    assert answer.status_code == 200, answer.text
    read: Resource = json.loads(answer.content)
    return read


def attached(answer: Resource) -> bytes:
    (document,) = resources(answer, "DocumentReference")
    return b64decode(document["content"][0]["attachment"]["data"])


def part(answer: Resource, title: str) -> str:
    """What a section of the page says, or nothing where it has none."""
    html = attached(answer).decode()
    section = re.search(rf'<section aria-labelledby="{title}".*?</section>', html, re.DOTALL)
    return " ".join(unescape(re.sub("<[^>]+>", " ", section[0])).split()) if section else ""


def form_in(answer: Resource) -> Resource:
    (form,) = resources(answer, "Questionnaire")
    return form


@pytest.mark.parametrize("chart", [R4, R5], ids=["r4", "r5"])
@pytest.mark.parametrize("operation", OPERATIONS)
def test_the_sheet_shows_what_was_answered_and_asks_the_rest(
    client: httpx.Client, operation: str, chart: Chart
) -> None:
    before = asked(client, operation, two(chart), chart)
    assert part(before, "answered-title") == ""
    given = response(form_in(before), dose=mass(100))
    after = asked(client, operation, two(chart), chart, given)
    said, open_still = part(after, "answered-title"), part(after, "questions-title")
    assert "levothyroxine sodium: 100 micrograms a day" in said
    assert "The words could not be read with certainty." in said
    assert "liothyronine" not in said
    assert "liothyronine sodium" in open_still
    assert "as told" in open_still
    assert "as directed" not in open_still


@pytest.mark.parametrize("chart", [R4, R5], ids=["r4", "r5"])
@pytest.mark.parametrize("operation", OPERATIONS)
def test_the_sheet_of_a_record_that_is_answered_whole_asks_nothing_and_shows_the_plan(
    client: httpx.Client, operation: str, chart: Chart
) -> None:
    record = bundle([chart.order([{"text": "as directed"}])])
    before = asked(client, operation, record, chart)
    after = asked(client, operation, record, chart, response(form_in(before), dose=mass(100)))
    assert "100 micrograms a day" in part(after, "answered-title")
    assert part(after, "questions-title") == ""
    assert part(after, "today-title")


@pytest.mark.parametrize("operation", OPERATIONS)
def test_an_answer_that_is_not_plausible_is_shown_and_asked_again(
    client: httpx.Client, operation: str
) -> None:
    record = bundle([R4.order([{"text": "as directed"}])])
    before = asked(client, operation, record, R4)
    after = asked(client, operation, record, R4, response(form_in(before), dose=mass(100000)))
    assert "100000 micrograms a day" in part(after, "answered-title")
    assert "not plausible" in part(after, "questions-title")


def test_a_medicine_that_is_not_taken_leaves_the_names_of_the_others_where_they_are(
    client: httpx.Client,
) -> None:
    before = asked(client, "$propose-switch", two(R4), R4)
    after = asked(client, "$propose-switch", two(R4), R4, response(form_in(before), "not-taken"))
    assert "It is not taken now" in part(after, "answered-title")
    assert "liothyronine sodium" in part(after, "questions-title")


def text_of(pdf: bytes) -> str:
    return " ".join(" ".join(page.extract_text() for page in PdfReader(BytesIO(pdf)).pages).split())


@pytest.mark.parametrize("record", [two(R4), bundle([R4.order([{"text": "as directed"}])])])
def test_the_pdf_says_once_what_was_answered(client: httpx.Client, record: Resource) -> None:
    pdf: dict[str, Any] = {"sheet-form": "pdf"}
    before = asked(client, "$propose-switch", record, R4, **pdf)
    assert "Answered" not in text_of(attached(before))
    given = response(form_in(before), dose=mass(100))
    after = text_of(attached(asked(client, "$propose-switch", record, R4, given, **pdf)))
    assert "Answered" in after
    assert after.count("levothyroxine sodium: 100 micrograms a day") == 1
