"""`order-select` and `order-sign`: what is said of an order, and when nothing is."""

from collections.abc import Callable

import pytest
from fastapi.testclient import TestClient
from markdown_it import MarkdownIt

from .calls import LT4, Resource
from .hooks import ORDER, call, grains, levothyroxine, liothyronine, order

Cards = Callable[[Resource], list[Resource]]
GRAINS = "02-desiccated-120.json"


@pytest.fixture
def cards(client: TestClient) -> Cards:
    def ask(body: Resource) -> list[Resource]:
        answer = client.post(ORDER, json=body)
        assert answer.status_code == 200, answer.text
        assert set(answer.json()) == {"cards"}  # never a system action for a dose
        found: list[Resource] = answer.json()["cards"]
        return found

    return ask


# The four slips that an order check is for, each by name.
SLIPS = [
    pytest.param(
        call("11-adrenal-insufficiency.json", [grains(60, "p11")]),
        "under-dosed",
        id="a grain for 100 µg",
    ),
    pytest.param(call(GRAINS, [levothyroxine(200, "p02")]), "too much", id="label chart reversed"),
    pytest.param(
        call("05-liothyronine-50.json", [levothyroxine(12.5, "p05")]),
        "under-dosed",
        id="T3 at a factor of four in the wrong direction",
    ),
    pytest.param(
        call(GRAINS, [levothyroxine(100, "p02")]),
        "nothing says that the old medicine ends",
        id="old medicine never stopped",
    ),
]


@pytest.mark.parametrize(("body", "words"), SLIPS)
def test_each_classic_slip_has_its_card(cards: Cards, body: Resource, words: str) -> None:
    if "under-dosed" in words:
        _, old = standing_order(body)
        body["context"]["draftOrders"]["entry"][0]["resource"]["priorPrescription"] = {
            "reference": old
        }
    (card,) = cards(body)
    assert card["indicator"] in {"warning", "critical"}
    said = card["summary"] + card["detail"]
    assert words in said, said


@pytest.mark.parametrize("hook", ["order-select", "order-sign"])
def test_the_card_names_the_order_and_offers_the_series(cards: Cards, hook: str) -> None:
    (card,) = cards(call(LT4, [grains(60, "p01")], hook))
    assert card["summary"].startswith("Desiccated thyroid 60 mg a day: 0.333 of today's dose")
    assert len(card["summary"]) < 140
    assert "(MedicationRequest/rx-1)" in card["detail"]
    first = card["suggestions"][0]
    assert (first["isRecommended"], card["selectionBehavior"]) == (True, "at-most-one")
    kinds = [action["type"] for action in first["actions"]]
    assert kinds == sorted(kinds, key=["delete", "update", "create"].index)
    assert first["actions"][0]["resource"]["id"] == "rx-1"
    created = [a["resource"]["resourceType"] for a in first["actions"] if a["type"] == "create"]
    assert created == ["MedicationRequest", "Task", "ServiceRequest"]
    assert "links" not in card


def referring(resources: list[Resource]) -> list[Resource]:
    """What of resources may refer to others: the mark of a series names its plan alone."""
    apart = {"text", "extension"}
    return [{key: r[key] for key in r if key not in apart} for r in resources]


def test_every_suggestion_says_what_becomes_of_the_tablets_at_home(cards: Cards) -> None:
    (card,) = cards(call(GRAINS, [levothyroxine(200, "p02")]))
    for suggestion in card["suggestions"]:
        (ending,) = (
            action["description"]
            for action in suggestion["actions"]
            if action.get("resource", {}).get("resourceType") == "Task"
        )
        assert "Desiccated thyroid 60 mg tablets at home: From " in ending
        assert "Take what is left to a pharmacy." in ending


def test_the_series_is_drafts_and_proposals_that_refer_to_each_other_by_type_and_id(
    cards: Cards,
) -> None:
    (card,) = cards(call(GRAINS, [levothyroxine(200, "p02")]))
    created = [a["resource"] for a in card["suggestions"][1]["actions"] if a["type"] == "create"]
    known = {f"{r['resourceType']}/{r['id']}" for r in created}
    assert {r["status"] for r in created} == {"draft"}
    assert {r["intent"] for r in created if "intent" in r} == {"proposal"}
    plan = next(r for r in created if r["resourceType"] == "CarePlan")
    assert {a["reference"]["reference"] for a in plan["activity"]} <= known
    assert all(
        r["basedOn"][0]["reference"] == f"CarePlan/{plan['id']}"
        for r in created
        if r["resourceType"] == "MedicationRequest"
    )
    assert "urn:uuid:" not in str(referring(created))
    assert {"reference": "MedicationRequest/rx-1"} in plan["supportingInfo"]


QUIET = [
    pytest.param(call(LT4, [levothyroxine(150, "p01")]), id="a renewal"),
    pytest.param(call(LT4, [levothyroxine(175, "p01")]), id="a titration up"),
    pytest.param(call(LT4, [levothyroxine(75, "p01")]), id="a titration down"),
    pytest.param(call(LT4, [order("amoxicillin", "723", 500, "mg", "p01")]), id="another medicine"),
    pytest.param(call(LT4, []), id="no order at all"),
    pytest.param(
        call(
            LT4,
            [grains(60, "p01"), order("amoxicillin", "723", 5, "mg", "p01", own_id="rx-2")],
            "order-select",
            ["MedicationRequest/rx-2"],
        ),
        id="a slip that is not what was selected",
    ),
    pytest.param(
        call(LT4, [grains(60, "p01")], "order-select", ["NutritionOrder/diet"]),
        id="a selection that is no medicine",
    ),
]


@pytest.mark.parametrize("body", QUIET)
def test_there_is_nothing_to_say(cards: Cards, body: Resource) -> None:
    assert cards(body) == []


def test_a_switch_that_fits_and_says_what_it_replaces_is_passed_over(cards: Cards) -> None:
    body = call(GRAINS, [levothyroxine(100, "p02")])
    _, old = standing_order(body)
    body["context"]["draftOrders"]["entry"][0]["resource"]["priorPrescription"] = {"reference": old}
    assert cards(body) == []


def test_what_holds_only_of_the_plan_is_no_reason_to_interrupt_an_order_that_fits(
    cards: Cards,
) -> None:
    """The series that is not offered would pass 300 µg of levothyroxine; 275 µg do not."""
    body = call(GRAINS, [levothyroxine(275, "p02")])
    taken, old = standing_order(body)
    (line,) = taken["dosageInstruction"]
    line["text"] = "5 tablets once daily"
    line["doseAndRate"][0]["doseQuantity"]["value"] = 5
    body["context"]["draftOrders"]["entry"][0]["resource"]["priorPrescription"] = {"reference": old}
    assert cards(body) == []


def standing_order(body: Resource) -> tuple[Resource, str]:
    """The one thing stated as taken now, made into an order that another can replace."""
    prefetch = body["prefetch"]
    (taken,) = [entry["resource"] for entry in prefetch["medicationStatements"]["entry"]]
    request = {
        "resourceType": "MedicationRequest",
        "id": "old-1",
        "status": "active",
        "intent": "order",
        "subject": taken["subject"],
        "medicationCodeableConcept": taken["medicationCodeableConcept"],
        "authoredOn": "2025-01-02",
        "dosageInstruction": taken["dosage"],
    }
    entry = {"resource": request, "search": {"mode": "match"}}
    prefetch["medicationRequests"] = {
        "resourceType": "Bundle", "type": "searchset", "total": 1, "entry": [entry],
    }  # fmt: skip
    prefetch["medicationStatements"] = None
    return request, "MedicationRequest/old-1"


def test_where_only_the_end_of_the_old_order_is_missing_the_order_is_updated(cards: Cards) -> None:
    body = call(GRAINS, [levothyroxine(100, "p02")])
    _, old = standing_order(body)
    draft = body["context"]["draftOrders"]["entry"][0]["resource"]
    (card,) = cards(body)
    said, series = card["suggestions"]
    assert card["selectionBehavior"] == "at-most-one"  # the one would undo the other
    assert (said["isRecommended"], "isRecommended" in series) == (True, False)
    (action,) = said["actions"]
    assert action["type"] == "update"
    assert action["resource"] == {**draft, "priorPrescription": {"reference": old}}


def test_what_an_order_says_that_it_replaces_is_never_written_over(cards: Cards) -> None:
    """The prescriber has said which order ends: another there would leave that one standing."""
    body = call(GRAINS, [levothyroxine(100, "p02")])
    standing_order(body)
    draft = body["context"]["draftOrders"]["entry"][0]["resource"]
    draft["priorPrescription"] = {"reference": "MedicationRequest/another"}
    updates = [
        action["resource"]
        for card in cards(body)
        for suggestion in card.get("suggestions", [])
        for action in suggestion["actions"]
        if action["type"] == "update"
    ]
    assert updates
    for updated in updates:
        assert updated["priorPrescription"] == {"reference": "MedicationRequest/another"}


def test_an_order_that_is_signed_again_is_judged_against_what_stands(cards: Cards) -> None:
    body = call(LT4, [])
    standing, reference = standing_order(body)
    revised = grains(60, "p01", own_id=reference.partition("/")[2]) | {"status": "active"}
    body["context"]["draftOrders"]["entry"] = [{"resource": revised}]
    (card,) = cards(body)
    assert "0.333 of today's dose" in card["summary"]
    deletions = [a for s in card["suggestions"] for a in s["actions"] if a["type"] == "delete"]
    assert deletions == []  # it stands; only an order in draft is removed
    assert standing["status"] == "active"
    actions = [action for each in card["suggestions"] for action in each["actions"]]
    assert "urn:uuid:" not in str(referring([a["resource"] for a in actions if "resource" in a]))


def test_two_orders_of_one_session_are_judged_together_and_the_selected_one_is_named(
    cards: Cards,
) -> None:
    drafts = [grains(60, "p01"), liothyronine(25, "p01", own_id="rx-2")]
    (card,) = cards(call(LT4, drafts, "order-select", ["MedicationRequest/rx-2"]))
    assert card["summary"].startswith("Liothyronine sodium 25 micrograms a day")
    assert "**Order**: liothyronine" in card["detail"]
    assert "Judged together with: desiccated thyroid 60 mg a day" in card["detail"]


def test_a_jump_in_t3_is_said_even_where_it_is_open_what_the_order_replaces(cards: Cards) -> None:
    (card,) = cards(call(LT4, [liothyronine(50, "p01")]))
    assert "T3 from 0 to 50 micrograms a day at once" in card["summary"]
    assert "Does this order replace what is taken now" in card["detail"]
    assert "suggestions" not in card


def test_a_stop_is_critical_and_offers_no_series(cards: Cards) -> None:
    (card,) = cards(call("11-adrenal-insufficiency.json", [grains(60, "p11")]))
    assert card["indicator"] == "critical"
    assert "STOP: The record holds adrenal insufficiency" in card["summary"]
    assert "suggestions" not in card
    assert "selectionBehavior" not in card


def test_what_cannot_be_read_is_asked_for_when_signing_and_not_while_selecting(
    cards: Cards,
) -> None:
    text_only = "12-text-only-sig.json"
    (card,) = cards(call(text_only, [grains(60, "p12")]))
    assert card["indicator"] == "info"
    assert "“as directed by the clinic”**: How much is taken, and how often?" in card["detail"]
    assert cards(call(text_only, [grains(60, "p12")], "order-select")) == []


def test_an_order_without_its_dose_yet_is_passed_over_while_it_is_selected(cards: Cards) -> None:
    unfinished = grains(60, "p01")
    del unfinished["dosageInstruction"]
    assert cards(call(LT4, [unfinished], "order-select")) == []
    (card,) = cards(call(LT4, [unfinished]))
    assert "- **thyroid (USP) 60 MG Oral Tablet**: No dosage is given." in card["detail"]
    assert "draftOrders" not in card["detail"]


def test_of_two_orders_that_read_alike_each_is_asked_about_at_its_place(cards: Cards) -> None:
    unfinished = [grains(60, "p01"), grains(60, "p01", own_id="rx-2")]
    for each in unfinished:
        del each["dosageInstruction"]
    said = "".join(card["detail"] for card in cards(call(LT4, unfinished)))
    for place in range(2):
        assert f"(context.draftOrders.entry\\[{place}\\].resource" in said


def test_our_own_proposals_are_not_judged_when_they_are_signed(cards: Cards) -> None:
    (card,) = cards(call(LT4, [grains(60, "p01")]))
    ours = card["suggestions"][0]["actions"][0]["resource"]
    assert cards(call(LT4, [ours])) == []


def test_the_same_call_gives_the_same_cards_and_another_instance_other_names(cards: Cards) -> None:
    body = call(LT4, [grains(60, "p01")])
    first, again = cards(body), cards(body)
    assert first == again
    body["hookInstance"] = "00000000-0000-4000-8000-000000000000"
    assert cards(body)[0]["uuid"] != first[0]["uuid"]


HOSTILE = "<script>x</script> [a](javascript:y) **b** | c `d` http://e.example www.f.example\n# g"


def test_nothing_of_the_record_acts_in_the_markdown(cards: Cards) -> None:
    body = call("12-text-only-sig.json", [grains(60, "p12")])
    body["prefetch"]["conditions"] = {
        "resourceType": "OperationOutcome",
        "issue": [{"severity": "error", "code": "exception", "diagnostics": HOSTILE}],
    }
    for resource in body["prefetch"]["medicationRequests"]["entry"]:
        resource["resource"]["dosageInstruction"][0]["text"] = HOSTILE
        resource["resource"]["medicationCodeableConcept"]["text"] += HOSTILE
    for card in cards(body):
        html = MarkdownIt("commonmark", {"html": True}).enable("table").render(card["detail"])
        assert [tag for tag in ("<a ", "<h1", "<code", "<em", "<script") if tag in html] == []


def test_the_detail_renders_as_lists(cards: Cards) -> None:
    (card,) = cards(call(LT4, [grains(60, "p01")]))
    html = MarkdownIt("commonmark").render(card["detail"])
    assert html.count("<ul>") == 1  # loose: blank lines part its groups
    assert "<strong>New over old</strong>" in html
    assert "<strong>Proposed instead</strong>" in html
    assert "\\" not in html
