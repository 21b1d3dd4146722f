"""The checkpoint: exactly one of its options, each a condition and requests that exist."""

import re
from fractions import Fraction

import pytest
from tests.unit.writing.answers import intended, only, written
from tests.unit.writing.plans import PLANNED, levothyroxine_to_desiccated

from crossgrain.dosing.plan import Reading
from crossgrain.names.version import FhirVersion
from crossgrain.writing.conditions import CONDITIONS, variables


def group_of(bundle):
    (group,) = only(bundle, "RequestGroup")["action"]
    return group


@pytest.mark.parametrize("name", PLANNED)
def test_one_group_offers_exactly_one_of_three(name):
    bundle = written(PLANNED[name]())
    group = group_of(bundle)
    assert group["selectionBehavior"] == "exactly-one"
    assert [option["title"] for option in group["action"]] == [
        "TSH high",
        "TSH in range",
        "TSH low, or too fast",
    ]


@pytest.mark.parametrize("name", PLANNED)
def test_every_option_is_made_of_requests_and_every_optional_request_belongs_to_one(name):
    bundle = written(PLANNED[name]())
    listed = [
        leaf["resource"]["reference"]
        for option in group_of(bundle)["action"]
        for leaf in option["action"]
    ]
    optional = [
        entry["fullUrl"] for entry in bundle["entry"] if entry["resource"].get("intent") == "option"
    ]
    assert all(option["action"] for option in group_of(bundle)["action"])
    assert sorted(listed) == sorted(optional)


def test_each_option_has_a_fhirpath_condition_and_its_words():
    for option, reading in zip(
        group_of(written(levothyroxine_to_desiccated()))["action"], Reading, strict=True
    ):
        (condition,) = option["condition"]
        assert condition["kind"] == "applicability"
        assert condition["expression"]["language"] == "text/fhirpath"
        assert condition["expression"]["expression"] == CONDITIONS[reading].expression
        assert CONDITIONS[reading].words in option["description"]


def test_the_conditions_use_documented_variables_and_all_of_them():
    used = {
        name
        for condition in CONDITIONS.values()
        for name in re.findall(r"%(\w+)", condition.expression)
    }
    said = variables((Fraction("0.4"), Fraction(4)))
    assert used == set(said)
    note = only(written(levothyroxine_to_desiccated()), "RequestGroup")["note"][0]["text"]
    assert all(f"%{name}: {meaning}" in note for name, meaning in said.items())


def test_a_conditional_dose_repeats_its_condition_in_text_and_note():
    options = intended(written(levothyroxine_to_desiccated()), "MedicationRequest", "option")
    assert len(options) == 8
    words = [condition.words for condition in CONDITIONS.values()]
    for order in options:
        text = order["dosageInstruction"][0]["text"]
        (condition,) = [w for w in words if w in text]
        assert text.startswith("Only if your prescriber tells you so")
        assert order["note"][0]["text"] == f"Only if: {condition}."


def test_staying_is_a_request_that_continues_the_dose_of_the_hold():
    bundle = written(levothyroxine_to_desiccated())
    stay = group_of(bundle)["action"][1]
    titles = [leaf["title"] for leaf in stay["action"]]
    assert "desiccated thyroid 60 mg tablet, 2024-08-07 to 2024-11-17" in titles


def test_in_r5_the_group_is_a_request_orchestration():
    bundle = written(levothyroxine_to_desiccated(), FhirVersion.R5)
    assert only(bundle, "RequestOrchestration")["action"][0]["selectionBehavior"] == "exactly-one"
