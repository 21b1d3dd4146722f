"""The OpenAPI document: every route, option, answer and error, from the code's own tables.

The routes give addresses, ids and tags; what else is said of each is put together here, by its
operation id, and the examples are what the service answers.
"""

import json
from collections.abc import Iterator
from typing import Any

from fastapi.utils import deep_dict_update

from crossgrain.app.conformance.capabilities import READABLE
from crossgrain.app.conformance.definitions import APPLY_ID
from crossgrain.app.conformance.guide import shelf_of
from crossgrain.app.conformance.lookup import TERMINOLOGY, Shelf
from crossgrain.app.factory import create_app
from crossgrain.auth.guard import is_cds, is_operation
from crossgrain.catalogue import load_catalogue
from crossgrain.http.settings import Settings
from crossgrain.names.identity import FhirVersion
from crossgrain.operations.apply import plan_options
from crossgrain.operations.desk import Desk, desk_over, now
from crossgrain.operations.options import page_options
from crossgrain.operations.screen_switches import screening_options
from openapi.examples import add_examples
from openapi.hooks import HOOK_COMPONENTS, discovery_docs, feedback_docs, service_docs
from openapi.operations import (
    apply_docs,
    call_schemas,
    next_step_docs,
    operation_docs,
    package_docs,
    read_docs,
    search_docs,
    sheet_docs,
    terminology_docs,
    visit_sheet_docs,
)
from openapi.schemas import COMPONENTS, with_types

Docs = dict[str, Any]
DESCRIPTION = (
    "Proposes a dated, traceable MedicationRequest series for moving a hypothyroid patient"
    " between levothyroxine, desiccated thyroid, liothyronine and their combinations. It"
    " proposes; a licensed prescriber decides. Every error is a FHIR OperationOutcome."
)
SCHEMES: Docs = {
    "access-token": {
        "type": "http",
        "scheme": "bearer",
        "bearerFormat": "JWT, or opaque where tokens are introspected",
        "description": "An OAuth 2.0 access token with SMART scopes: user/MedicationRequest.c to"
        " propose, user/MedicationRequest.r to compare and to screen.",
    },
    "cds-client": {
        "type": "http",
        "scheme": "bearer",
        "bearerFormat": "JWT",
        "description": "The token that a CDS client signs for one call, as CDS Hooks has it.",
    },
}
"""How callers are known where a deployment asks who they are."""
_OF_THEMSELVES = {"livez", "readyz", "metrics"}
"""What takes nothing and answers one thing needs no more than its docstring."""


def document() -> Docs:
    """The document of the shipped catalogue and the default settings.

    Raises
    ------
    LookupError
        where a route is not documented, or what is documented is no route.
    """
    catalogue = load_catalogue()
    made = create_app(Settings.model_construct(), catalogue).openapi()
    desk = desk_over(catalogue, now)
    documented = dict(_documented(desk))
    for item in made["paths"].values():
        for operation in item.values():
            own_id = operation["operationId"]
            if own_id not in _OF_THEMSELVES:
                deep_dict_update(operation, documented.pop(own_id))
    if documented:
        raise LookupError(f"no such route: {', '.join(documented)}")
    made["info"]["description"] = DESCRIPTION
    components = made.setdefault("components", {})
    components["schemas"] = {**COMPONENTS, **call_schemas(desk), **HOOK_COMPONENTS}
    components["securitySchemes"] = SCHEMES
    for path, item in made["paths"].items():
        for operation in item.values():
            operation.update(_who_may(path))
    made = with_types(made)
    add_examples(made, desk)
    return {name: made.pop(name) for name in ("openapi", "info")} | {
        "servers": [{"url": "/"}],
        **made,
    }


def _who_may(path: str) -> Docs:
    """The scheme of a route that a deployment may close; it is open where it is not set to."""
    scheme = "cds-client" if is_cds(path) else "access-token" if is_operation(path) else ""
    return {"security": [{scheme: []}, {}]} if scheme else {}


def written(made: Docs) -> str:
    """The text of the file."""
    return json.dumps(made, indent=2, ensure_ascii=False) + "\n"


def _documented(desk: Desk) -> Iterator[tuple[str, Docs]]:
    """Operation id and operation object of every route that takes or answers FHIR, or a card."""
    for version in FhirVersion:
        shelf = shelf_of(desk, version)
        yield from _operations(desk, shelf, f"fhir-{version}")
        yield f"fhir-{version}-metadata", read_docs(())
        yield f"fhir-{version}-package.tgz", package_docs()
        for kind in READABLE:
            ids = tuple(own_id for of, own_id in shelf if of == kind)
            summary = {"summary": f"Read a definition: {kind}"}
            yield f"fhir-{version}-{kind}-read", {**read_docs(ids), **summary}
            yield f"fhir-{version}-{kind}", search_docs(kind)
        for served in TERMINOLOGY:
            yield f"fhir-{version}-{served.kind}-{served.name}", terminology_docs(served)
    yield "get-cds-services", discovery_docs()
    yield "post-cds-services", service_docs()
    yield "post-cds-services-feedback", feedback_docs()
    yield "sheet", sheet_docs(page_options(desk.switch_options))
    yield "sheet-next-step", visit_sheet_docs(page_options(desk.next_step_options))


def _operations(desk: Desk, shelf: Shelf, prefix: str) -> Iterator[tuple[str, Docs]]:
    """Each is called and described as in its OperationDefinition."""
    for own_id, options, answered, answer in (
        (
            "propose-switch",
            desk.switch_options,
            "Bundle",
            "A collection Bundle. Its GuidanceResponse says how the call ended: success"
            " with a result (a plan), success without (a safety stop), or data-required"
            " (questions, each with its FHIRPath).",
        ),
        (
            "compare-bases",
            desk.comparison_options,
            "Parameters",
            "A Parameters resource with one parameter named basis per chart.",
        ),
        (
            "screen-switches",
            screening_options(desk.switch_options),
            "Bundle",
            "A collection Bundle: an OperationOutcome that says how it ended, then the"
            " DetectedIssues.",
        ),
    ):
        yield (
            f"{prefix}-{own_id}",
            operation_docs(own_id, *_called(shelf, own_id), options, answer, answered=answered),
        )
    title, description = _called(shelf, "next-step")
    yield f"{prefix}-next-step", next_step_docs(title, description, desk.next_step_options)
    title, description = _called(shelf, APPLY_ID)
    docs = apply_docs(title, description, plan_options(desk))
    yield f"{prefix}-PlanDefinition-regimen-switch-apply", docs


def _called(shelf: Shelf, own_id: str) -> tuple[str, str]:
    defined = shelf["OperationDefinition", own_id]
    return defined["title"], defined["description"]
