"""The Bundle as a whole: how it ends, what ties it, what it is named."""

from dataclasses import replace
from datetime import date, timedelta

import pytest
from tests.unit.writing.answers import intended, only, resources, written
from tests.unit.writing.plans import (
    COMBINING,
    GRAIN_60,
    HOLD,
    LT4,
    NOTE,
    PLANNED,
    STOP,
    data_required,
    entry,
    levothyroxine_to_desiccated,
    proposal,
    record,
    stop_outcome,
)

from crossgrain.core.proposal import SwitchRequest
from crossgrain.names.identity import FhirVersion
from crossgrain.words.doses import CAUTION
from crossgrain.writing.forms import to_json


def test_a_plan_is_a_success_with_the_care_plan_as_result():
    bundle = written(levothyroxine_to_desiccated())
    guidance = bundle["entry"][0]["resource"]
    assert guidance["resourceType"] == "GuidanceResponse"
    assert guidance["status"] == "success"
    (plan,) = [e["fullUrl"] for e in bundle["entry"] if e["resource"]["resourceType"] == "CarePlan"]
    assert guidance["result"] == {"reference": plan}
    assert guidance["moduleCanonical"].endswith("|0.1.0")


def test_a_stop_is_a_success_without_result_or_orders():
    bundle = written(stop_outcome())
    guidance = bundle["entry"][0]["resource"]
    assert guidance["status"] == "success"
    assert "result" not in guidance
    assert {r["resourceType"] for r in resources(bundle)} == {
        "GuidanceResponse",
        "DetectedIssue",
        "Provenance",
    }
    assert "STOP" in guidance["text"]["div"]


def test_questions_are_data_required_with_the_path_of_each():
    bundle = written(data_required())
    guidance = bundle["entry"][0]["resource"]
    assert guidance["status"] == "data-required"
    assert "result" not in guidance
    issues = guidance["contained"][0]["issue"]
    assert [(i["severity"], i["code"], i["expression"]) for i in issues[:2]] == [
        ("error", "required", ["Bundle.entry[1].resource.dosageInstruction[0].text"]),
        ("error", "required", ["Bundle.entry[2].resource.status"]),
    ]
    assert "How many a day?" in guidance["text"]["div"]
    assert not resources(bundle, "MedicationRequest")


def test_questions_come_before_a_plan_that_was_made_all_the_same():
    made = levothyroxine_to_desiccated()
    asked = replace(made, record=data_required().record)
    assert not resources(written(asked), "MedicationRequest")


def test_findings_are_detected_issues_most_severe_first():
    issues = resources(written(stop_outcome()), "DetectedIssue")
    assert [(i["severity"], i["code"]["coding"][0]["code"]) for i in issues] == [
        ("high", STOP.code),
        ("moderate", HOLD.code),
        ("low", NOTE.code),
    ]
    assert issues[1]["detail"] == f"{HOLD.statement} What to do: {HOLD.action}"


@pytest.mark.parametrize("version", FhirVersion)
def test_no_finding_is_mitigated_before_a_person_has_judged_it(version: FhirVersion) -> None:
    """R5 has a status of that name; a worklist would hide what nobody has looked at."""
    issues = resources(written(stop_outcome(), version), "DetectedIssue")
    assert [issue["status"] for issue in issues] == ["preliminary"] * 3
    # "Indicates an action that has been taken" (R4, R5: DetectedIssue.mitigation)
    assert not [issue for issue in issues if "mitigation" in issue]


def test_what_raised_a_finding_is_named_by_the_inputs_own_reference():
    issues = resources(written(stop_outcome()), "DetectedIssue")
    assert issues[1]["implicated"] == [
        {"reference": "Observation/tsh-1"},
        {"reference": "MedicationRequest/old-1"},  # from a FHIRPath inside that request
    ]
    assert issues[2]["implicated"] == [{"display": "Bundle.entry[9].resource"}]


@pytest.mark.parametrize(
    ("origin", "reference"),
    [
        ("Patient", {"reference": "Patient/demo-1"}),
        ("Bundle.entry[2].resource.valueQuantity", {"reference": "Observation/tsh-1"}),
        ("Bundle.entry[20].resource", {"display": "Bundle.entry[20].resource"}),
        ("Bundle.entry[1].resource", {"reference": "MedicationRequest/old-1"}),
    ],
)
def test_an_origin_is_followed_back_only_to_the_resource_it_lies_in(origin, reference):
    paths = tuple(f"Bundle.entry[{number}].resource" for number in range(3))
    made = proposal(
        record(entry(LT4, 100), paths=paths), findings=(replace(HOLD, origins=(origin,)),)
    )
    (issue,) = resources(written(made), "DetectedIssue")
    assert issue["implicated"] == [reference]


@pytest.mark.parametrize("name", PLANNED)
def test_the_care_plan_ties_every_unconditional_request_and_the_checkpoint(name):
    bundle = written(PLANNED[name]())
    tied = [a["reference"]["reference"] for a in only(bundle, "CarePlan")["activity"]]
    unconditional = [
        e["fullUrl"]
        for e in bundle["entry"]
        if e["resource"].get("intent") == "proposal" and e["resource"]["resourceType"] != "CarePlan"
    ]
    assert sorted(tied) == sorted(unconditional)


@pytest.mark.parametrize("name", PLANNED)
def test_every_request_is_a_draft_of_one_plan(name):
    bundle = written(PLANNED[name]())
    requests = [r for r in resources(bundle) if r.get("intent") in ("proposal", "option")]
    groups = {
        (group["system"], group["value"])
        for r in requests
        if (group := r.get("groupIdentifier") or r.get("requisition"))
    }
    assert {r["status"] for r in requests} == {"draft"}
    assert {system for system, _ in groups} == {"http://crossgrain.example/fhir/sid/plan"}
    assert len(groups) == 1


def test_the_provenance_names_every_other_resource_the_device_and_what_was_read():
    bundle = written(levothyroxine_to_desiccated())
    provenance = bundle["entry"][-1]["resource"]
    targets = [target["reference"] for target in provenance["target"]]
    assert targets == [entry["fullUrl"] for entry in bundle["entry"][:-1]]
    assert provenance["agent"][0]["who"] == {"reference": "#service"}
    assert provenance["contained"][0]["version"] == [{"value": "0.1.0"}]
    assert [e["what"]["reference"] for e in provenance["entity"]] == [
        "Patient/demo-1",
        "MedicationRequest/old-1",
        "Observation/tsh-1",
    ]
    assert {e["role"] for e in provenance["entity"]} == {"source"}


def test_dates_come_from_as_of_and_never_from_a_clock():
    bundle = written(levothyroxine_to_desiccated())
    assert bundle["entry"][-1]["resource"]["recorded"] == "2024-04-29T00:00:00Z"
    orders = resources(bundle, "MedicationRequest")
    assert {order["authoredOn"] for order in orders} == {"2024-04-29"}


def test_the_same_proposal_gives_the_same_bytes():
    first, second = (to_json(written(levothyroxine_to_desiccated())) for _ in range(2))
    assert first == second


def ids(made):
    return {e["fullUrl"] for e in written(made)["entry"]}


def test_whatever_changes_an_order_changes_every_id():
    made = levothyroxine_to_desiccated()
    moved = replace(made, request=replace(made.request, start=made.request.start + timedelta(1)))
    paced = replace(made, request=replace(made.request, pace="cautious"))
    shorter = replace(made, plan=replace(made.plan, labs=made.plan.labs[:1]))
    eased = replace(made, findings=(NOTE,))
    stepped = replace(made, plan=replace(made.plan, steps=made.plan.steps[1:]))
    first, *rest = made.plan.checkpoint.branches
    raised = (replace(first, steps=first.steps[:1]), *rest)
    branched = replace(
        made, plan=replace(made.plan, checkpoint=replace(made.plan.checkpoint, branches=raised))
    )
    for other in (moved, paced, shorter, eased, stepped, branched):
        assert not ids(made) & ids(other)


def drafted(**asked):
    """The same, with the order of this visit under judgement, and asked for by the call."""
    made = levothyroxine_to_desiccated()
    now = entry(LT4, 100, number=2, draft=True, encounter="Encounter/e2", requester=DRAFTED_BY)
    with_draft = replace(made.record, drafts=(now,))
    return replace(made, record=with_draft, request=replace(made.request, **asked))


DRAFTED_BY, CALLED_BY = "Practitioner/p2", "PractitionerRole/r1"


@pytest.mark.parametrize(
    ("made", "encounter", "requester"),
    [
        (levothyroxine_to_desiccated, None, None),  # that visit, and whoever it was, are past
        (drafted, "Encounter/e2", DRAFTED_BY),
        (lambda: drafted(requester=CALLED_BY), "Encounter/e2", CALLED_BY),
    ],
)
def test_encounter_and_requester_are_those_of_the_call(made, encounter, requester):
    for order in intended(written(made()), "MedicationRequest", "proposal"):
        assert order.get("encounter", {}).get("reference") == encounter
        assert order.get("requester", {}).get("reference") == requester


def test_an_answer_is_recorded_when_the_caller_says_and_else_at_the_start_of_the_day():
    made = levothyroxine_to_desiccated()
    said = replace(made.request, recorded="2024-04-29T16:20:00+02:00")
    for request, instant in ((made.request, "2024-04-29T00:00:00Z"), (said, said.recorded)):
        bundle = written(replace(made, request=request))
        assert bundle["timestamp"] == instant
        assert bundle["entry"][-1]["resource"]["recorded"] == instant


def carried(*current, drafts=(), orders=()):
    made = proposal(record(*current, drafts=drafts), findings=(HOLD,), orders=orders)
    return written(made)["entry"][0]["resource"].get("encounter")


def test_the_order_under_judgement_comes_before_the_medicine_taken():
    old = entry(LT4, 100, encounter="Encounter/past")
    draft = entry(LT4, 100, number=2, draft=True, encounter="Encounter/now")
    other = entry(LT4, 100, number=3, draft=True, encounter="Encounter/other")
    ours = entry(LT4, 100, number=4, draft=True, ours=True, encounter="Encounter/ours")
    assert carried(old, drafts=(draft, ours)) == {"reference": "Encounter/now"}
    assert carried(old, drafts=(draft, other), orders=("MedicationRequest/old-3",)) == {
        "reference": "Encounter/other"
    }
    assert carried(old) is None


def test_a_draft_under_judgement_is_not_to_be_signed_beside_the_series():
    made = levothyroxine_to_desiccated()
    draft = entry(GRAIN_60, 60, number=7, draft=True)
    ours = entry(GRAIN_60, 60, number=8, draft=True, ours=True)
    warned = replace(made, record=replace(made.record, drafts=(draft, ours)))
    plan = only(written(warned), "CarePlan")
    words = "The draft MedicationRequest/old-7 is not part of this series"
    assert [note["text"].startswith(words) for note in plan["note"]].count(True) == 1
    assert words in plan["text"]["div"]
    assert "MedicationRequest/old-8" not in str(plan)


def test_an_encounter_is_never_chosen_or_invented():
    one, two = (entry(LT4, 50, number=n, draft=True, encounter=f"Encounter/e{n}") for n in (2, 3))
    assert carried(entry(LT4, 50), drafts=(one, two)) is None
    assert carried(entry(LT4, 50), drafts=(one,)) == {"reference": "Encounter/e2"}


@pytest.mark.parametrize("name", PLANNED)
def test_the_caution_stands_wherever_a_dose_does(name):
    for resource in resources(written(PLANNED[name]())):
        if resource["resourceType"] in ("DetectedIssue", "Provenance"):
            continue
        assert CAUTION in resource["text"]["div"]
        assert {"text": CAUTION} in resource["note"]


def test_the_care_plan_reads_on_its_own():
    div = only(written(levothyroxine_to_desiccated()), "CarePlan")["text"]["div"]
    for words in (
        "Move from levothyroxine sodium 100 micrograms a day to desiccated thyroid",
        "<td>1 May 2024</td><td>14 May 2024</td><td>desiccated thyroid 15 mg a day</td>",
        "as taken now",
        "End levothyroxine sodium as taken now on 15 May 2024",
        "30 July 2024: TSH, free T4 and free T3: checkpoint.",
        "TSH low, or free T3 high",
        "Proposed, overlap",
        "lowest coverage 94 %",
        "Not chosen, stop",
        "lowest coverage 31 %",
        "HOLD, not to be started before this is done: Heart failure is in the record.",
    ):
        assert words in div


def test_the_care_plan_rests_on_the_medicines_taken_and_on_the_findings():
    bundle = written(levothyroxine_to_desiccated())
    supporting = [ref["reference"] for ref in only(bundle, "CarePlan")["supportingInfo"]]
    issues = [
        e["fullUrl"] for e in bundle["entry"] if e["resource"]["resourceType"] == "DetectedIssue"
    ]
    assert supporting == ["MedicationRequest/old-1", *issues]
    assert len(issues) == 2


def test_the_period_of_the_care_plan_is_that_of_the_series():
    plan = only(written(levothyroxine_to_desiccated()), "CarePlan")
    last = date(2024, 5, 1) + timedelta(97)
    assert plan["period"] == {"start": "2024-05-01", "end": last.isoformat()}


def test_start_and_as_of_are_both_echoed():
    request = SwitchRequest(
        as_of=date(2024, 2, 28), start=date(2024, 2, 29), mixture=COMBINING.mixture()
    )
    made = replace(stop_outcome(), request=request)
    parameters = written(made)["entry"][0]["resource"]["contained"][1]["parameter"]
    assert parameters[:2] == [
        {"name": "as-of", "valueDate": "2024-02-28"},
        {"name": "start", "valueDate": "2024-02-29"},
    ]
