"""What a record brings cannot act on the page, and the page asks nothing of the network."""

import re
from base64 import b64encode
from hashlib import sha256

import pytest
from tests.conformance.patients import every_direction
from tests.unit.sheet.pages import (
    ASKED,
    HOSTILE,
    LONG,
    PLANNED,
    QUOTED,
    REVERSED,
    hostile,
    page_of,
    parsed,
    sheet,
)

from crossgrain.sheet.person import NOBODY, person_in

MOST_BYTES = 250_000
"""What a page may weigh: the longest plans have a long pharmacy list, draws on the way, seven
branches, and the
published trials."""


@pytest.mark.parametrize("text", HOSTILE, ids=["script", "svg", "quotes", "turned", "long"])
def test_hostile_text_adds_no_element_and_no_attribute(text: str) -> None:
    fair, hurt = parsed(hostile("plain")), parsed(hostile(text))
    shape = [(node.tag, sorted(node.attributes)) for node in fair.walk()]
    assert [(node.tag, sorted(node.attributes)) for node in hurt.walk()] == shape


def test_hostile_text_is_shown_as_it_was_written() -> None:
    assert QUOTED in parsed(hostile(QUOTED)).by_id("prescriber").text


def test_what_turns_the_direction_of_reading_is_shown_and_does_not_act() -> None:
    page = hostile(REVERSED).decode()
    assert not re.search("[\u202a-\u202e\u2066-\u2069]", page)
    assert "\ufffd05 ekat\ufffd" in page


def test_a_name_is_cut_where_a_heading_ends() -> None:
    bundle = {
        "entry": [
            {"resource": {"resourceType": "Patient", "name": [{"text": LONG}], "birthDate": LONG}}
        ]
    }
    person = person_in(bundle)
    assert len(person.name) == len(person.born) == 81
    assert person.name.endswith("…")


@pytest.mark.parametrize(
    "patient",
    [
        {},
        {"name": "x", "identifier": 3, "birthDate": None},
        {"name": [3, {"given": "x", "family": 4}], "identifier": [{"value": {}}]},
        {"name": [{"given": [1, None]}], "birthDate": ["x"]},
    ],
)
def test_a_patient_that_is_not_as_fhir_has_it_is_left_unnamed(patient: dict[str, object]) -> None:
    entry = [7, {"resource": "x"}, {"resource": {"resourceType": "Patient", **patient}}]
    assert person_in({"entry": entry}) == NOBODY
    assert person_in({}) == NOBODY


@pytest.mark.parametrize("file", ASKED)
def test_the_page_names_no_address(file: str) -> None:
    page = parsed(sheet(file))
    for node in page.walk():
        for name in ("src", "action", "formaction", "xlink:href", "srcset", "data", "style"):
            assert name not in node.attributes
        assert node.tag not in {"link", "base", "iframe", "object", "embed", "form", "img"}
        assert node.attributes.get("href", "#").startswith("#")
        assert not [name for name in node.attributes if name.startswith("on")]
    assert b"url(" not in sheet(file)
    assert b"@import" not in sheet(file)


def test_the_policy_allows_exactly_the_style_and_the_script_on_the_page() -> None:
    page = sheet("01-levothyroxine-150.json").decode()
    (policy,) = re.findall(r'Content-Security-Policy" content="([^"]+)"', page)
    policy = policy.replace("&#39;", "'")
    assert policy.startswith("default-src 'none'; ")
    for tag in ("style", "script"):
        (inside,) = re.findall(rf"<{tag}>(.*?)</{tag}>", page, re.DOTALL)
        hashed = b64encode(sha256(inside.encode()).digest()).decode()
        assert f"{tag}-src 'sha256-{hashed}'" in policy
    assert "unsafe" not in policy
    assert "http" not in policy


def test_every_plan_there_is_fits_the_size() -> None:
    sizes = [len(page_of(proposal)) for proposal in every_direction()]
    assert max(sizes) < MOST_BYTES
    assert len(sizes) > 50


def test_the_same_proposal_gives_the_same_bytes() -> None:
    for file in PLANNED:
        first = sheet(file)
        sheet.cache_clear()
        assert sheet(file) == first
