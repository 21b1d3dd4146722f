"""Questions and answers over HTTP: an answer counts for its own question, and for no other."""

import json
from typing import Any

import httpx2 as httpx
import pytest
from tests.api import hooks
from tests.properties.answers.records import AS_OF, PATIENT, Chart, a_day, bundle, mass

from crossgrain.names.identity import FhirVersion
from crossgrain.writing.forms import to_json

Resource = dict[str, Any]
TEXT_ONLY = "12-text-only-sig.json"
R4 = Chart(FhirVersion.R4, 100)
UNCLEAR = bundle([R4.order([{"text": "as directed"}])])


def call(record: Resource, *answers: Resource, **options: str) -> Resource:
    said = {"target": "desiccated-thyroid", **options}
    return {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "record", "resource": record},
            {"name": "as-of", "valueDate": AS_OF},
            *({"name": name, "valueCode": value} for name, value in said.items()),
            *({"name": "answers", "resource": each} for each in answers),
        ],
    }


def post(client: httpx.Client, body: Resource, operation: str = "$propose-switch") -> Any:
    return client.post(
        f"/fhir/r4/{operation}",
        content=to_json(body),
        headers={"content-type": "application/fhir+json"},
    )


def resources(answer: Resource, kind: str) -> list[Resource]:
    return [e["resource"] for e in answer["entry"] if e["resource"]["resourceType"] == kind]


def asked(client: httpx.Client, record: Resource = UNCLEAR, **options: str) -> Resource:
    answer = post(client, call(record, **options)).json()
    (form,) = resources(answer, "Questionnaire")
    return form


def response(form: Resource, code: str | None = None, dose: Resource | None = None) -> Resource:
    """The first question answered, by a choice or by a dose of levothyroxine."""
    link = form["item"][0]["linkId"]
    answer: Resource = {"valueCoding": {"system": form["url"], "code": code or "otherwise"}}
    if dose:
        answer["item"] = [{"linkId": f"{link}.levothyroxine", "answer": [{"valueQuantity": dose}]}]
    return {
        "resourceType": "QuestionnaireResponse",
        "status": "completed",
        "questionnaire": form["url"],
        "item": [{"linkId": link, "answer": [answer]}],
    }


def refused(client: httpx.Client, *answers: Resource, record: Resource = UNCLEAR) -> Resource:
    answer = post(client, call(record, *answers))
    assert answer.status_code in {400, 422}
    (issue,) = answer.json()["issue"]
    return issue


def test_the_same_name_stands_in_the_form_and_in_the_data_requirements(client):
    answer = post(client, call(UNCLEAR)).json()
    guidance = answer["entry"][0]["resource"]
    (form,) = resources(answer, "Questionnaire")
    names = [item["linkId"] for item in form["item"]]
    assert [each["id"] for each in guidance["dataRequirement"]] == names
    assert all(0 < len(name) <= 64 for name in names)
    assert guidance["dataRequirement"][0]["type"] == "MedicationRequest"
    assert guidance["dataRequirement"][0]["mustSupport"] == ["dosageInstruction[0].text"]


def test_a_question_shows_the_medicine_and_the_words_it_asks_about(client):
    record = bundle([R4.order([{"text": "as directed"}], {"text": "levothyroxine 100 mcg"})])
    (item,) = asked(client, record)["item"]
    assert item["text"].startswith("levothyroxine 100 mcg: ")
    assert item["item"][0]["text"] == "The record says: “as directed”"
    shown = [each["valueCoding"]["display"] for each in item["answerOption"]]
    assert shown[0] == "levothyroxine sodium: 100 micrograms a day"


@pytest.mark.parametrize("with_ids", [True, False])
def test_a_name_does_not_follow_the_place_of_the_resource(client, with_ids):
    chart = Chart(FhirVersion.R4, 100, with_ids)
    order = chart.order([{"text": "as directed"}])
    other = chart.order([a_day(5)], {"text": "liothyronine sodium"}, own="r2")
    first, last = asked(client, bundle([order, other])), asked(client, bundle([other, order]))
    assert first["item"][0]["linkId"] == last["item"][0]["linkId"]
    assert first["url"] == last["url"]


def test_the_form_of_another_patient_has_another_name(client):
    other = {**PATIENT, "id": "q"}
    order = {**R4.order([{"text": "as directed"}]), "subject": {"reference": "Patient/q"}}
    entries = [{"resource": other}, {"resource": order}]
    form = asked(client, {"resourceType": "Bundle", "type": "collection", "entry": entries})
    assert form["url"] != asked(client)["url"]
    empty = bundle([])
    of_other = {"resourceType": "Bundle", "type": "collection", "entry": entries[:1]}
    assert asked(client, empty)["url"] != asked(client, of_other)["url"]


def test_an_answer_from_before_the_record_changed_is_refused(client):
    old = response(asked(client), dose=mass(100))
    changed = bundle([R4.order([{"text": "use as told"}])])
    issue = refused(client, old, record=changed)
    assert issue["expression"] == ["Parameters.parameter[3].resource.questionnaire"]
    clear = bundle([R4.order([a_day(125)])])
    assert refused(client, old, record=clear)["expression"] == issue["expression"]


DOSE = "item[0].answer[0].item[0].answer[0].value"


def dose_in(response):
    return response["item"][0]["answer"][0]["item"][0]["answer"][0]["valueQuantity"]


WRONG = {
    "another question": (
        lambda r: r["item"][0].update(linkId="0" * 32),
        "item[0].answer[0]",
    ),
    "another part of the question": (
        lambda r: r["item"][0]["answer"][0]["item"][0].update(
            linkId=f"{r['item'][0]['linkId']}.liothyronine"
        ),
        "item[0].answer[0].item[0].answer[0]",
    ),
    "a choice of no question": (
        lambda r: r["item"][0]["answer"][0]["valueCoding"].update(code="levothyroxine_999"),
        "item[0].answer[0].value.code",
    ),
    "a code of another system": (
        lambda r: r["item"][0]["answer"][0]["valueCoding"].update(system="http://x.example"),
        "item[0].answer[0].value.system",
    ),
    "words for a choice": (
        lambda r: r["item"][0]["answer"][0].update(valueCoding=None, valueString="100"),
        "item[0].answer[0].value",
    ),
    "words for a dose": (
        lambda r: r["item"][0]["answer"][0]["item"][0].update(answer=[{"valueString": "100 mcg"}]),
        "item[0].answer[0].item[0].answer[0].value",
    ),
    "a dose below nothing": (lambda r: dose_in(r).update(value=-1), f"{DOSE}.value"),
    "a dose beside a choice": (
        lambda r: r["item"][0]["answer"][0]["valueCoding"].update(code="not-taken"),
        "item[0].answer[0].item[0].answer[0]",
    ),
    "no dose": (
        lambda r: r["item"][0]["answer"][0].pop("item"),
        "item[0].answer[0]",
    ),
    "two answers": (
        lambda r: r["item"].append(r["item"][0]),
        "item[1].answer[0].item[0].answer[0]",
    ),
    "answers that are not final": (lambda r: r.update(status="in-progress"), "status"),
    "another patient's answers": (
        lambda r: r.update(subject={"reference": "Patient/other"}),
        "subject",
    ),
    "another form": (lambda r: r.update(questionnaire="urn:uuid:0"), "questionnaire"),
    "a modifier": (lambda r: r.update(modifierExtension=[{"url": "x"}]), "modifierExtension"),
    "an item without a name": (lambda r: r["item"][0].pop("linkId"), "item[0]"),
    "items that are no list": (lambda r: r.update(item={}), "item"),
}


@pytest.mark.parametrize("wrong", WRONG)
def test_an_answer_that_does_not_fit_is_refused_where_it_stands(client, wrong):
    spoil, place = WRONG[wrong]
    answer = json.loads(to_json(response(asked(client), dose=mass(100))))
    spoil(answer)
    issue = refused(client, answer)
    assert issue["expression"] == [f"Parameters.parameter[3].resource.{place}"]
    assert issue["severity"] == "error"


def test_answers_that_are_no_response_are_refused(client):
    issue = refused(client, {"resourceType": "Patient"})
    assert issue["expression"] == ["Parameters.parameter[3].resource"]


@pytest.mark.parametrize(
    ("value", "plausible"),
    [(12, False), (12.5, True), (13, True), (399, True), (400, True), (401, False)],
)
def test_a_dose_that_is_not_plausible_is_asked_again_by_name_and_place(client, value, plausible):
    form = asked(client)
    answer = post(client, call(UNCLEAR, response(form, dose=mass(value)))).json()
    again = resources(answer, "Questionnaire")
    assert bool(again) is not plausible
    for one in again:
        assert one["item"][0]["linkId"] != form["item"][0]["linkId"] or one["url"] != form["url"]
        assert "not plausible" in one["item"][0]["text"]
        outcome = answer["entry"][0]["resource"]["contained"][0]
        expression = "Parameters.parameter[0].resource.entry[1].resource.dosageInstruction[0]"
        assert outcome["issue"][0]["expression"] == [expression]


def test_what_an_answer_raised_is_answered_in_the_same_call(client):
    first = response(asked(client), dose=mass(100000))
    (again,) = resources(post(client, call(UNCLEAR, first)).json(), "Questionnaire")
    second = response(again, dose=mass(100))
    answer = post(client, call(UNCLEAR, second, first)).json()
    assert answer["entry"][0]["resource"]["status"] == "success"


def test_a_dose_without_a_unit_is_asked_again(client):
    answer = post(client, call(UNCLEAR, response(asked(client), dose={"value": 100}))).json()
    (again,) = resources(answer, "Questionnaire")
    assert "100 without a unit" in again["item"][0]["text"]


def test_a_question_that_was_left_open_is_asked_on(client):
    empty = {**response(asked(client)), "item": []}
    answer = post(client, call(UNCLEAR, empty)).json()
    assert resources(answer, "Questionnaire")[0]["url"] == empty["questionnaire"]


def test_what_was_answered_stands_in_the_rationale_and_in_the_provenance(client):
    given = response(asked(client), dose=mass(100))
    answer = post(client, call(UNCLEAR, given)).json()
    guidance = answer["entry"][0]["resource"]
    rationale = next(c for c in guidance["contained"] if c["resourceType"] == "Parameters")
    (told,) = [p for p in rationale["parameter"] if p["name"] == "answered"]
    parts = {part["name"]: part["valueString"] for part in told["part"]}
    assert parts["answer"] == "levothyroxine sodium: 100 micrograms a day"
    assert parts["expression"].endswith("dosageInstruction[0].text")
    (provenance,) = resources(answer, "Provenance")
    (source,) = resources(answer, "QuestionnaireResponse")
    cited = [entity["what"]["reference"] for entity in provenance["entity"]]
    assert f"urn:uuid:{source['id']}" in cited


def test_what_was_answered_travels_with_what_is_filed(client):
    given = response(asked(client, bundle([])), dose=mass(100))
    answer = post(client, call(bundle([]), given, response="transaction")).json()
    (source,) = resources(answer, "QuestionnaireResponse")
    (statement,) = resources(answer, "MedicationStatement")
    named = {entry["fullUrl"]: entry["request"] for entry in answer["entry"]}
    for each in (source, statement):
        request = named[f"urn:uuid:{each['id']}"]
        assert request["method"] == "POST"
        assert request["ifNoneExist"].startswith("_tag=")
    assert statement["subject"] == {"reference": "Patient/p"}
    text = json.dumps(answer)
    assert f"urn:uuid:{statement['id']}" in text.replace(statement["id"] + '"', "", 1)


@pytest.mark.parametrize("operation", ["$propose-switch", "$next-step", "$compare-bases"])
def test_every_operation_that_reads_a_dose_takes_answers(client, operation):
    said = {"target": "desiccated-thyroid"} if operation != "$next-step" else {}

    def called(*answers: Resource) -> Any:
        body = call(UNCLEAR, *answers)
        if not said:
            body["parameter"] = [p for p in body["parameter"] if p["name"] != "target"]
        return post(client, body, operation)

    first = called().json()
    if operation == "$compare-bases":
        form = next(p["resource"] for p in first["parameter"] if p["name"] == "questionnaire")
        (question,) = [p for p in first["parameter"] if p["name"] == "question"]
        named = {p["name"]: p["valueString"] for p in question["part"]}
        assert named["id"] == form["item"][0]["linkId"]
    else:
        (form,) = resources(first, "Questionnaire")
    after = called(response(form, dose=mass(100)))
    assert after.status_code == 200
    if operation == "$compare-bases":
        names = [p["name"] for p in after.json()["parameter"]]
        assert "basis" in names
        assert "answered" in names
        assert "question" not in names
    else:
        assert after.json()["entry"][0]["resource"]["status"] == "success"


@pytest.mark.parametrize("operation", ["$screen-switches", "PlanDefinition/regimen-switch/$apply"])
def test_an_operation_that_takes_no_answers_says_so(client, operation):
    body = call(UNCLEAR, response(asked(client), dose=mass(100)))
    answer = post(client, body, operation)
    assert answer.status_code in {400, 422}
    assert "answers" not in [
        issue.get("expression") for issue in answer.json()["issue"] if not issue.get("expression")
    ]


STATEMENT = {"derivedFrom": [{"reference": "MedicationRequest/r1"}]}
BASED_ON = {"basedOn": [{"reference": "MedicationRequest/r1"}]}


@pytest.mark.parametrize("tie", [STATEMENT, BASED_ON], ids=["derivedFrom", "basedOn"])
@pytest.mark.parametrize("unclear", [{"text": "as directed"}, {"text": "take 1 to 2 tablets"}])
def test_a_statement_made_from_an_order_in_question_answers_it(client, tie, unclear):
    record = bundle([R4.order([unclear]), R4.statement([a_day(100)], **tie)])
    answer = post(client, call(record)).json()
    assert answer["entry"][0]["resource"]["status"] == "success"
    outcome = answer["entry"][0]["resource"]["contained"][0]
    assert any("is answered by" in issue["details"]["text"] for issue in outcome["issue"])


@pytest.mark.parametrize(
    "order",
    [
        R4.order([{"text": "as directed"}], {"text": "liothyronine sodium"}),
        R4.order([{"text": "as directed"}], authoredOn="2025-03-04T08:00:00Z", status="unknown"),
    ],
    ids=["another hormone", "written since"],
)
def test_a_statement_does_not_answer_an_order_that_it_cannot_speak_of(client, order):
    record = bundle([order, R4.statement([a_day(100)], **STATEMENT)])
    assert resources(post(client, call(record)).json(), "Questionnaire")


R5 = Chart(FhirVersion.R5, 100)
LT3 = {"text": "liothyronine sodium"}


def not_taken(chart: Chart, **more: Any) -> Resource:
    """That the liothyronine of an order is not taken."""
    said = {"derivedFrom": [{"reference": "MedicationRequest/r2"}], "effectivePeriod": None, **more}
    if chart.version is FhirVersion.R5:
        said = {"adherence": {"code": {"coding": [{"code": "not-taking"}]}}, **said}
    else:
        said = {"status": "not-taken", **said}
    statement = chart.statement([], LT3, **said)
    return {key: value for key, value in statement.items() if value is not None}


QUESTIONED: dict[str, Resource] = {
    "its dose": {"dosageInstruction": [{"text": "as directed"}]},
    "whether it is taken": {"status": "unknown"},
    "what it is": {"medicationCodeableConcept": {"text": "thyroid medication"}},
}


@pytest.mark.parametrize("operation", ["$propose-switch", "$next-step"])
@pytest.mark.parametrize("chart", [R4, R5], ids=["r4", "r5"])
@pytest.mark.parametrize("question", [*QUESTIONED, "nothing but this statement"])
def test_a_statement_of_an_order_that_it_is_not_taken_answers_what_is_asked_of_it(
    client, operation, chart, question
):
    more = QUESTIONED.get(question, {})
    if chart.version is FhirVersion.R5 and "medicationCodeableConcept" in more:
        more = {"medication": {"concept": more["medicationCodeableConcept"]}}
    order = {**chart.order([a_day(10)], LT3, own="r2"), **more}
    clear = chart.order([a_day(100)])

    def answer(*made: Resource) -> Any:
        body = call(bundle(list(made)))
        if operation == "$next-step":
            body["parameter"] = [p for p in body["parameter"] if p["name"] != "target"]
        return client.post(
            f"/fhir/{chart.version.value}/{operation}",
            content=to_json(body),
            headers={"content-type": "application/fhir+json"},
        ).json()

    if question in QUESTIONED:
        assert resources(answer(clear, order), "Questionnaire")
    since = {"effectivePeriod": {"start": "2024-11-04"}}  # else it is asked what was taken before
    said = not_taken(chart, **(since if operation == "$next-step" else {}))
    after, alone = answer(clear, order, said), answer(clear)
    assert after["entry"][0]["resource"]["status"] == "success"
    assert "made from it, says so" in json.dumps(after["entry"][0]["resource"]["contained"][0])
    assert dosages(after) == dosages(alone)
    assert dosages(after)


def dosages(answer: Resource) -> list[Any]:
    return [each["dosageInstruction"] for each in resources(answer, "MedicationRequest")]


@pytest.mark.parametrize(
    ("said", "order"),
    [
        ({"derivedFrom": [{"reference": "MedicationRequest/other"}]}, {}),
        ({"derivedFrom": [{"reference": "MedicationRequest/r1"}]}, {}),
        ({"dateAsserted": "2024-11-05"}, {"authoredOn": "2025-01-07"}),
        ({"effectivePeriod": {"start": "2024-12-01", "end": "2024-12-08"}}, {}),
        ({"status": "stopped"}, {}),
    ],
    ids=["another order", "of another hormone", "before the order", "for a week", "no such word"],
)
def test_a_statement_that_does_not_say_so_of_today_and_of_this_order_leaves_the_question_open(
    client, said, order
):
    asked_of = {**R4.order([{"text": "as directed"}], LT3, own="r2"), **order}
    record = bundle([R4.order([a_day(100)]), asked_of, not_taken(R4, **said)])
    assert resources(post(client, call(record)).json(), "Questionnaire")


def test_an_order_of_which_nothing_is_asked_stands_beside_an_older_word_against_it(
    client,
):
    record = bundle([
        R4.order([a_day(100)]),
        R4.order([a_day(10)], LT3, own="r2", authoredOn="2025-02-03"),
        not_taken(R4, dateAsserted="2025-01-07"),
    ])  # fmt: skip
    answer = post(client, call(record)).json()
    assert "made from it, says so" not in json.dumps(answer["entry"][0]["resource"]["contained"])


def test_a_statement_that_is_unclear_itself_answers_nothing(client):
    said = R4.statement([{"text": "as directed"}], **STATEMENT)
    record = bundle([R4.order([{"text": "as directed"}]), said])
    answer = post(client, call(record)).json()
    (asked_about,) = answer["entry"][0]["resource"]["dataRequirement"]
    assert asked_about["type"] == "MedicationStatement"


def asking_call() -> tuple[Resource, Resource]:
    """A hook at an order for desiccated thyroid, and the order in force, which says two doses."""
    hook = hooks.call(TEXT_ONLY, [hooks.grains(60, "p12")])
    (entry,) = hook["prefetch"]["medicationRequests"]["entry"]
    order = entry["resource"]
    order["dosageInstruction"] = [{"text": "take 100 mcg daily", **a_day(150)}]
    return hook, order


def test_a_card_offers_one_statement_for_each_dose_and_recommends_none(client):
    hook, order = asking_call()
    (card,) = client.post(hooks.ORDER, json=hook).json()["cards"]
    assert "“take 100 mcg daily”" in card["detail"]
    offered = card["suggestions"]
    assert [each["label"].rpartition(": ")[2] for each in offered] == [
        "150 micrograms a day",
        "100 micrograms a day",
    ]
    assert not any(each.get("isRecommended") for each in offered)
    for each, dose in zip(offered, (150, 100), strict=True):
        (action,) = each["actions"]
        statement = action["resource"]
        assert (action["type"], statement["resourceType"]) == ("create", "MedicationStatement")
        assert statement["derivedFrom"] == [{"reference": f"MedicationRequest/{order['id']}"}]
        assert statement["dosage"][0]["doseAndRate"][0]["doseQuantity"]["value"] == dose


@pytest.mark.parametrize("place", [0, 1])
def test_once_a_reply_is_accepted_the_next_call_does_not_ask_again(client, place):
    hook, _ = asking_call()
    (card,) = client.post(hooks.ORDER, json=hook).json()["cards"]
    statement = card["suggestions"][place]["actions"][0]["resource"]
    hook["prefetch"]["medicationStatements"] = hooks.searchset([statement])
    cards = client.post(hooks.ORDER, json=hook).json()["cards"]
    assert cards
    assert all("answered first" not in each["summary"] for each in cards)
    dose = (150, 100)[place]
    assert any(f"levothyroxine sodium {dose} micrograms" in each["detail"] for each in cards)


def test_at_the_order_a_statement_that_it_is_not_taken_answers_as_well(client):
    hook, _ = asking_call()
    (order,) = [e["resource"] for e in hook["prefetch"]["medicationRequests"]["entry"]]
    other = {**order, "id": "other", "medicationCodeableConcept": LT3,
             "dosageInstruction": [{"text": "as directed"}]}  # fmt: skip
    clear = {**order, "dosageInstruction": [a_day(100)]}
    hook["prefetch"]["medicationRequests"] = hooks.searchset([clear, other])
    (card,) = client.post(hooks.ORDER, json=hook).json()["cards"]
    assert "answered first" in card["summary"]
    statement = {
        "resourceType": "MedicationStatement", "id": "s", "status": "not-taken",
        "subject": order["subject"], "medicationCodeableConcept": LT3, "dateAsserted": AS_OF,
        "derivedFrom": [{"reference": "MedicationRequest/other"}],
    }  # fmt: skip
    hook["prefetch"]["medicationStatements"] = hooks.searchset([statement])
    cards = client.post(hooks.ORDER, json=hook).json()["cards"]
    assert cards
    assert all("answered first" not in each["summary"] for each in cards)


def test_a_draft_that_is_unclear_is_asked_about_and_no_statement_made_of_it(client):
    draft = {**hooks.grains(60, "p01"), "dosageInstruction": [{"text": "as directed"}]}
    (card,) = client.post(
        hooks.ORDER, json=hooks.call("01-levothyroxine-150.json", [draft])
    ).json()["cards"]
    assert "answered first" in card["summary"]
    assert "suggestions" not in card


@pytest.mark.parametrize("operation", ["$propose-switch", "$next-step"])
def test_what_is_asked_of_a_record_without_a_hormone_is_placed_at_the_record(client, operation):
    """An expression of the subset that OperationOutcome.issue.expression allows, from its root."""
    without = {
        **UNCLEAR,
        "entry": [e for e in UNCLEAR["entry"] if "Medication" not in e["resource"]["resourceType"]],
    }
    body = call(without)
    if operation == "$next-step":
        body["parameter"] = [p for p in body["parameter"] if p["name"] != "target"]
    answer = post(client, body, operation).json()
    outcome = answer["entry"][0]["resource"]["contained"][0]
    assert outcome["issue"][0]["expression"] == ["Parameters.parameter[0].resource"]
