"""What a patient says of how it goes, read from a QuestionnaireResponse."""

import pytest
from tests.unit.reading.records import (
    AS_OF,
    CODES,
    SUBJECT,
    Json,
    read,
)

from crossgrain.reading.elements import Unreadable
from crossgrain.safety.facts import Known, MissedDays

OURS = "http://crossgrain.example/fhir/Questionnaire/how-it-goes"
HERE = "Bundle.entry[1].resource.item[0]"
YES: Json = {"valueBoolean": True}
NO: Json = {"valueBoolean": False}


def response(*items: Json, **more: object) -> Json:
    return {
        "resourceType": "QuestionnaireResponse",
        "id": "q1",
        "status": "completed",
        "questionnaire": OURS,
        "subject": SUBJECT,
        "authored": "2026-03-18T09:00:00Z",
        "item": list(items),
        **more,
    }


def answer(link_id: str, *values: Json) -> Json:
    return {"linkId": link_id, "answer": list(values)}


def said(*items: Json, **more: object) -> tuple[Known, ...]:
    return read(response(*items, **more)).facts.reported


@pytest.mark.parametrize("link_id", [i.id for i in CODES.how_it_goes.item if not i.most])
def test_every_yes_is_a_fact_of_its_day(link_id: str) -> None:
    assert said(answer(link_id, YES)) == (Known(link_id, HERE, -2),)


def test_a_no_is_kept_apart_and_a_question_left_open_says_nothing() -> None:
    record = read(response(answer("palpitations", NO), {"linkId": "chest-pain"}))
    assert (record.facts.reported, record.unread) == ((), ())
    assert record.facts.answered_no == (Known("palpitations", HERE, -2),)


def test_a_yes_without_a_date_has_no_day() -> None:
    assert said(answer("palpitations", YES), authored=None) == (Known("palpitations", HERE),)


def test_days_missed_are_a_number_of_days() -> None:
    record = read(response(answer("missed-days", {"valueInteger": 3})))
    assert record.facts.missed == (MissedDays(3, HERE, -2),)


def test_no_day_missed_says_nothing() -> None:
    assert read(response(answer("missed-days", {"valueInteger": 0}))).facts.missed == ()


@pytest.mark.parametrize("version", ["", "|0.1.0", "|9"])
def test_the_questionnaire_is_ours_whichever_version_is_named(version: str) -> None:
    assert said(answer("palpitations", YES), questionnaire=OURS + version)


@pytest.mark.parametrize("other", [None, "http://example.org/Questionnaire/phq-9", OURS + "-2"])
def test_answers_to_other_questionnaires_are_passed_over_and_said_to_be(other: str | None) -> None:
    record = read(response(answer("palpitations", YES), questionnaire=other))
    assert record.facts.reported == ()
    assert [u.why for u in record.unread] == [
        "QuestionnaireResponse: answers to other questionnaires are not read"
    ]


def test_answers_to_other_questionnaires_may_be_of_anyone() -> None:
    other = response(subject={"reference": "Patient/mother"}, questionnaire="http://example.org/q")
    assert read(other).facts.reported == ()


def test_answers_of_somebody_else_to_our_questions_are_refused() -> None:
    with pytest.raises(Unreadable):
        read(response(answer("palpitations", YES), subject={"reference": "Patient/mother"}))


@pytest.mark.parametrize("status", ["in-progress", "stopped", "entered-in-error"])
def test_answers_that_are_not_final_are_not_read(status: str) -> None:
    assert said(answer("palpitations", YES), status=status) == ()


def test_amended_answers_are_read() -> None:
    assert said(answer("palpitations", YES), status="amended")


@pytest.mark.parametrize(
    "values",
    [[{"valueString": "a bit"}], [YES, NO], [{}], [{"valueCoding": {"code": "Y"}}]],
)
def test_an_answer_that_is_neither_yes_nor_no_is_asked_about(values: list[Json]) -> None:
    (question,) = read(response(answer("palpitations", *values))).questions
    assert question.expression == HERE
    assert question.question.endswith("Is the answer yes or no?")


@pytest.mark.parametrize("values", [[{"valueInteger": 15}], [{"valueInteger": -1}], [YES]])
def test_days_that_cannot_be_are_asked_about(values: list[Json]) -> None:
    (question,) = read(response(answer("missed-days", *values))).questions
    assert question.expression == HERE
    assert question.question.endswith("What is the answer, as a number from 0 to 14?")


def test_a_question_that_the_questionnaire_does_not_have_is_said_to_be_passed_over() -> None:
    record = read(response(answer("mood", YES)))
    assert [(u.expression, u.why) for u in record.unread] == [
        (HERE, "the questionnaire that it names has no such question")
    ]


def test_answers_after_the_day_of_reading_are_of_the_future() -> None:
    assert said(answer("palpitations", YES), authored="2026-03-21") == (
        Known("palpitations", HERE, (AS_OF.replace(day=21) - AS_OF).days),
    )
