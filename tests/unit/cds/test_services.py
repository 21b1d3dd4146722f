"""What discovery says, and what is asked for."""

from crossgrain.catalogue import Catalogue
from crossgrain.cds.services import SERVICES, Template, discovery, templates

from .conftest import written


def _asks(one: Template) -> str:
    """Its query but for the codes of laboratories, and but for the size of a page."""
    said, _, page = one.query.partition("&_count=")
    assert page == ("" if one.is_read else "200")
    return said.partition("&code=")[0]


def test_each_template_asks_for_one_patients_resources_of_one_kind(catalogue: Catalogue) -> None:
    """What must come whole is who it is and what is taken; the rest is said to be missing.

    US Core 8.0.1, MedicationRequest: servers shall support patient with intent and status, each of
    several values. FHIR R4 value sets medicationrequest-intent, -status and
    medication-statement-status: all codes but entered-in-error.
    """
    asked = {
        one.key: (one.kind, _asks(one), one.required, one.missed)
        for one in templates(catalogue.codes)
    }
    by_patient = "patient={{context.patientId}}"
    assert asked == {
        "patient": ("Patient", "Patient/{{context.patientId}}", True, True),
        "medicationRequests": (
            "MedicationRequest",
            f"MedicationRequest?{by_patient}&intent=filler-order,instance-order,option,order,"
            "original-order,plan,proposal,reflex-order"
            "&status=active,cancelled,completed,draft,on-hold,stopped,unknown",
            True,
            True,
        ),
        "medicationStatements": (
            "MedicationStatement",
            f"MedicationStatement?{by_patient}"
            "&status=active,completed,intended,not-taken,on-hold,stopped,unknown",
            True,
            True,
        ),
        "conditions": ("Condition", f"Condition?{by_patient}", False, True),
        "allergies": ("AllergyIntolerance", f"AllergyIntolerance?{by_patient}", False, True),
        "goals": ("Goal", f"Goal?{by_patient}", False, True),
        "observations": ("Observation", f"Observation?{by_patient}", False, True),
        "carePlans": ("CarePlan", f"CarePlan?{by_patient}", False, False),
        "bloodTests": (
            "ServiceRequest",
            f"ServiceRequest?{by_patient}&category=http://snomed.info/sct|108252007",
            False,
            False,
        ),
        "tasks": ("Task", f"Task?{by_patient}", False, False),
        "howItGoes": (
            "QuestionnaireResponse",
            f"QuestionnaireResponse?{by_patient}"
            "&questionnaire=http://crossgrain.example/fhir/Questionnaire/how-it-goes",
            False,
            False,
        ),
    }  # fmt: skip


def test_laboratory_results_are_asked_for_by_code_and_system(catalogue: Catalogue) -> None:
    """FHIR R4, search, token: several values are joined by a comma and mean any of them."""
    (query,) = [one.query for one in templates(catalogue.codes) if one.key == "observations"]
    codes = query.partition("&code=")[2].partition("&")[0].split(",")
    assert codes == [f"http://loinc.org|{code}" for code in (*catalogue.codes.labs, "82810-3")]


def test_a_template_is_filled_with_the_patient_and_is_a_read_or_a_search() -> None:
    read = Template("patient", "Patient", "Patient/{{context.patientId}}")
    search = Template("goals", "Goal", "Goal?patient={{context.patientId}}")
    assert (read.filled("p01"), search.filled("p01")) == ("Patient/p01", "Goal?patient=p01")
    assert (read.is_read, search.is_read) == (True, False)


def test_discovery_describes_every_service_to_the_letter() -> None:
    """CDS Hooks 3.0, discovery response: a client finds these names and no others."""
    asked = (Template("goals", "Goal", "Goal?patient={{context.patientId}}"),)
    found = written(discovery(asked))
    assert set(found) == {"services"}
    for service, entry in zip(SERVICES, found["services"], strict=True):
        needs = entry.pop("usageRequirements")
        assert needs.startswith("FHIR R4. Patient, MedicationRequest and MedicationStatement")
        assert entry == {
            "hook": service.hook,
            "title": service.title,
            "description": service.description,
            "id": service.id,
            "prefetch": {"goals": "Goal?patient={{context.patientId}}"},
            "version": "STU3",
        }
