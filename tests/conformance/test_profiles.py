"""What is answered and what is read holds to our own profiles.

Their snapshots are made from HL7's core definitions. Two judge by them: a walker that knows nothing
of the code that writes, and a general FHIR library. The planted faults prove that they see.
"""

import json
from collections import Counter
from copy import deepcopy

import pytest
from tests.api import test_filed_ends as filed_ends
from tests.api.calls import VISITS
from tests.conformance.answers import ANSWERS, answer
from tests.conformance.node import needs_node, needs_packages, run
from tests.conformance.patients import CATALOGUE, FILES, every_direction
from tests.conformance.profiles import DESK, made, shipped, snapshots_of
from tests.conformance.r5_records import as_r5
from tests.conformance.test_next_step import answer_to, record_of
from tests.conformance.test_operations import records
from tests.conformance.test_questions import calls, of_version, sent
from tests.unit.nightly.exports import AS_OF, lines
from tests.unit.nightly.exports import make as make_export
from tests.unit.nightly.exports import run as run_night
from tests.unit.writing.answers import resources, written

from crossgrain.app.conformance.guide import definitions
from crossgrain.app.conformance.profiles import profiles, whole
from crossgrain.app.conformance.written_profiles import CHANGED_TASK_ID, FLAG_ID
from crossgrain.names.identity import FhirVersion
from crossgrain.writing.forms import to_json
from crossgrain.writing.issues import closed_issue

pytestmark = [needs_node, needs_packages]


def written_by_type(version):
    """Of what is new in an answer."""
    apart = {FLAG_ID, CHANGED_TASK_ID}
    every = profiles(version)
    return {p.type: p for p in every if not p.id.startswith("read-") and p.id not in apart}


def of_id(profile_id, version):
    (profile,) = (p for p in profiles(version) if p.id == profile_id)
    return profile


def read_by_type(version):
    return {p.type: p for p in profiles(version) if p.id.startswith("read-")}


WALKER, OTHER = "profiles.mjs", "other.mjs"


def judged(pairs, version, judge=WALKER):
    """What a judge says of each resource by its profile."""
    of_kind = ("StructureDefinition", "ValueSet")
    ours = [whole(d, version) for d in definitions(DESK, version) if d["resourceType"] in of_kind]
    asked = {
        "definitions": ours,
        "judged": [{"resource": resource, "profile": profile.url} for resource, profile in pairs],
    }
    return run(judge, to_json(asked), version.value)


def with_profiles(every, by_type):
    return [(each, by_type[each["resourceType"]]) for each in every]


def faults_by_profile(pairs, version, judge=WALKER):
    said = zip(pairs, judged(pairs, version, judge), strict=True)
    return Counter((profile.id, f["message"]) for (_, profile), found in said for f in found)


# --- the snapshots themselves ------------------------------------------------------------------


@pytest.mark.parametrize("version", FhirVersion)
def test_the_snapshots_that_ship_are_those_that_the_script_makes(version):
    assert shipped(version) == made(version)


# HL7's own profiles of core resources, each with a differential and the snapshot that HL7 made of
# it. Left out are those that name an element as only HL7's own tool understands it.
OF_HL7 = {
    FhirVersion.R4: "vitalsigns lipidprofile hlaresult clinicaldocument cdshooksrequestgroup"
    " ehrsrle-auditevent synthesis servicerequest-genetics cqf-questionnaire shareablevalueset",
    FhirVersion.R5: "lipidprofile clinicaldocument document-bundle cdshooksrequestorchestration"
    " transaction-response-bundle familymemberhistory-genetic shareableplandefinition actualgroup",
}
COMPARED = (
    "id", "path", "sliceName", "min", "max", "mustSupport", "patternCodeableConcept", "fixedUri"
)  # fmt: skip


def compared(elements):
    return [{key: element[key] for key in COMPARED if key in element} for element in elements]


@pytest.mark.parametrize("version", FhirVersion)
def test_of_hl7s_own_differentials_the_script_makes_the_snapshots_that_hl7_published(version):
    asked = json.dumps(OF_HL7[version].split()).encode()
    published = run("published.mjs", asked, version.value)
    ours = snapshots_of([(p["type"], p["differential"]["element"]) for p in published], version)
    assert len(ours) > 7
    for profile, made_of_it in zip(published, ours, strict=True):
        assert compared(made_of_it) == compared(profile["snapshot"]["element"]), profile["id"]


@pytest.mark.parametrize("version", FhirVersion)
def test_every_differential_stands_in_the_order_of_its_snapshot(version):
    for definition in definitions(DESK, version):
        full = whole(definition, version)
        if "snapshot" in full:
            order = [e["id"] for e in full["snapshot"]["element"]]
            named = [e["id"] for e in full["differential"]["element"]]
            assert named == sorted(named, key=order.index)
            assert len(set(order)) == len(order)


# --- what is written ---------------------------------------------------------------------------


@pytest.mark.parametrize("version", FhirVersion)
def test_every_answer_holds_to_the_profiles_of_what_is_written(client, version):
    answers = [answer(name) for name, (_, of) in ANSWERS.items() if of is version]
    answers += [written(made, version, CATALOGUE.codes) for made in every_direction()]
    by_type = written_by_type(version)
    inside = [r for one in answers for r in resources(one)]
    pairs = with_profiles([*inside, *forms_of(client, version)], by_type)
    assert faults_by_profile(pairs, version) == {}
    looked_at = Counter(profile.id for _, profile in pairs)
    assert set(looked_at) == {profile.id for profile in by_type.values()}
    assert min(looked_at.values()) > 20


@pytest.mark.parametrize("version", FhirVersion)
def test_a_filed_task_that_is_changed_holds_to_a_profile_of_its_own(client, version):
    changed = []
    for told in (filed_ends.asks, filed_ends.stops, filed_ends.holds):
        chart = filed_ends.filed()
        told(chart)
        record = chart.bundle() if version is FhirVersion.R4 else as_r5(chart.bundle())
        sent = client.post(f"/fhir/{version}/$next-step?as-of={filed_ends.TODAY}", json=record)
        changed += [task for task in filed_ends.ending(sent.json()) if task["status"] != "draft"]
    pairs = [(task, of_id(CHANGED_TASK_ID, version)) for task in changed]
    assert [task["status"] for task in changed] == ["on-hold", "on-hold", "cancelled"]
    assert faults_by_profile(pairs, version) == {}
    assert faults_by_profile(pairs, version, OTHER) == {}
    del changed[0]["statusReason"]
    changed[1]["status"] = "completed"
    found = faults_by_profile(pairs, version)
    assert sum(found.values()) == 2, found


@pytest.mark.parametrize("version", FhirVersion)
def test_every_kind_of_answer_and_record_holds_by_the_other_judge_too(version):
    answers = [answer(name) for name, (_, of) in ANSWERS.items() if of is version]
    pairs = with_profiles([r for one in answers for r in resources(one)], written_by_type(version))
    pairs += with_profiles(of_records(version), read_by_type(version))
    assert faults_by_profile(pairs, version, OTHER) == {}
    assert len(pairs) > 1000


@pytest.mark.parametrize("version", FhirVersion)
def test_every_next_step_holds_to_them_too(client, version):
    answers = [answer_to(client, visit, version) for visit in VISITS]
    pairs = with_profiles([r for one in answers for r in resources(one)], written_by_type(version))
    assert faults_by_profile(pairs, version) == {}
    assert len(pairs) > 200


def every_question(version):
    """A call with a question of each kind, and one in which a number of days is asked for again."""
    asked = {case.name: calls(case, version) for case in of_version(version)}
    yield from asked.values()
    days = deepcopy(asked["an answer that is neither yes nor no"])
    (visit,) = (
        entry["resource"]
        for entry in days["parameter"][0]["resource"]["entry"]
        if entry["resource"]["resourceType"] == "QuestionnaireResponse"
    )
    two = [{"valueInteger": 1}, {"valueInteger": 2}]
    visit["item"] = [{"linkId": "missed-days", "answer": two}]
    yield days


def forms_of(client, version):
    """The questions of every kind, as an answer to a proposal and to a comparison carries them."""
    for call in every_question(version):
        answer = sent(client, version, call)
        yield from (r for r in resources(answer) if r["resourceType"] == "Questionnaire")
        compared = sent(client, version, call, "compare-bases")["parameter"]
        yield from (p["resource"] for p in compared if p["name"] == "questionnaire")


@pytest.mark.parametrize("version", FhirVersion)
@pytest.mark.parametrize("judge", [WALKER, OTHER])
def test_every_question_of_every_kind_holds_to_the_profile_of_forms(client, version, judge):
    forms = list(forms_of(client, version))
    pairs = with_profiles(forms, written_by_type(version))
    assert faults_by_profile(pairs, version, judge) == {}
    assert len(forms) > len(of_version(version))
    kinds = {item["type"] for form in forms for item in every_item(form)}
    assert kinds == {"coding" if version is FhirVersion.R5 else "choice", *OTHER_ITEMS}


OTHER_ITEMS = {"display", "integer", "quantity"}


def every_item(form):
    for item in form["item"]:
        yield item
        yield from item.get("item", ())


@pytest.fixture(scope="module", params=FhirVersion)
def night(request, tmp_path_factory):
    """Every flag of a night over an invented clinic, and the same as a later night closes them."""
    folder = tmp_path_factory.mktemp("night")
    run_night(make_export(folder, "--version", request.param.value, patients=60), folder / "out")
    flags = lines(folder / "out" / "DetectedIssue.ndjson")
    closing = {"closed_on": AS_OF, "why": "TSH clears it.", "version": request.param}
    return request.param, [*flags, *(closed_issue(flag, **closing) for flag in flags)]


@pytest.mark.parametrize("judge", [WALKER, OTHER])
def test_every_flag_of_the_screening_holds_to_its_profile_open_and_closed(night, judge):
    version, flags = night
    pairs = [(flag, of_id(FLAG_ID, version)) for flag in flags]
    assert faults_by_profile(pairs, version, judge) == {}
    assert len({flag["code"]["coding"][0]["code"] for flag in flags}) > 2
    assert len(pairs) > 20


def flags_of_patients(client, version):
    """Those that the screening of one patient raises among the fixtures."""
    asked = (client.post(f"/fhir/{version}/$screen-switches?as-of={AS_OF}", json=each)
             for each in records(version))  # fmt: skip
    inside = [entry["resource"] for answer in asked for entry in answer.json()["entry"]]
    return [each for each in inside if each["resourceType"] == "DetectedIssue"]


@pytest.mark.parametrize("version", FhirVersion)
def test_every_flag_of_one_patient_screened_holds_to_it_too(client, version):
    flags = flags_of_patients(client, version)
    assert flags
    assert faults_by_profile([(flag, of_id(FLAG_ID, version)) for flag in flags], version) == {}


# --- what is read ------------------------------------------------------------------------------

OTHERS = [
    {"resourceType": "Goal", "lifecycleStatus": "active", "description": {"text": "TSH low"},
     "subject": {"reference": "Patient/p"}},
    {"resourceType": "Medication", "code": {"text": "Levothyroxine 50 microgram tablet"}},
]  # fmt: skip


def of_records(version):
    every = [*records(version), *(record_of(visit, version) for visit in VISITS)]
    inside = [entry["resource"] for record in every for entry in record["entry"]]
    return [r for r in [*inside, *OTHERS] if r["resourceType"] in read_by_type(version)]


@pytest.mark.parametrize("version", FhirVersion)
def test_every_record_of_the_fixtures_holds_to_the_profiles_of_what_is_read(version):
    pairs = with_profiles(of_records(version), read_by_type(version))
    assert faults_by_profile(pairs, version) == {}
    assert {profile.id for _, profile in pairs} == {p.id for p in read_by_type(version).values()}
    assert len(pairs) > 10 * len(FILES)


# --- planted faults ----------------------------------------------------------------------------


def without(path):
    """Takes an element away, wherever its path begins in a list in the first of it."""

    def plant(resource):
        *way, last = path.split(".")
        node = resource
        for step in way:
            node = node[step][0] if isinstance(node[step], list) else node[step]
        del node[last]

    return plant


def of_another_code(resource):
    resource["code"] = {"coding": [{"system": "http://loinc.org", "code": "2345-7"}]}


def with_rules(resource):
    resource["implicitRules"] = "http://example.org/rules"


def with_a_modifier(resource):
    resource["modifierExtension"] = [{"url": "http://example.org/not", "valueBoolean": True}]


def with_an_answer_of_another_system(form):
    form["item"][0]["answerOption"][0]["valueCoding"]["system"] = "urn:x"


def with_a_dose_asked_for_always(form):
    del next(item for item in form["item"][0]["item"] if item["type"] == "quantity")["enableWhen"]


# By profile: what is planted, and how what the walker says of it begins.
PLANTS = [
    ("switch-guidance", without("performer"), "GuidanceResponse.performer is missing"),
    ("switch-guidance", lambda r: r.update(status="failure"), "switch-guidance-1"),
    (
        "switch-guidance",
        lambda r: r.update(moduleCanonical="http://example.org/PlanDefinition/x|1"),
        "switch-guidance-1",
    ),
    ("proposed-plan", lambda r: r.update(status="active"), "CarePlan.status is not"),
    ("proposed-plan", without("extension"), "CarePlan.extension:series is missing"),
    (
        "proposed-plan",
        lambda r: r["extension"].append(r["extension"][0]),
        "there are too many CarePlan.extension:series",
    ),
    ("proposed-plan", without("period.end"), "CarePlan.period.end is missing"),
    ("proposed-order", lambda r: r.update(intent="order"), "proposed-order-1"),
    ("proposed-order", lambda r: r.update(doNotPerform=False), "there are too many"),
    ("proposed-order", without("groupIdentifier"), "MedicationRequest.groupIdentifier is missing"),
    (
        "proposed-order",
        lambda r: r["groupIdentifier"].update(system="urn:x"),
        "MedicationRequest.groupIdentifier.system is not",
    ),
    (
        "proposed-order",
        without("dosageInstruction.timing.repeat.boundsPeriod"),
        "MedicationRequest.dosageInstruction.timing.repeat.bounds[x] is missing",
    ),
    (
        "proposed-order",
        lambda r: r["dosageInstruction"][0]["doseAndRate"][0].update(doseRange={}),
        "MedicationRequest.dosageInstruction.doseAndRate.dose[x] is not to be a Range",
    ),
    (
        "proposed-order",
        without("dispenseRequest.quantity"),
        "MedicationRequest.dispenseRequest.quantity is missing",
    ),
    ("proposed-measurement", lambda r: r.update(intent="plan"), "proposed-measurement-1"),
    ("proposed-measurement", without("requisition"), "ServiceRequest.requisition is missing"),
    ("proposed-task", without("description"), "Task.description is missing"),
    ("proposed-task", lambda r: r.update(status="ready"), "Task.status is not"),
    (
        "checkpoint",
        lambda r: r["action"][0].update(selectionBehavior="any"),
        "{checkpoint}.action.selectionBehavior is not",
    ),
    ("checkpoint", without("action.action.condition"), "checkpoint-1"),
    ("safety-finding", without("severity"), "DetectedIssue.severity is missing"),
    (
        "safety-finding",
        lambda r: r["code"]["coding"][0].update(system="urn:x"),
        "DetectedIssue.code.coding.system is not",
    ),
    ("plan-provenance", lambda r: r["target"].append(r["target"][0]), "plan-provenance-1"),
    ("plan-provenance", without("entity.what"), "Provenance.entity.what is missing"),
    ("record-questions", without("url"), "Questionnaire.url is missing"),
    ("record-questions", lambda r: r.update(url="http://example.org/q"), "record-questions-1"),
    ("record-questions", without("item.text"), "Questionnaire.item.text is missing"),
    ("record-questions", without("item.answerOption"), "record-questions-1"),
    ("record-questions", with_an_answer_of_another_system, "record-questions-1"),
    ("record-questions", with_a_dose_asked_for_always, "record-questions-1"),
    ("screening-flag", without("detail"), "DetectedIssue.detail is missing"),
    (
        "screening-flag",
        lambda r: r["code"]["coding"][0].update(system="urn:x"),
        "DetectedIssue.code.coding.system is not",
    ),
    ("screening-flag", lambda r: r.update(status="final"), "screening-flag-1"),
    ("screening-flag", lambda r: r.update(mitigation=[{"action": {}}]), "screening-flag-1"),
    ("screening-flag", lambda r: r["evidence"].pop(0), "screening-flag-1"),
    ("read-patient", with_a_modifier, "there are too many Patient.modifierExtension"),
    ("read-medication-statement", with_rules, "there are too many"),
    ("read-medication-request", with_a_modifier, "there are too many"),
    ("read-medication", with_a_modifier, "there are too many Medication.modifierExtension"),
    ("read-observation", of_another_code, "Observation.code has no code of"),
    ("read-observation", with_a_modifier, "there are too many Observation.modifierExtension"),
    ("read-condition", with_rules, "there are too many Condition.implicitRules"),
    ("read-goal", with_a_modifier, "there are too many Goal.modifierExtension"),
    ("read-allergy-intolerance", with_rules, "there are too many"),
    ("read-questionnaire-response", without("questionnaire"), "QuestionnaireResponse.question"),
]


@pytest.fixture(scope="module")
def sound(client):
    """By version and profile, one resource without a fault."""
    found = {}
    for version in FhirVersion:
        name = next(n for n, (_, of) in ANSWERS.items() if of is version)
        for resource in resources(answer(name)):
            found[version, written_by_type(version)[resource["resourceType"]].id] = resource
        for form in forms_of(client, version):
            if "answerOption" in form["item"][0] and "enableWhen" in str(form):
                found[version, "record-questions"] = form
        for flag in flags_of_patients(client, version):
            found[version, FLAG_ID] = flag
        for resource in of_records(version):
            found[version, read_by_type(version)[resource["resourceType"]].id] = resource
    return {key: json.loads(to_json(resource)) for key, resource in found.items()}


@pytest.mark.parametrize("version", FhirVersion)
def test_a_fault_planted_against_a_profile_is_seen(sound, version):
    by_id = {p.id: p for p in profiles(version) if p.id != CHANGED_TASK_ID}  # has a test above
    assert {name for name, _, _ in PLANTS} == set(by_id)
    pairs = []
    for name, plant, _ in PLANTS:
        resource = deepcopy(sound[version, name])
        plant(resource)
        pairs += [(sound[version, name], by_id[name]), (resource, by_id[name])]
    other = judged(pairs, version, OTHER)
    assert other[::2] == [[]] * len(PLANTS)
    assert {PLANTS[n][0] for n, found in enumerate(other[1::2]) if found} == set(by_id)
    said = judged(pairs, version)
    assert said[::2] == [[]] * len(PLANTS)
    for (name, _, words), found in zip(PLANTS, said[1::2], strict=True):
        begins = words.format(checkpoint=by_id["checkpoint"].type)
        assert any(f["message"].startswith(begins) for f in found), (name, words, found)


# --- what the service says of them -------------------------------------------------------------


@pytest.mark.parametrize("version", FhirVersion)
def test_the_capabilities_name_every_profile_under_its_type(client, version):
    (rest,) = client.get(f"/fhir/{version}/metadata").json()["rest"]
    named = {
        (each["type"], url) for each in rest["resource"] for url in each.get("supportedProfile", ())
    }
    assert named == {(profile.type, profile.url) for profile in profiles(version)}
    for _, url in named:
        (entry,) = client.get(f"/fhir/{version}/StructureDefinition?url={url}").json()["entry"]
        assert entry["resource"]["snapshot"]["element"]


def test_the_results_that_are_read_can_be_expanded_and_validated(client):
    url = "http://crossgrain.example/fhir/ValueSet/read-results"
    expanded = client.get(f"/fhir/r4/ValueSet/$expand?url={url}").json()["expansion"]["contains"]
    assert {each["code"] for each in expanded} == {*CATALOGUE.codes.labs, "82810-3"}
    asked = f"/fhir/r4/ValueSet/$validate-code?url={url}&system=http://loinc.org&code="
    for code, holds in (("3016-3", True), ("2345-7", False)):
        said = client.get(asked + code).json()["parameter"][0]
        assert said == {"name": "result", "valueBoolean": holds}
