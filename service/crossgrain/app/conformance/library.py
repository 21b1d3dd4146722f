"""What a plan is made from, as a Library: for each type what is read, and by which codes.

https://hl7.org/fhir/R4/library-operation-data-requirements.html
"""

from collections.abc import Iterable, Iterator

from crossgrain.app.conformance.definitions import PLAN_ID, Resource, head
from crossgrain.app.conformance.read_profiles import read_id
from crossgrain.names.identity import HOW_IT_GOES, canonical
from crossgrain.reading.code_tables import CodeTables
from crossgrain.reading.codesystems import Loinc
from crossgrain.reading.labs import PREGNANCY_STATUS
from crossgrain.writing.elements import bullets

DATA_REQUIREMENTS = {
    kind: f"http://hl7.org/fhir/OperationDefinition/{kind}-data-requirements"
    for kind in ("Library", "PlanDefinition")
}
"""FHIR's own operation at one of either; both are answered with the one Library."""
_TYPE_SYSTEM = "http://terminology.hl7.org/CodeSystem/library-type"
READ = {
    "Patient": "The one patient: birth date and sex.",
    "MedicationStatement": "What is taken, of all medicines.",
    "MedicationRequest": "What is ordered, of all medicines, drafts too.",
    "Medication": "What a reference of the two names.",
    "Observation": "Thyroid results, heart rate, weight and pregnancy status, by these codes.",
    "Condition": "All: what speaks against a step is found among them.",
    "Goal": "All: a TSH that is kept low on purpose, a pregnancy that is planned.",
    "AllergyIntolerance": "All.",
    "QuestionnaireResponse": f"Answers to {HOW_IT_GOES}.",
}
"""By type, what of it a plan is made from."""


def data_library(codes: CodeTables) -> Resource:
    """The Library that the PlanDefinition names."""
    body = head(
        "Library",
        PLAN_ID,
        "What a plan is made from",
        "The resources of one patient's record from which a plan is made. What is missing is asked"
        " for, or named as not checked. $next-step reads the earlier plan too: its CarePlan and"
        " its requests.",
        bullets(f"{kind}: {words}" for kind, words in READ.items()),
    )
    coding = {"system": _TYPE_SYSTEM, "code": "module-definition", "display": "Module Definition"}
    body["type"] = {"coding": [coding]}
    body["dataRequirement"] = list(requirements(codes, READ))
    return body


AT_THE_CHECKPOINT = ("Observation", "QuestionnaireResponse")
"""What the checkpoint's options are chosen by."""


def requirements(codes: CodeTables, kinds: Iterable[str]) -> Iterator[Resource]:
    """Of each type what is read, by our profile of it, and of results the codes."""
    results = [{"system": Loinc.system, "code": code} for code in (*codes.labs, PREGNANCY_STATUS)]
    for kind in kinds:
        profile = canonical("StructureDefinition", read_id(kind))
        body: Resource = {"type": kind, "profile": [profile]}
        if kind == "Observation":
            body["codeFilter"] = [{"path": "code", "code": results}]
        yield body
