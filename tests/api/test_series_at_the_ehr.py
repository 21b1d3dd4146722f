"""A client that takes a series up and lives with it: signs, edits, drops our marks, comes back.

The EHR is invented and small: it files the transaction, makes orders of the proposals as they are
signed, keeps or drops our identifiers and extensions, and asks the hooks each time.
"""

import copy
import json
from collections.abc import Callable, Iterable
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from fastapi.testclient import TestClient

from crossgrain.api.app import create_app
from crossgrain.api.settings import Settings
from crossgrain.catalogue import Catalogue

from . import hooks
from .calls import FHIR, LT4, PATIENTS, Resource
from .hooks import INSTANCE, KEYS, ORDER, patient, searchset

DAY_ONE = date(2025, 3, 3)
UCUM = "http://unitsofmeasure.org"
RXNORM = "http://www.nlm.nih.gov/research/umls/rxnorm"
EVERY_FILE = sorted(path.name for path in PATIENTS.iterdir())


class Ehr:
    """One patient's chart, and a series that was proposed on day one."""

    def __init__(self, catalogue: Catalogue, file: str, target: str, **options: str) -> None:
        self.catalogue = catalogue
        self.chart = [r for r in patient(file) if r.get("status") != "draft"]
        self.patient_id = next(r["id"] for r in self.chart if r["resourceType"] == "Patient")
        query = {"target": target, "as-of": DAY_ONE.isoformat(), "response": "transaction"}
        answer = self.on(0).post(
            "/fhir/r4/$propose-switch",
            params=query | options,
            content=json.dumps(_bundle(patient(file))),
            headers=FHIR,
        )
        assert answer.status_code == 200, answer.text
        filed = [entry["resource"] for entry in answer.json()["entry"]]
        named = {f"urn:uuid:{r['id']}": f"{r['resourceType']}/{r['id']}" for r in filed}
        self.filed: list[Resource] = [_renamed(resource, named) for resource in filed]

    def on(self, day: int) -> TestClient:
        """The service on a day of the plan."""
        noon = datetime.combine(DAY_ONE + timedelta(day), time(12), ZoneInfo("UTC"))
        return TestClient(create_app(Settings(), self.catalogue, clock=lambda: noon))

    def series(self) -> list[Resource]:
        """The proposed orders of the series, in the order in which they begin."""
        orders = [
            r
            for r in self.filed
            if r["resourceType"] == "MedicationRequest" and r["intent"] == "proposal"
        ]
        return sorted(orders, key=lambda order: _period(order)["start"])

    def steps_beginning(self, day: int) -> list[Resource]:
        start = (DAY_ONE + timedelta(day)).isoformat()
        return [copy.deepcopy(o) for o in self.series() if _period(o)["start"] == start]

    def live_until(self, day: int, keep: Callable[[Resource], Resource]) -> list[Resource]:
        """The chart on a day: what began before is signed; the old medicine ends as planned."""
        today = (DAY_ONE + timedelta(day)).isoformat()
        ended = {
            task["focus"]["reference"]: task["restriction"]["period"]["start"]
            for task in self.filed
            if task["resourceType"] == "Task" and task["intent"] == "proposal"
        }
        chart = [_ended(r, ended, today) for r in copy.deepcopy(self.chart)]
        begun = [o for o in self.series() if _period(o)["start"] < today]
        return [*chart, *(keep(signed(order)) for order in begun)]

    def cards(
        self, day: int, chart: Iterable[Resource], drafts: list[Resource], **more: Any
    ) -> list[Resource]:
        """Sign orders on a day."""
        answer = self.on(day).post(ORDER, json=self.call(chart, drafts) | more)
        assert answer.status_code == 200, answer.text
        found: list[Resource] = answer.json()["cards"]
        return found

    def call(self, chart: Iterable[Resource], drafts: list[Resource]) -> Resource:
        resources = list(chart)
        prefetch: dict[str, Any] = {
            "patient": next(r for r in resources if r["resourceType"] == "Patient")
        }
        for kind, key in KEYS.items():
            found = [r for r in resources if r["resourceType"] == kind]
            prefetch[key] = searchset(found) if found else None
        plans = [r for r in resources if r["resourceType"] == "CarePlan"]
        if plans:
            prefetch["carePlans"] = searchset(plans)
        entries = [{"resource": draft} for draft in drafts]
        return {
            "hook": "order-sign",
            "hookInstance": INSTANCE,
            "context": {
                "userId": "Practitioner/tarn-row-prescriber",
                "patientId": self.patient_id,
                "draftOrders": {"resourceType": "Bundle", "entry": entries},
            },
            "prefetch": prefetch,
        }

    def propose(self, day: int, chart: Iterable[Resource], target: str) -> Resource:
        as_of = (DAY_ONE + timedelta(day)).isoformat()
        answer = self.on(day).post(
            "/fhir/r4/$propose-switch",
            params={"target": target, "as-of": as_of},
            content=json.dumps(_bundle(chart)),
            headers=FHIR,
        )
        assert answer.status_code == 200, answer.text
        body: Resource = answer.json()
        return body


def _bundle(resources: Iterable[Resource]) -> Resource:
    entries = [{"resource": resource} for resource in resources]
    return {"resourceType": "Bundle", "type": "collection", "entry": entries}


def _renamed(node: Any, named: dict[str, str]) -> Any:
    if isinstance(node, str):
        return named.get(node, node)
    if isinstance(node, dict):
        return {key: _renamed(value, named) for key, value in node.items()}
    return [_renamed(each, named) for each in node] if isinstance(node, list) else node


def _period(order: Resource) -> dict[str, str]:
    period: dict[str, str] = order["dosageInstruction"][0]["timing"]["repeat"]["boundsPeriod"]
    return period


def _ended(resource: Resource, ended: dict[str, str], today: str) -> Resource:
    """The old medicine as an EHR closes it once the plan has replaced it."""
    on = ended.get(f"{resource['resourceType']}/{resource.get('id')}")
    if on is None or on >= today:
        return resource
    last = (date.fromisoformat(on) - timedelta(1)).isoformat()
    began = resource.get("effectivePeriod", {}).get("start", "2024-01-01")
    resource.pop("effectiveDateTime", None)
    resource["status"] = "completed"
    resource["effectivePeriod"] = {"start": began, "end": last}
    return resource


def signed(order: Resource) -> Resource:
    return {**order, "status": "active", "intent": "order"}


def as_it_is(order: Resource) -> Resource:
    return order


def without_group(order: Resource) -> Resource:
    return {key: value for key, value in order.items() if key not in {"groupIdentifier"}}


def without_extension(order: Resource) -> Resource:
    return {key: value for key, value in order.items() if key != "extension"}


def without_marks(order: Resource) -> Resource:
    dropped = {"extension", "groupIdentifier", "identifier", "basedOn", "instantiatesCanonical"}
    return {key: value for key, value in order.items() if key not in dropped}


KEEPING = [as_it_is, without_group, without_extension, without_marks]


def desiccated_240(order: Resource) -> Resource:
    """The same order edited by hand to one tablet of 240 mg."""
    edited = copy.deepcopy(order)
    coding = {"system": RXNORM, "code": "313385", "display": "thyroid (USP) 240 MG Oral Tablet"}
    edited["medicationCodeableConcept"] = {
        "coding": [coding], "text": "desiccated thyroid 240 mg tablet",
    }  # fmt: skip
    dosage = edited["dosageInstruction"][0]
    dosage.pop("text")
    dosage["doseAndRate"] = [
        {"doseQuantity": {"value": 240, "system": "http://unitsofmeasure.org", "code": "mg"}}
    ]
    return edited


def is_new(order: Resource) -> bool:
    return "desiccated" in order["medicationCodeableConcept"]["text"]


@pytest.fixture(scope="module")
def ehr(catalogue: Catalogue) -> Ehr:
    return Ehr(catalogue, LT4, "desiccated-thyroid")


def starts(ehr: Ehr) -> list[int]:
    days = {(date.fromisoformat(_period(o)["start"]) - DAY_ONE).days for o in ehr.series()}
    return sorted(days)


@pytest.mark.parametrize("keep", KEEPING)
def test_each_unchanged_step_is_signed_on_its_day_without_a_word(
    ehr: Ehr, keep: Callable[[Resource], Resource]
) -> None:
    assert len(starts(ehr)) > 3
    for day in starts(ehr):
        drafts = [keep(order) for order in ehr.steps_beginning(day)]
        assert ehr.cards(day, ehr.live_until(day, keep), drafts) == [], day


@pytest.mark.parametrize("keep", [as_it_is, without_marks])
def test_a_whole_series_signed_at_once_is_not_added_up(
    ehr: Ehr, keep: Callable[[Resource], Resource]
) -> None:
    assert ehr.cards(0, ehr.chart, [keep(order) for order in ehr.series()]) == []


@pytest.mark.parametrize("keep", KEEPING)
def test_a_step_edited_to_240_mg_is_judged_whatever_it_is_labelled(
    ehr: Ehr, keep: Callable[[Resource], Resource]
) -> None:
    for day in starts(ehr)[:2]:
        drafts = [
            desiccated_240(keep(o)) if is_new(o) else keep(o) for o in ehr.steps_beginning(day)
        ]
        assert any("240 mg" in str(draft) for draft in drafts)
        (card,) = ehr.cards(day, ehr.live_until(day, keep), drafts)
        assert "too much" in card["summary"] or "at once" in card["detail"], card["summary"]


def test_a_made_up_group_clears_no_order(ehr: Ehr) -> None:
    (order,) = [desiccated_240(o) for o in ehr.steps_beginning(0) if is_new(o)]
    order["groupIdentifier"]["value"] = "anything"
    del order["extension"]
    assert ehr.cards(0, ehr.chart, [order]) != []


@pytest.mark.parametrize("keep", KEEPING)
def test_an_infarction_the_day_before_the_second_step_stops_it(
    ehr: Ehr, keep: Callable[[Resource], Resource]
) -> None:
    day = starts(ehr)[1]
    infarction = {
        "resourceType": "Condition",
        "id": "mi",
        "subject": {"reference": f"Patient/{ehr.patient_id}"},
        "clinicalStatus": {
            "coding": [
                {
                    "system": "http://terminology.hl7.org/CodeSystem/condition-clinical",
                    "code": "active",
                }
            ]
        },
        "code": {"coding": [{"system": "http://snomed.info/sct", "code": "22298006"}]},
        "onsetDateTime": (DAY_ONE + timedelta(day - 1)).isoformat(),
    }
    drafts = [keep(order) for order in ehr.steps_beginning(day)]
    (card,) = ehr.cards(day, [*ehr.live_until(day, keep), infarction], drafts)
    assert card["indicator"] == "critical"
    assert "infarction" in card["detail"]


@pytest.mark.parametrize("keep", KEEPING)
def test_a_later_step_brought_forward_is_judged(
    ehr: Ehr, keep: Callable[[Resource], Resource]
) -> None:
    day = starts(ehr)[1]
    strongest = [order for order in ehr.series() if "thyroid 60 mg" in str(order)]
    last = keep(copy.deepcopy(strongest[-1]))
    _period(last)["start"] = (DAY_ONE + timedelta(day)).isoformat()
    last["dosageInstruction"][0].pop("text")  # which says the day that was planned
    (card,) = ehr.cards(day, ehr.live_until(day, keep), [last])
    assert "at once" in card["summary"] + card["detail"]


def test_a_dose_and_its_extension_edited_alike_disagree_with_the_care_plan_or_a_sibling(
    ehr: Ehr,
) -> None:
    """Facts that were changed in one order agree with no other: it is judged as any."""
    day = starts(ehr)[1]
    orders = [order for order in ehr.steps_beginning(day) if is_new(order)]
    changed = desiccated_240(orders[0])
    parts = changed["extension"][0]["extension"]
    (order,) = [part for part in parts if part["url"] == "order"]
    for part in order["extension"]:
        if part["url"] == "strength":
            part["valueQuantity"]["value"] = 240
        elif part["url"] == "dose":
            part["valueString"] = " ".join(["240", *part["valueString"].split(" ")[1:]])
    (checkpoint,) = [part for part in parts if part["url"] == "checkpoint"]
    checkpoint["extension"][0]["valueDecimal"] = 4
    alone = [r for r in ehr.chart if r["resourceType"] != "MedicationRequest"]
    plan = next(r for r in ehr.filed if r["resourceType"] == "CarePlan")
    assert ehr.cards(day, [*alone, plan], [changed]) != []
    assert ehr.cards(day, ehr.live_until(day, as_it_is), [changed]) != []


def test_the_care_plan_that_agrees_changes_nothing_and_its_absence_is_no_fault(ehr: Ehr) -> None:
    day = starts(ehr)[1]
    plan = next(r for r in ehr.filed if r["resourceType"] == "CarePlan")
    chart = ehr.live_until(day, as_it_is)
    assert ehr.cards(day, [*chart, plan], ehr.steps_beginning(day)) == []
    assert ehr.cards(day, chart, ehr.steps_beginning(day)) == []


def findings(answer: Resource) -> set[str]:
    return {
        entry["resource"]["code"]["coding"][0]["code"]
        for entry in answer["entry"]
        if entry["resource"]["resourceType"] == "DetectedIssue"
    }


@pytest.mark.parametrize("keep", KEEPING)
def test_a_plan_asked_for_in_the_midst_of_another_is_stopped(
    ehr: Ehr, keep: Callable[[Resource], Resource]
) -> None:
    day = starts(ehr)[2] + 1
    if keep in {without_extension, without_marks}:
        # by its shape a taper shows only once the old dose has fallen from one order to the next
        old = [_period(order)["start"] for order in ehr.series() if not is_new(order)]
        day = (date.fromisoformat(old[1]) - DAY_ONE).days + 1
    answer = ehr.propose(day, ehr.live_until(day, keep), "desiccated-thyroid")
    assert "plan-running" in findings(answer)
    guidance = answer["entry"][0]["resource"]
    assert guidance["status"] == "success"
    assert "result" not in guidance


@pytest.mark.parametrize("keep", KEEPING)
def test_on_its_own_decision_day_the_plan_is_still_the_running_one(
    ehr: Ehr, keep: Callable[[Resource], Resource]
) -> None:
    last = max(date.fromisoformat(_period(o)["end"]) for o in ehr.series())
    day = (last - DAY_ONE).days + 1
    answer = ehr.propose(day, ehr.live_until(day, keep), "desiccated-thyroid")
    assert "plan-running" in findings(answer)
    assert "No current thyroid hormone" not in json.dumps(answer)


def test_a_plan_that_was_recorded_as_given_up_stops_nothing(ehr: Ehr) -> None:
    day = starts(ehr)[2] + 1
    chart = [
        {**r, "status": "stopped"} if "extension" in r else r for r in ehr.live_until(day, as_it_is)
    ]
    again = [
        {**r, "status": "active"} for r in ehr.chart if r["resourceType"] == "MedicationStatement"
    ]
    others = [r for r in chart if r["resourceType"] != "MedicationStatement"]
    answer = ehr.propose(day, [*others, *again], "desiccated-thyroid")
    assert "plan-running" not in findings(answer)


@pytest.mark.parametrize("file", EVERY_FILE)
def test_nobodys_ordinary_record_is_taken_for_a_running_plan(
    catalogue: Catalogue, file: str
) -> None:
    with TestClient(create_app(Settings(), catalogue)) as client:
        for target in ("levothyroxine", "desiccated-thyroid", "liothyronine"):
            answer = client.post(
                "/fhir/r4/$propose-switch",
                params={"target": target, "as-of": DAY_ONE.isoformat()},
                content=(PATIENTS / file).read_bytes(),
                headers=FHIR,
            )
            assert "plan-running" not in answer.text


def test_two_doses_one_after_the_other_are_not_added_up(ehr: Ehr) -> None:
    """30 mg for 14 days, then 60 mg for 14: never 90 mg a day."""
    orders = [o for o in ehr.series() if is_new(o)]
    by_mg = {
        part["doseQuantity"]["value"]: order
        for order in orders
        for part in order["dosageInstruction"][0]["doseAndRate"]
        if part["doseQuantity"]["code"] == "mg"
    }
    thirty, sixty = (without_marks(copy.deepcopy(by_mg[mg])) for mg in (30, 60))
    for order, first_day in ((thirty, 0), (sixty, 14)):
        begin = DAY_ONE + timedelta(first_day)
        _period(order).update(start=begin.isoformat(), end=(begin + timedelta(13)).isoformat())
        order["dosageInstruction"][0].pop("text")
    one = hooks.order("thyroid", "10572", 30, "mg", ehr.patient_id)
    one["medicationCodeableConcept"]["text"] = "desiccated thyroid 60 mg per grain"
    (dosage,) = one["dosageInstruction"]
    fourteen = {"value": 14, "unit": "days", "system": UCUM, "code": "d"}
    dosages = [copy.deepcopy(dosage) | {"sequence": number} for number in (1, 2)]
    for each, mg in zip(dosages, (30, 60), strict=True):
        each["doseAndRate"][0]["doseQuantity"]["value"] = mg
        each["timing"]["repeat"]["boundsDuration"] = fourteen
    one["dosageInstruction"] = dosages
    for drafts in ([thirty, sixty], [one]):
        (card,) = ehr.cards(0, ehr.chart, drafts)
        said = card["summary"]
        assert said.startswith("Desiccated thyroid 30 mg a day, then desiccated thyroid 60 mg"), (
            said
        )
        assert "0.33 of today's dose on practice" in said  # 60 mg, on 50 µg a grain, of 150 µg
