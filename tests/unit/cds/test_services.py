"""What discovery says, what is asked for, and that the published document says the same."""

import json
from pathlib import Path
from typing import Any

import pytest
from fastapi import FastAPI

from crossgrain.catalogue import Catalogue
from crossgrain.cds.documentation import discovery_docs, feedback_docs, service_docs
from crossgrain.cds.routes import add_cds
from crossgrain.cds.services import SERVICES, Template, discovery, templates
from crossgrain.http.metrics import Metrics
from crossgrain.http.settings import Settings

PUBLISHED = json.loads((Path(__file__).parents[3] / "openapi" / "openapi.json").read_text("utf-8"))[
    "paths"
]


def test_each_template_asks_for_one_patients_resources_of_one_kind(catalogue: Catalogue) -> None:
    """What must come whole is who it is and what is taken; the rest is said to be missing."""
    asked = {
        one.key: (one.kind, one.query.partition("&code=")[0], one.required, one.missed)
        for one in templates(catalogue.codes)
    }
    by_patient = "patient={{context.patientId}}"
    assert asked == {
        "patient": ("Patient", "Patient/{{context.patientId}}", True, True),
        "medicationRequests": (
            "MedicationRequest", f"MedicationRequest?{by_patient}", True, True,
        ),
        "medicationStatements": (
            "MedicationStatement", f"MedicationStatement?{by_patient}", True, True,
        ),
        "conditions": ("Condition", f"Condition?{by_patient}", False, True),
        "allergies": ("AllergyIntolerance", f"AllergyIntolerance?{by_patient}", False, True),
        "goals": ("Goal", f"Goal?{by_patient}", False, True),
        "observations": ("Observation", f"Observation?{by_patient}", False, True),
        "carePlans": ("CarePlan", f"CarePlan?{by_patient}", False, False),
    }  # fmt: skip


def test_laboratory_results_are_asked_for_by_code_and_system(catalogue: Catalogue) -> None:
    """FHIR R4, search, token: several values are joined by a comma and mean any of them."""
    (query,) = [one.query for one in templates(catalogue.codes) if one.key == "observations"]
    codes = query.partition("&code=")[2].split(",")
    assert codes == [f"http://loinc.org|{code}" for code in (*catalogue.codes.labs, "82810-3")]


def test_a_template_is_filled_with_the_patient_and_is_a_read_or_a_search() -> None:
    read = Template("patient", "Patient", "Patient/{{context.patientId}}")
    search = Template("goals", "Goal", "Goal?patient={{context.patientId}}")
    assert (read.filled("p01"), search.filled("p01")) == ("Patient/p01", "Goal?patient=p01")
    assert (read.is_read, search.is_read) == (True, False)


def test_discovery_describes_every_service_to_the_letter() -> None:
    """CDS Hooks 2.0, discovery response: a client finds these names and no others."""
    asked = (Template("goals", "Goal", "Goal?patient={{context.patientId}}"),)
    found = discovery(asked)
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
        }


def without_examples(node: Any) -> Any:
    """The document before examples were made for it."""
    if isinstance(node, list):
        return [without_examples(each) for each in node]
    if not isinstance(node, dict):
        return node
    return {key: without_examples(value) for key, value in node.items() if key != "examples"}


@pytest.mark.parametrize(
    ("path", "method", "documented"),
    [
        ("/cds-services", "get", discovery_docs),
        ("/cds-services/{id}", "post", service_docs),
        ("/cds-services/{id}/feedback", "post", feedback_docs),
    ],
)
def test_the_published_document_says_of_a_route_what_the_route_says(
    path: str, method: str, documented: Any
) -> None:
    published = without_examples(PUBLISHED[path][method])
    said = json.loads(json.dumps(documented()))
    assert {name: published[name] for name in said} == said
    assert set(published) - set(said) == {"tags", "operationId"}


def test_the_routes_are_published_by_name_and_a_head_is_answered_too(
    catalogue: Catalogue,
) -> None:
    app = FastAPI()
    add_cds(app, None, templates(catalogue.codes), Settings(), Metrics())  # type: ignore[arg-type]
    paths = app.openapi()["paths"]
    for path in ("/cds-services", "/cds-services/{id}", "/cds-services/{id}/feedback"):
        (method,) = paths[path]
        for name in ("tags", "operationId"):
            assert paths[path][method][name] == PUBLISHED[path][method][name]
    methods = [set(r.methods) for r in app.routes if getattr(r, "path", "") == "/cds-services"]  # type: ignore[attr-defined]
    assert methods == [{"GET"}, {"HEAD"}]
