"""`patient-view` in the midst of a plan: one card when a decision is due, else none.

And a course that is carried by the cards alone. How many actions a card may have is our judgement.
"""

import copy
import json
import tomllib
from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from fastapi.testclient import TestClient
from fixtures.visits.chart import DAY_ONE, Chart, begun, first_day

from crossgrain.app.factory import create_app
from crossgrain.catalogue import Catalogue
from crossgrain.http.settings import Settings

from .acting_ehr import ActingEhr
from .calls import FHIR, Resource
from .hooks import REVIEW, chart_call, grains, levothyroxine

VISITS = Path(__file__).parents[2] / "fixtures" / "visits"
EVERY_VISIT = {v["name"]: v for v in tomllib.loads((VISITS / "visits.toml").read_text())["visit"]}
SILENT = {"on-time", "early-lab", "strength-out-of-stock", "plan-finished", "titration", "mixture"}
INDICATORS = {
    "pregnancy-in-mid-climb": "critical",
    "infarction-in-mid-climb": "critical",
    "started-ten-days-late": "info",
    "a-step-twice-as-long": "info",
}
SAID = {
    "late-lab": "step 6 of 6: labs are back. Next step: what the labs lead to (TSH high)",
    "lab-on-biotin": "labs are back. Next step: hold today's dose",
    "two-weeks-missed": "medicine was missed for a week or more",
    "palpitations-with-tsh-low": "palpitations or a fast pulse. Next step: go back one step",
    "palpitations-with-tsh-in-range": "palpitations or a fast pulse. Next step: hold",
    "palpitations-with-tsh-high": "palpitations or a fast pulse. Next step: answer",
    "pregnancy-in-mid-climb": "a pregnancy. Next step: turn back",
    "infarction-in-mid-climb": "the plan is stopped. Next step: stop the climb",
    "checkpoint-in-range": "what the labs lead to (TSH in range)",
    "dose-changed-by-hand": "where the patient stands cannot be told",
    "second-plan-begun": "where the patient stands cannot be told",
}


class Clinic:
    """The service, asked on days of the plan."""

    def __init__(self, catalogue: Catalogue) -> None:
        self._now = datetime.combine(DAY_ONE, time(12), ZoneInfo("UTC"))
        self._client = TestClient(create_app(Settings(), catalogue, clock=lambda: self._now))

    def cards(self, resources: list[Resource], day: date) -> list[Resource]:
        self._now = datetime.combine(day, time(12), ZoneInfo("UTC"))
        answer = self._client.post(REVIEW, json=chart_call(resources))
        assert answer.status_code == 200, answer.text
        assert len(answer.content) < 50_000
        found: list[Resource] = answer.json()["cards"]
        for card in found:
            assert len(card["detail"]) < 800
            assert sum(len(each["actions"]) for each in card.get("suggestions", ())) <= 6
        return found


@pytest.fixture(scope="module")
def clinic(catalogue: Catalogue) -> Clinic:
    return Clinic(catalogue)


def record_of(name: str) -> list[Resource]:
    bundle = json.loads((VISITS / f"{name}.json").read_text("utf-8"))
    return [entry["resource"] for entry in bundle["entry"]]


def day_of(name: str) -> date:
    return date.fromisoformat(EVERY_VISIT[name]["as_of"])


@pytest.mark.parametrize("name", EVERY_VISIT)
def test_every_ordinary_visit_has_one_card_or_none(clinic: Clinic, name: str) -> None:
    cards = clinic.cards(record_of(name), day_of(name))
    if name in SILENT:
        assert cards == []
        return
    (card,) = cards
    assert card["indicator"] == INDICATORS.get(name, "warning")
    assert SAID.get(name, "") in card["summary"]
    assert card["overrideReasons"]


@pytest.mark.parametrize("name", sorted(EVERY_VISIT.keys() - SILENT))
def test_what_is_created_carries_the_plan_and_what_is_ended_carries_no_later_dose(
    clinic: Clinic, name: str
) -> None:
    (card,) = clinic.cards(record_of(name), day_of(name))
    for action in actions_of(card):
        resource = action.get("resource", {})
        if action["type"] == "create" and resource["resourceType"] in {
            "CarePlan",
            "MedicationRequest",
        }:
            parts = {part["url"] for part in resource["extension"][0]["extension"]}
            assert {"plan", "original", "checkpoint", "day-one"} <= parts
        if action["type"] == "update":
            assert resource["status"] in {"stopped", "cancelled"}
            today = day_of(name).isoformat()
            doses = resource["dosageInstruction"] if resource["status"] == "stopped" else ()
            ends = [d["timing"]["repeat"]["boundsPeriod"]["end"] for d in doses]
            assert all(end < today for end in ends)


def actions_of(card: Resource) -> list[Resource]:
    return [action for each in card.get("suggestions", ()) for action in each["actions"]]


def test_a_stop_withdraws_what_has_not_begun_and_ends_nothing_that_is_taken(
    clinic: Clinic,
) -> None:
    """The climb ends, the hormone does not."""
    (card,) = clinic.cards(record_of("infarction-in-mid-climb"), day_of("infarction-in-mid-climb"))
    actions = actions_of(card)
    assert actions
    assert {action["resource"]["status"] for action in actions} == {"cancelled"}
    for action in actions:
        assert first_day(action["resource"]) > day_of("infarction-in-mid-climb").isoformat()


def test_what_must_be_answered_first_offers_no_order(clinic: Clinic) -> None:
    for name in ("palpitations-with-tsh-high", "dose-changed-by-hand", "second-plan-begun"):
        (card,) = clinic.cards(record_of(name), day_of(name))
        assert "suggestions" not in card
    assert (
        "Which is taken?"
        in clinic.cards(record_of("dose-changed-by-hand"), day_of("dose-changed-by-hand"))[0][
            "detail"
        ]
    )


def test_a_card_that_asks_says_that_nothing_rises_until_it_is_answered(clinic: Clinic) -> None:
    name = "palpitations-with-tsh-high"
    (card,) = clinic.cards(record_of(name), day_of(name))
    assert "no dose is to change: by the first order it would on 28 April 2025" in card["detail"]


def test_what_is_new_in_the_record_has_a_card_that_withdraws_the_rise(clinic: Clinic) -> None:
    record, day = record_of("on-time"), day_of("on-time")
    (patient,) = (each["id"] for each in record if each["resourceType"] == "Patient")
    new = {
        "resourceType": "Condition",
        "id": "new",
        "clinicalStatus": {"coding": [{"code": "active"}]},
        "code": {"coding": [{"system": "http://snomed.info/sct", "code": "49436004"}]},
        "subject": {"reference": f"Patient/{patient}"},
        "onsetDateTime": (day - timedelta(1)).isoformat(),
    }
    (card,) = clinic.cards([*record, new], day)
    assert card["indicator"] == "warning"
    assert "something new speaks against a rise. Next step: hold today's dose" in card["summary"]
    assert "atrial fibrillation" in card["detail"]
    ended = [a["resource"] for a in actions_of(card) if a["type"] == "update"]
    rising = [each for each in ended if each["resourceType"] == "MedicationRequest"]
    assert {first_day(each) > day.isoformat() for each in rising} == {True}


# --- the supply --------------------------------------------------------------------------------


def chart_without_orders_from(day: int) -> Chart:
    """A plan of which the orders that begin on a day or later were never signed, nor filed."""
    chart = begun("01-levothyroxine-150.json", "desiccated-thyroid")
    begins = (DAY_ONE + timedelta(day)).isoformat()
    chart.filed = [
        r for r in chart.filed if r["resourceType"] != "MedicationRequest" or first_day(r) < begins
    ]
    return chart


def first_order_after(day: int) -> int:
    chart = begun("01-levothyroxine-150.json", "desiccated-thyroid")
    days = [(date.fromisoformat(first_day(order)) - DAY_ONE).days for order in chart.orders()]
    return min(each for each in days if each > day)


@pytest.mark.parametrize(("before", "due"), [(8, False), (7, True), (6, True)])
def test_an_order_of_the_plan_is_asked_for_a_week_before_its_first_day(
    clinic: Clinic, before: int, due: bool
) -> None:
    begins = first_order_after(14)
    resources = chart_without_orders_from(begins).bundle()["entry"]
    cards = clinic.cards(
        [entry["resource"] for entry in resources], DAY_ONE + timedelta(begins - before)
    )
    assert bool(cards) is due
    if due:
        assert "the next order is due" in cards[0]["summary"]
        assert cards[0]["indicator"] == "info"


def test_an_order_that_is_filed_and_not_signed_is_made_an_order(clinic: Clinic) -> None:
    begins = first_order_after(14)
    chart = begun("01-levothyroxine-150.json", "desiccated-thyroid")
    day = DAY_ONE + timedelta(begins)
    for order in chart.orders():
        if first_day(order) >= day.isoformat():
            order.update(status="draft", intent="proposal")
    resources = [entry["resource"] for entry in chart.bundle()["entry"]]
    (card,) = clinic.cards(resources, day - timedelta(7))
    (action,) = actions_of(card)
    order = action["resource"]
    (proposed,) = (r for r in chart.orders() if first_day(r) == day.isoformat())
    assert action["type"] == "create"
    assert (order["status"], order["intent"]) == ("draft", "order")
    assert order["basedOn"] == [{"reference": f"MedicationRequest/{proposed['id']}"}]
    assert order["dosageInstruction"] == proposed["dosageInstruction"]
    assert order["extension"] == proposed["extension"]
    signed = [*resources, {**order, "status": "active"}]
    assert clinic.cards(signed, day - timedelta(7)) == []


@pytest.mark.parametrize(("after", "due"), [(27, False), (28, False), (29, True)])
def test_labs_that_do_not_come_are_overdue(clinic: Clinic, after: int, due: bool) -> None:
    """Two weeks after the draw, see `next_step.overdue_days`; the last supply has been renewed."""
    chart = begun("01-levothyroxine-150.json", "desiccated-thyroid")
    draw = 112
    resources = [entry["resource"] for entry in chart.bundle()["entry"]]
    cards = clinic.cards(resources, DAY_ONE + timedelta(draw + after - 14))
    assert any("labs are overdue" in card["summary"] for card in cards) is due


# --- the whole course --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("file", "order"),
    [
        ("01-levothyroxine-150.json", grains(60, "p01")),
        ("02-desiccated-120.json", levothyroxine(200, "p02")),
    ],
)
def test_the_cards_alone_carry_a_course_from_the_first_order_to_maintenance(
    catalogue: Catalogue, file: str, order: Resource
) -> None:
    """Of each card the one suggestion is taken and signed. Then there is nothing more to say."""
    ehr = ActingEhr(catalogue, file)
    ehr.session = {"MedicationRequest/rx-1": copy.deepcopy(order)}
    ehr.accept(ehr.cards()[0]["suggestions"][0])
    ehr.sign()
    acted = [len(actions_of(card)) for card in live(ehr, until=300)]
    assert max(acted) <= 6
    said = where_it_stands(ehr)
    assert said["position"] == "maintenance"
    assert said["act"] == "continue"


def live(ehr: ActingEhr, until: int) -> Iterator[Resource]:
    """Open the chart every week, and when labs are back; each card as it is taken up."""
    for day in range(1, until):
        ehr.on(day)
        if not (ehr.draw_what_is_due() or day % 7 == 0):
            continue
        cards = ehr.cards("patient-view")
        if not cards:
            continue
        (card,) = cards
        yield card
        (suggestion,) = card["suggestions"]
        ehr.accept(suggestion)
        assert ehr.cards() == [], "of the plan's own orders nothing is said when they are signed"
        ehr.sign()
        assert ehr.cards("patient-view") == []


@pytest.fixture(scope="module")
def in_mid_climb(catalogue: Catalogue) -> ActingEhr:
    """In the fourth step: LT4 88 µg beside 60 mg, and the next orders filed."""
    ehr = ActingEhr(catalogue, "01-levothyroxine-150.json")
    ehr.session = {"MedicationRequest/rx-1": copy.deepcopy(grains(60, "p01"))}
    ehr.accept(ehr.cards()[0]["suggestions"][0])
    ehr.sign()
    assert list(live(ehr, until=46))
    return ehr


def signed(ehr: ActingEhr, hook: str, order: Resource) -> list[Resource]:
    """The cards on one more order, which is not signed then."""
    ehr.session = {f"MedicationRequest/{order['id']}": copy.deepcopy(order)}
    more: dict[str, Any] = {}
    if hook == "order-select":
        context = ehr.call(hook)["context"]
        more = {"context": context | {"selections": list(ehr.session)}}
    cards = ehr.cards(hook, **more)
    ehr.session = {}
    return cards


@pytest.mark.parametrize("hook", ["order-select", "order-sign"])
@pytest.mark.parametrize(
    ("order", "says"),
    [
        (levothyroxine(150, "p01"), "beside running plan"),
        (levothyroxine(89, "p01"), "beside running plan"),
        (levothyroxine(87, "p01"), "beside running plan"),
        (grains(30, "p01"), "beside running plan"),
        (levothyroxine(88, "p01"), ""),
        (grains(60, "p01"), ""),
    ],
    ids=["the old dose again", "a little more", "a little less", "a step down", "the dose of today",
         "the new dose of today"],
)  # fmt: skip
def test_a_dose_that_is_changed_by_hand_in_mid_climb_is_said_to_be_no_step_of_the_plan(
    in_mid_climb: ActingEhr, hook: str, order: Resource, says: str
) -> None:
    cards = signed(in_mid_climb, hook, order)
    assert len(cards) == bool(says)
    for card in cards:
        assert card["indicator"] == "warning"
        assert "is not the plan's next step" in card["detail"]
        assert "Ask for the plan's next step" in card["detail"]
        assert len(card["detail"]) < 800


def test_a_dose_that_is_changed_where_no_plan_runs_is_a_titration_of_which_nothing_is_said(
    catalogue: Catalogue,
) -> None:
    ehr = ActingEhr(catalogue, "01-levothyroxine-150.json")
    assert signed(ehr, "order-sign", levothyroxine(137, "p01")) == []


def where_it_stands(ehr: ActingEhr) -> dict[str, Any]:
    resources = list(ehr.server.stored.values())
    bundle = {"resourceType": "Bundle", "type": "collection",
              "entry": [{"resource": resource} for resource in resources]}  # fmt: skip
    answer = ehr.service.post(
        "/fhir/r4/$next-step",
        params={"as-of": ehr.today},
        content=json.dumps(bundle),
        headers=FHIR,
    )
    assert answer.status_code == 200, answer.text
    guidance = answer.json()["entry"][0]["resource"]
    (rationale,) = (r for r in guidance["contained"] if r["resourceType"] == "Parameters")
    (said,) = (part["part"] for part in rationale["parameter"] if part["name"] == "next-step")
    return {part["name"]: next((v for k, v in part.items() if k.startswith("value")), None)
            for part in said}  # fmt: skip
