"""Checks besides thyroid labs as requests, and the results that stand as the baseline."""

from dataclasses import replace

import pytest
from tests.conformance.patients import proposed
from tests.unit.safety.patients import tsh
from tests.unit.writing.answers import intended, only, resources, written
from tests.unit.writing.plans import HOLD, levothyroxine_to_desiccated

from crossgrain.names.identity import FhirVersion
from crossgrain.safety.checks import Baseline, CheckKind, DatedCheck

FRAIL = "10-older-with-atrial-fibrillation.json"


def checked(*checks):
    """The hand-made proposal with these checks in its series."""
    return replace(levothyroxine_to_desiccated(), checks={"series": checks})


def request_for(kind, days=(0, 28)):
    made = checked(DatedCheck(kind, days, (HOLD.code,)))
    (found,) = [
        r
        for r in intended(written(made), "ServiceRequest", "proposal")
        if "Thyro" not in r["code"]["text"] and "iodothyronine" not in r["code"]["text"]
    ]
    return found


# As published: LOINC 8867-4, 6301-6, 2345-7 and 10535-3 in FHIR guides (vital signs, laboratory
# orders, drug interactions), SNOMED CT 29303009 in a national cardiology guide.
@pytest.mark.parametrize(
    ("kind", "code", "display"),
    [
        (CheckKind.PULSE, "8867-4", "Heart rate"),
        (CheckKind.ECG, "29303009", "Electrocardiographic procedure"),
        (CheckKind.INR, "6301-6", "INR in Platelet poor plasma by Coagulation assay"),
        (CheckKind.GLUCOSE, "2345-7", "Glucose [Mass/volume] in Serum or Plasma"),
        (CheckKind.DIGOXIN, "10535-3", "Digoxin [Mass/volume] in Serum or Plasma"),
    ],
)
def test_a_check_is_a_request_with_the_code_that_is_published_for_it(kind, code, display):
    (coding,) = request_for(kind)["code"]["coding"]
    assert (coding["code"], coding["display"]) == (code, display)


def test_a_check_whose_code_was_not_seen_is_named_in_words_alone():
    assert request_for(CheckKind.LITHIUM)["code"] == {"text": "Lithium level"}


def test_a_check_on_several_days_is_one_request_with_all_of_them():
    several = request_for(CheckKind.PULSE)
    assert several["occurrenceTiming"] == {"event": ["2024-05-01", "2024-05-29"]}
    once = request_for(CheckKind.ECG, (28,))
    assert once["occurrenceDateTime"] == "2024-05-29"


def test_a_check_names_the_finding_that_asks_for_it_and_the_pulse_its_limit():
    body = request_for(CheckKind.PULSE)
    said = [note["text"] for note in body["note"]]
    assert f"Asked for because: {HOLD.statement}" in said
    # common practice, no source: above 100 per minute at rest
    assert any(text.startswith("Above 100 per minute at rest") for text in said)
    assert "If it is above 100" in body["patientInstruction"]
    issues = {issue["id"] for issue in resources(written(checked()), "DetectedIssue")}
    assert all(
        info["reference"].removeprefix("urn:uuid:") in issues for info in body["supportingInfo"]
    )
    assert len(body["supportingInfo"]) == 1


@pytest.mark.parametrize("version", FhirVersion)
def test_every_check_of_an_answer_is_an_activity_or_part_of_a_branch(version):
    bundle = written(proposed(FRAIL, "desiccated-thyroid"), version)
    requests = [r for r in resources(bundle, "ServiceRequest") if "supportingInfo" in r]
    assert len(requests) > 3
    plan = str(only(bundle, "CarePlan")["activity"])
    group = next(
        r
        for r in resources(bundle)
        if r["resourceType"] in {"RequestGroup", "RequestOrchestration"}
    )
    for request in requests:
        holder = plan if request["intent"] == "proposal" else str(group["action"])
        assert request["id"] in holder


def test_a_check_that_branches_share_is_asked_for_once_and_names_them():
    made = levothyroxine_to_desiccated()
    both = DatedCheck(CheckKind.INR, (105,), (HOLD.code,))
    later = replace(both, days=(112,))
    readings = [branch.reading for branch in made.plan.checkpoint.branches]
    checks = dict(zip(readings, ((both,), (both,), (later,)), strict=True))
    asked = [
        (request["occurrenceDateTime"], request["note"][0]["text"])
        for request in intended(written(replace(made, checks=checks)), "ServiceRequest", "option")
        if request["code"]["text"] == "INR"
    ]
    # Days 105 and 112 from 1 May 2024.
    assert [day for day, _ in asked] == ["2024-08-14", "2024-08-21"]
    assert asked[0][1] == (
        "Only if one of these options is taken at the checkpoint: TSH high; TSH in range."
    )
    assert asked[1][1].startswith("Only if: TSH at the checkpoint is below")


def test_a_check_stands_in_the_care_plan_in_words():
    text = only(written(checked(DatedCheck(CheckKind.INR, (7,), ()))), "CarePlan")["text"]["div"]
    assert "INR: 8 May 2024." in text


# --- the baseline ---------------------------------------------------------------------------


def with_baseline(baseline):
    return replace(levothyroxine_to_desiccated(), baseline=baseline)


def test_a_result_that_stands_is_cited_with_its_value_its_day_and_its_resource():
    known = replace(tsh("2.1", -14), origin="Observation/tsh-1")
    plan = only(written(with_baseline(Baseline((known,)))), "CarePlan")
    # read on 29 April 2024
    assert (
        "TSH 2.1 mIU/L of 15 April 2024 stands as the baseline: not drawn again."
        in plan["text"]["div"]
    )
    assert {"reference": "Observation/tsh-1"} in plan["supportingInfo"]


def test_what_is_known_is_not_asked_for():
    made = levothyroxine_to_desiccated()
    first, *rest = made.plan.labs
    fewer = replace(first, leaves_out=("tsh", "free-t3"))
    bundle = written(replace(made, plan=replace(made.plan, labs=(fewer, *rest))))
    on_day_one = [
        r["code"]["coding"][0]["code"]
        for r in intended(bundle, "ServiceRequest", "proposal")
        if r["occurrenceDateTime"] == "2024-05-01"
    ]
    assert on_day_one == ["3024-7"]  # LOINC: free T4


def test_where_the_first_dose_waits_the_draw_and_the_first_orders_say_so_and_no_later_order_does():
    bundle = written(with_baseline(Baseline(awaited_by=(HOLD.code,))))
    drawn = intended(bundle, "ServiceRequest", "proposal")
    waiting = [r for r in drawn if any("first new dose waits" in n["text"] for n in r["note"])]
    assert {r["occurrenceDateTime"] for r in waiting} == {"2024-05-01"}
    for order in intended(bundle, "MedicationRequest", "proposal"):
        starts = order["dosageInstruction"][0]["timing"]["repeat"]["boundsPeriod"]["start"]
        says = any("Not before the baseline results" in note["text"] for note in order["note"])
        assert says is (starts == "2024-05-01")


def test_where_nothing_is_awaited_no_order_waits():
    text = str(written(levothyroxine_to_desiccated()))
    assert "Not before the baseline results" not in text
