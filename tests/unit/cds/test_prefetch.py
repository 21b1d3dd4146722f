"""What came for a template, told apart: nothing partial is taken for a whole."""

from typing import Any

import pytest

from crossgrain.cds.services import (
    Gathered,
    PlacedResource,
    Template,
    TemplateAnswer,
    from_value,
    is_all,
    lacks,
    sort_out,
)

GOALS = Template("goals", "Goal", "Goal?patient={{context.patientId}}")
PATIENT = Template("patient", "Patient", "Patient/{{context.patientId}}", required=True)
GOAL = {"resourceType": "Goal", "id": "g"}
WARNED = {"resourceType": "OperationOutcome", "issue": [{"severity": "warning"}]}
TOLD = {"resourceType": "OperationOutcome", "issue": [{"severity": "information"}]}


def bundle(*resources: Any, **more: Any) -> dict[str, Any]:
    """A search result."""
    entries = [{"resource": resource} for resource in resources]
    return {"resourceType": "Bundle", "type": "searchset", "entry": entries, **more}


@pytest.mark.parametrize(
    ("value", "standing"),
    [
        (bundle(GOAL), TemplateAnswer.GIVEN),
        (bundle(GOAL, type="collection"), TemplateAnswer.GIVEN),
        (bundle(GOAL, total=1), TemplateAnswer.GIVEN),
        (bundle(), TemplateAnswer.GIVEN),
        ({"resourceType": "Bundle", "type": "searchset"}, TemplateAnswer.GIVEN),
        (bundle(GOAL, TOLD), TemplateAnswer.GIVEN),
        (bundle(GOAL, WARNED), TemplateAnswer.PARTIAL),
        (bundle(GOAL, total=2), TemplateAnswer.PARTIAL),
        (bundle(GOAL, link=[{"relation": "next", "url": "x"}]), TemplateAnswer.PARTIAL),
        (bundle({"resourceType": "Patient", "id": "p"}, total=1), TemplateAnswer.PARTIAL),
        (None, TemplateAnswer.NO_DATA),
        (WARNED, TemplateAnswer.FAILED),
        (TOLD, TemplateAnswer.FAILED),
        ("<html>", TemplateAnswer.UNUSABLE),
        ([GOAL], TemplateAnswer.UNUSABLE),
        (GOAL, TemplateAnswer.UNUSABLE),
        (bundle(GOAL, type="transaction"), TemplateAnswer.UNUSABLE),
        (bundle(GOAL, type=None), TemplateAnswer.UNUSABLE),
        (bundle(GOAL, entry={}), TemplateAnswer.UNUSABLE),
        (bundle(GOAL, "x"), TemplateAnswer.UNUSABLE),
        (bundle(GOAL, entry=[{"resource": GOAL}, 5]), TemplateAnswer.UNUSABLE),
    ],
)
def test_a_search_is_whole_only_where_every_sign_agrees(
    value: Any, standing: TemplateAnswer
) -> None:
    got = sort_out(GOALS, {"goals": value})
    assert (got.template, got.standing) == (GOALS, standing)
    assert got.is_whole is (standing in {TemplateAnswer.GIVEN, TemplateAnswer.NO_DATA})


def test_a_key_that_is_absent_was_declined() -> None:
    assert sort_out(GOALS, {"goal": None}) == Gathered(GOALS, TemplateAnswer.DECLINED)


@pytest.mark.parametrize(
    ("value", "standing"),
    [
        ({"resourceType": "Patient", "id": "p"}, TemplateAnswer.GIVEN),
        (GOAL, TemplateAnswer.UNUSABLE),
        (bundle({"resourceType": "Patient", "id": "p"}), TemplateAnswer.UNUSABLE),
        (None, TemplateAnswer.NO_DATA),
        (WARNED, TemplateAnswer.FAILED),
    ],
)
def test_a_read_gives_the_one_resource_or_nothing(value: Any, standing: TemplateAnswer) -> None:
    got = sort_out(PATIENT, {"patient": value})
    parts = (PlacedResource("prefetch.patient", value),) if standing is TemplateAnswer.GIVEN else ()
    assert got == Gathered(PATIENT, standing, parts)


def test_what_was_found_is_kept_with_its_place_and_its_address_and_of_a_part_too() -> None:
    second = {"resource": GOAL | {"id": "h"}, "fullUrl": "https://ehr.example/fhir/Goal/h"}
    odd = {"resource": GOAL | {"id": "i"}, "fullUrl": 5}
    sent = bundle(entry=[{"resource": TOLD}, {"resource": GOAL}, second, odd], total=9)
    got = from_value(GOALS, sent, "prefetch.goals")
    assert got == Gathered(
        GOALS,
        TemplateAnswer.PARTIAL,
        (
            PlacedResource("prefetch.goals.entry[1].resource", GOAL, ""),
            PlacedResource(
                "prefetch.goals.entry[2].resource", second["resource"], str(second["fullUrl"])
            ),
            PlacedResource("prefetch.goals.entry[3].resource", odd["resource"], ""),
        ),
    )


@pytest.mark.parametrize(
    ("standing", "words"),
    [
        (TemplateAnswer.DECLINED, "Goal was not sent"),
        (
            TemplateAnswer.FAILED,
            "Goal could not be gathered: an OperationOutcome came in its place",
        ),
        (TemplateAnswer.UNUSABLE, "Goal is not what was asked for"),
        (TemplateAnswer.PARTIAL, "Goal is only a part"),
    ],
)
def test_a_person_is_told_what_is_wrong(standing: TemplateAnswer, words: str) -> None:
    assert Gathered(GOALS, standing).why_not == words


def part(own_id: Any, url: str = "", kind: str = "Goal", place: str = "a") -> PlacedResource:
    return PlacedResource(place, {"resourceType": kind, "id": own_id}, url)


@pytest.mark.parametrize(
    ("parts", "whole"),
    [
        ([part("a"), part("b")], True),
        ([part("a"), part("a")], False),  # one of two, twice
        ([part("a", "https://one.example/Goal/a"), part("a", "https://two.example/Goal/a")], True),
        ([part("a"), part("b", kind="Patient")], False),  # included, not asked for
        ([part(None, place="a"), part(None, place="b")], True),
        ([part(None, place="a"), part(None, place="a")], False),
        ([part("a"), part("b"), part("c")], True),
        ([part("a")], False),
    ],
)
def test_two_of_the_total_are_two_different_resources_that_were_asked_for(
    *, parts: list[PlacedResource], whole: bool
) -> None:
    assert is_all({"total": 2}, GOALS, parts) is whole


STATED = Template("stated", "MedicationStatement", "MedicationStatement?", may_lack=True)


def outcome(*codes: Any) -> dict[str, Any]:
    return {"resourceType": "OperationOutcome", "issue": [{"code": code} for code in codes]}


@pytest.mark.parametrize(
    ("template", "value", "standing"),
    [
        (STATED, outcome("not-supported"), TemplateAnswer.NOT_OFFERED),
        (STATED, outcome("not-supported", "not-supported"), TemplateAnswer.NOT_OFFERED),
        (STATED, outcome("not-supported", "exception"), TemplateAnswer.FAILED),
        (STATED, outcome("exception"), TemplateAnswer.FAILED),
        (STATED, outcome([]), TemplateAnswer.FAILED),
        (STATED, outcome(), TemplateAnswer.FAILED),
        (STATED, {"resourceType": "OperationOutcome"}, TemplateAnswer.FAILED),
        (STATED, {"resourceType": "OperationOutcome", "issue": [5]}, TemplateAnswer.FAILED),
        (GOALS, outcome("not-supported"), TemplateAnswer.FAILED),
    ],
)
def test_only_not_supported_alone_says_that_there_is_no_such_type(
    template: Template, value: dict[str, Any], standing: TemplateAnswer
) -> None:
    """Any other failure may hide a medicine that is taken."""
    found = from_value(template, value, "a")
    assert (found.standing, found.resources) == (standing, ())
    assert found.is_whole is (standing is TemplateAnswer.NOT_OFFERED)


@pytest.mark.parametrize(
    ("kinds", "lacking"),
    [
        (["MedicationRequest"], True),
        (["MedicationRequest", "MedicationStatement"], False),
        ([], False),
        (["Patient"], False),
    ],
)
def test_a_capability_statement_lacks_what_it_does_not_list_beside_orders(
    kinds: list[str], *, lacking: bool
) -> None:
    """One that lists no orders either tells nothing of what its server offers."""
    rest = [{"resource": [{"type": kind} for kind in kinds]}]
    statement: dict[str, Any] = {"resourceType": "CapabilityStatement", "rest": rest}
    assert lacks(statement, "MedicationStatement") is lacking
    for broken in ({}, {"rest": 5}, {"rest": [5]}, {"rest": [{"resource": 5}]}):
        assert not lacks(broken, "MedicationStatement")
