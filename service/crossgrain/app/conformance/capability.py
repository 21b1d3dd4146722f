"""The CapabilityStatement: what this instance serves, in one FHIR version."""

from collections.abc import Iterable

from crossgrain import __version__
from crossgrain.app.conformance.heads import PUBLISHED, Resource, head
from crossgrain.app.conformance.operation_definitions import APPLY_ID
from crossgrain.app.conformance.plan_definition import PLAN_ID
from crossgrain.http.negotiation import SPOKEN
from crossgrain.http.settings import Settings
from crossgrain.names.identity import SERVICE_NAME, FhirVersion

_SECURITY = "http://terminology.hl7.org/CodeSystem/restful-security-service"


def capability_statement(
    version: FhirVersion, settings: Settings, definitions: Iterable[Resource]
) -> Resource:
    """Generated from the definitions that are published beside it."""
    every = list(definitions)
    body = head(
        "CapabilityStatement",
        f"crossgrain-{version}",
        SERVICE_NAME,
        "Proposes how to move a patient between thyroid hormone preparations. Stateless: what it"
        " is sent is neither stored nor logged.",
    )
    body["kind"] = "instance"
    body["software"] = {"name": SERVICE_NAME, "version": __version__, "releaseDate": PUBLISHED}
    body["implementation"] = {"description": f"{SERVICE_NAME}, FHIR {version.number}"}
    if settings.public_url:
        body["implementation"]["url"] = f"{settings.public_url}/fhir/{version}"
    body["fhirVersion"] = version.number
    body["format"] = [*SPOKEN, "json"]
    body["rest"] = [
        {
            "mode": "server",
            "security": _security(settings),
            "resource": _resources(every),
            "operation": [
                _operation(d)
                for d in every
                if d["resourceType"] == "OperationDefinition" and d["system"]
            ],
        }
    ]
    return body


def _security(settings: Settings) -> Resource:
    body: Resource = {"cors": bool(settings.cors_origins)}
    if settings.fhir_auth in {None, "off"}:
        body["description"] = "None: anyone who reaches the service may call it."
        return body
    coding = {"system": _SECURITY, "code": "OAuth", "display": "OAuth"}
    body["service"] = [{"coding": [coding], "text": "OAuth 2.0 bearer token with SMART scopes"}]
    body["description"] = (
        "Every FHIR operation takes an OAuth 2.0 access token; its definition names the scope."
    )
    return body


def _resources(definitions: list[Resource]) -> list[Resource]:
    kinds = dict.fromkeys(definition["resourceType"] for definition in definitions)
    return [
        {
            "type": kind,
            "interaction": [{"code": "read"}],
            **(_apply(definitions) if kind == "PlanDefinition" else {}),
        }
        for kind in kinds
    ]


def _apply(definitions: list[Resource]) -> Resource:
    (apply,) = (d for d in definitions if d["id"] == APPLY_ID)
    return {
        "documentation": f"{PLAN_ID} is the one plan definition.",
        "operation": [_operation(apply)],
    }


def _operation(definition: Resource) -> Resource:
    return {"name": definition["code"], "definition": definition["url"]}
