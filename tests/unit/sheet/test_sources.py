"""What is asked, found, read or passed over stands by the record's own name, date and words."""

import json
import re
from typing import Any

import pytest
from starlette.testclient import TestClient
from tests.conformance.patients import CATALOGUE, FIXTURES, proposed
from tests.unit.sheet.pages import ASKED, HOSTILE, LONG, VERSION, Node, page_of, parsed, sheet
from tests.unit.sheet.visits import VISITS, record, visit, visit_sheet

from crossgrain.app.factory import create_app
from crossgrain.http.settings import Settings
from crossgrain.sheet.locale import locale
from crossgrain.sheet.page import Sheet, sheet_html
from crossgrain.sheet.person import person_in
from crossgrain.sheet.sources import Source, Sources, sources_in

PATH = re.compile(r"(Bundle|Parameters)\.\S*entry\[\d+\]")
TARGET = "desiccated-thyroid"


def bundle(*resources: dict[str, Any]) -> dict[str, Any]:
    return {"resourceType": "Bundle", "entry": [{"resource": one} for one in resources]}


def source(resource: dict[str, Any], within: str = "") -> Source:
    (found,) = sources_in(bundle(resource), "Bundle").of(f"Bundle.entry[0].resource{within}")
    return found


def shown_large(page: Node) -> str:
    """The page but for what is printed small for who wrote the interface."""
    for node in page.walk():
        node.inside = [one for one in node.inside if isinstance(one, str) or not is_small(one)]
    return page.text


def is_small(node: Node) -> bool:
    return node.tag == "small" and "place" in node.attributes.get("class", "")


@pytest.mark.parametrize("file", ASKED)
def test_no_fhirpath_is_shown_on_a_sheet_but_in_small_print(file: str) -> None:
    assert not PATH.search(shown_large(parsed(sheet(file))))


@pytest.mark.parametrize("name", VISITS)
def test_no_fhirpath_is_shown_on_a_visits_sheet_but_in_small_print(name: str) -> None:
    assert not PATH.search(shown_large(parsed(visit_sheet(name))))


def test_a_question_names_the_medicine_its_date_and_the_words_and_keeps_the_place_small() -> None:
    page = parsed(sheet("12-text-only-sig.json"))
    (asked,) = page.all("ol", "questions")
    assert [q.text for q in asked.all("q")] == [record_words("12-text-only-sig.json")]
    assert "Levothyroxine" in asked.text
    assert re.search(r"prescription, written \d+ \w+ \d{4}", asked.text)
    (place,) = asked.all("small", "place")
    assert place.text == "Bundle.entry[3].resource.dosageInstruction[0].text"


def record_words(file: str) -> str:
    entry = json.loads((FIXTURES / "patients" / file).read_bytes())["entry"][3]
    words: str = entry["resource"]["dosageInstruction"][0]["text"]
    return words


def test_a_stop_names_what_in_the_record_raised_it() -> None:
    (stop,) = parsed(sheet("11-adrenal-insufficiency.json")).all("li", "stop")
    assert re.search(r"In the record: .*drenal.* \(problem list", stop.text)


def test_what_was_passed_over_for_one_reason_stands_once_with_the_name_of_each() -> None:
    (unread,) = parsed(sheet("15-switched-at-half-the-dose.json")).all("details", "unread")
    assert unread.text.count("Not counted as taken: its status is completed") == 1
    assert "medication list" in unread.text
    assert "allergy list" in unread.text


def test_without_the_record_at_hand_the_place_alone_is_shown() -> None:
    page = parsed(page_of(proposed("12-text-only-sig.json", ASKED["12-text-only-sig.json"])))
    (asked,) = page.all("ol", "questions")
    assert [one.text for one in asked.all("small", "place")] == [
        "Bundle.entry[3].resource.dosageInstruction[0].text"
    ]
    assert not asked.all("b")


@pytest.mark.parametrize(
    ("resource", "named"),
    [
        (
            {
                "resourceType": "MedicationRequest",
                "status": "draft",
                "authoredOn": "2025-02-03T08:00:00Z",
                "medicationCodeableConcept": {"coding": [{"code": "1", "display": "T4 50"}]},
            },
            ("T4 50", "draft order", "written", "2025-02-03T08:00:00Z"),
        ),
        (
            {
                "resourceType": "MedicationStatement",
                "effectivePeriod": {"start": "2019"},
                "contained": [{"id": "m", "code": {"text": "in the tablet box"}}],
                "medicationReference": {"reference": "#m"},
            },
            ("in the tablet box", "medication list", "since", "2019"),
        ),
        (
            {"resourceType": "Observation", "code": {"text": "TSH"}, "issued": "2025-02"},
            ("TSH", "result", "", "2025-02"),
        ),
        (
            {"resourceType": "Goal", "description": {"text": "TSH 1 to 2"}},
            ("TSH 1 to 2", "goal", "", ""),
        ),
        ({"resourceType": "ImagingStudy"}, ("", "imaging study", "", "")),
    ],
)
def test_each_kind_of_resource_has_its_name_its_kind_and_its_date(
    resource: dict[str, Any], named: tuple[str, str, str, str]
) -> None:
    found = source(resource)
    assert (found.name, found.kind, found.dating, found.date) == named


def test_a_medicine_that_is_an_entry_of_its_own_is_named_by_it() -> None:
    medication = {"resourceType": "Medication", "id": "m1", "code": {"text": "thyroid 60 mg"}}
    order = {
        "resourceType": "MedicationRequest",
        "medicationReference": {"reference": "Medication/m1"},
    }
    record = sources_in(bundle(medication, order), "Bundle")
    assert [one.name for one in record.of("Bundle.entry[1].resource.status")] == ["thyroid 60 mg"]


def test_a_dose_is_quoted_in_the_records_own_digits() -> None:
    order = {
        "resourceType": "MedicationRequest",
        "dosageInstruction": [
            {
                "text": "one a day",
                "doseAndRate": [{"doseQuantity": {"value": "1.50", "unit": "tablet"}}],
            }
        ],
    }
    found = source(order, ".dosageInstruction[0].doseAndRate[0].dose")
    assert found.words == ("1.50 tablet", "one a day")


def test_two_places_in_one_resource_name_it_once_and_no_other_records_place_is_named() -> None:
    record = sources_in(bundle({"resourceType": "Goal"}, {"resourceType": "Goal"}), "Bundle")
    within = ("Bundle.entry[0].resource.status", "Bundle.entry[0].resource.lifecycleStatus")
    assert len(record.of(*within)) == 1
    assert len(record.of(*within, "Bundle.entry[1].resource")) == 2
    for elsewhere in ("Bundle.entry[2].resource", "Parameters.entry[0].resource", "Patient", ""):
        assert record.of(elsewhere) == []


@pytest.mark.parametrize("broken", [3, "x", [], [3], {"entry": 4}, None])
def test_an_element_that_is_not_as_fhir_has_it_is_left_unnamed(broken: Any) -> None:
    elements = ("medicationCodeableConcept", "code", "contained", "effectivePeriod", "note")
    for kind in ("MedicationRequest", "Observation"):
        odd = {"resourceType": kind, **dict.fromkeys(elements, broken)}
        assert source(odd, ".dosageInstruction[7].text").name in {"", "x"}
    assert sources_in({"entry": broken}, "Bundle").of("Bundle.entry[0].resource.a") in (
        [],
        [Source("", "", "", "", ())],
    )


@pytest.mark.parametrize("text", HOSTILE, ids=["script", "svg", "quotes", "turned", "long"])
def test_hostile_words_of_a_record_add_no_element(text: str) -> None:
    file = "12-text-only-sig.json"
    fair, hurt = (
        parsed(page_of(proposed(file, ASKED[file]), sources=hostile_sources(words)))
        for words in ("plain", text)
    )
    shape = [(node.tag, sorted(node.attributes)) for node in fair.walk()]
    assert [(node.tag, sorted(node.attributes)) for node in hurt.walk()] == shape
    assert len(hurt.text) < len(fair.text) + 3 * len(LONG)


def hostile_sources(text: str) -> Sources:
    order = {
        "resourceType": "MedicationRequest",
        "authoredOn": text,
        "medicationCodeableConcept": {"text": text},
        "dosageInstruction": [{"text": text}],
    }
    return sources_in(bundle(*[order] * 12), "Bundle")


def test_the_route_names_what_it_asks_by_the_record_that_was_posted() -> None:
    body = (FIXTURES / "patients" / "12-text-only-sig.json").read_bytes()
    with TestClient(create_app(Settings(), CATALOGUE)) as client:
        page = client.post(
            f"/sheet?target={TARGET}&as-of=2025-03-03",
            content=body,
            headers={"Content-Type": "application/fhir+json"},
        )
    (asked,) = parsed(page.content).all("ol", "questions")
    assert [q.text for q in asked.all("q")] == [record_words("12-text-only-sig.json")]


_LONG = "(?:January|February|March|April|May|June|July|August|September|October)"
_WRITTEN = {
    "en-US": re.compile(rf"\d {_LONG} 20\d\d"),
    "en-GB": re.compile(rf"{_LONG} \d{{1,2}}\b"),
    "en": re.compile(rf"\d {_LONG} 20\d\d|{_LONG} \d{{1,2}}\b"),
}
"""Dates as another locale than this one has them."""


@pytest.mark.parametrize("tag", _WRITTEN)
@pytest.mark.parametrize("name", ["on-time", "lab-on-biotin", "infarction-in-mid-climb"])
def test_every_date_of_a_sheet_is_written_as_its_locale_has_it(tag: str, name: str) -> None:
    """Two orders of day and month on one sheet make a reader doubt both."""
    sheet_of = parsed(
        sheet_html(
            Sheet.of(visit(name)),
            CATALOGUE,
            service_version=VERSION,
            person=person_in(record(name)),
            tag=tag,
            sources=sources_in(record(name), "Bundle"),
        )
    )
    for node in sheet_of.walk():  # the record's own words stay as they are
        node.inside = [
            one
            for one in node.inside
            if isinstance(one, str) or (one.tag != "q" and "month" not in one.attributes.values())
        ]
    assert locale(tag).dated(visit(name).proposal.request.as_of) in sheet_of.text
    assert _WRITTEN[tag].findall(sheet_of.text) == []
    drawn = [node.text for svg in sheet_of.all("svg") for node in svg.all("text", "tick")]
    assert not [words for words in drawn if _WRITTEN_SHORT[tag].search(words)]


_MONTH = "(?:Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec)"
_WRITTEN_SHORT = {
    "en-US": re.compile(rf"\d {_MONTH}"),
    "en-GB": re.compile(rf"{_MONTH} \d"),
    "en": re.compile(_MONTH),
}
