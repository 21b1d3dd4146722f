"""What the service offers: of one deployment, and of every one.

That of one deployment stands at ``metadata``. That of every one names no deployment, no address and
no setting; it is published among the definitions, and in the packages.

https://hl7.org/fhir/R4/capabilitystatement.html
"""

from collections.abc import Iterable, Iterator

from crossgrain import __version__
from crossgrain.app.conformance.definitions import (
    APPLY_ID,
    PLAN_ID,
    PUBLISHED,
    Resource,
    head,
)
from crossgrain.app.conformance.library import DATA_REQUIREMENTS
from crossgrain.app.conformance.lookup import SEARCHED_BY, TERMINOLOGY
from crossgrain.app.conformance.profiles import supported
from crossgrain.http.requests import SPOKEN
from crossgrain.http.settings import Settings
from crossgrain.names.identity import SERVICE_NAME, FhirVersion, canonical

GUIDE_ID = "crossgrain"
CAPABILITIES_ID = "crossgrain"
_SAYS = "Proposes how to move a patient between thyroid hormone preparations."
READABLE = (
    "ImplementationGuide",
    "CapabilityStatement",
    "PlanDefinition",
    "Library",
    "Questionnaire",
    "OperationDefinition",
    "StructureDefinition",
    "CodeSystem",
    "ValueSet",
)
"""The types that can be read by id; what one deployment offers stands at ``metadata``."""


def requirements_statement(version: FhirVersion, definitions: Iterable[Resource]) -> Resource:
    """What every deployment offers, generated from the definitions that are published beside it."""
    words = f"{_SAYS} What every deployment offers; its own statement stands at metadata."
    body = head("CapabilityStatement", CAPABILITIES_ID, SERVICE_NAME, words)
    body["kind"] = "requirements"
    security = {
        "description": "As the deployment sets: an OAuth 2.0 access token, of which the definition"
        " of each operation names the scope, or none."
    }
    return body | _offered(version, security, list(definitions))


def instance_id(version: FhirVersion) -> str:
    """The id of a deployment's own statement, which its ``url`` ends in."""
    return f"{CAPABILITIES_ID}-{version}"


def instance_statement(
    version: FhirVersion, settings: Settings, definitions: Iterable[Resource]
) -> Resource:
    """What one deployment offers, as it is set."""
    body = head(
        "CapabilityStatement",
        instance_id(version),
        SERVICE_NAME,
        f"{_SAYS} Stateless: what it is sent is neither stored nor logged.",
    )
    body["kind"] = "instance"
    body["instantiates"] = [canonical("CapabilityStatement", CAPABILITIES_ID)]
    body["software"] = {"name": SERVICE_NAME, "version": __version__, "releaseDate": PUBLISHED}
    body["implementation"] = {"description": f"{SERVICE_NAME}, FHIR {version.number}"}
    if settings.public_url:
        body["implementation"]["url"] = f"{settings.public_url}/fhir/{version}"
    return body | _offered(version, _security(settings), list(definitions))


def _offered(version: FhirVersion, security: Resource, every: list[Resource]) -> Resource:
    return {
        "implementationGuide": [canonical("ImplementationGuide", GUIDE_ID)],
        "fhirVersion": version.number,
        "format": [*SPOKEN, "json"],
        "rest": [
            {
                "mode": "server",
                "security": security,
                "resource": [*_readable(version, every), *_only_sent(version)],
                "operation": [
                    _operation(d)
                    for d in every
                    if d["resourceType"] == "OperationDefinition" and d["system"]
                ],
            }
        ],
    }


_SECURITY = "http://terminology.hl7.org/CodeSystem/restful-security-service"


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


def _readable(version: FhirVersion, definitions: list[Resource]) -> Iterator[Resource]:
    """Types of which we publish definitions, and of one of them we write resources too."""
    profiles = supported(version)
    for kind in READABLE:
        yield {
            "type": kind,
            **({"supportedProfile": profiles[kind]} if kind in profiles else {}),
            "interaction": [{"code": "read"}, {"code": "search-type"}],
            "searchParam": [{"name": name, "type": of} for name, of in SEARCHED_BY.items()],
            **_operations_of(kind, definitions),
        }


def _only_sent(version: FhirVersion) -> Iterator[Resource]:
    """Types that are only sent and answered: none of them can be read here."""
    for kind, urls in supported(version).items():
        if kind not in READABLE:
            words = (
                "Read in a record that is sent, or written in an answer; nothing is stored here."
            )
            yield {"type": kind, "supportedProfile": urls, "documentation": words}


def _operations_of(kind: str, definitions: list[Resource]) -> Resource:
    """What can be asked of a type or of one of its definitions."""
    served = [
        {"name": each.name, "definition": each.definition}
        for each in TERMINOLOGY
        if each.kind == kind
    ]
    if kind in DATA_REQUIREMENTS:
        served.append({"name": "data-requirements", "definition": DATA_REQUIREMENTS[kind]})
    if kind != "PlanDefinition":
        return {"operation": served} if served else {}
    (apply,) = (d for d in definitions if d["id"] == APPLY_ID)
    return {
        "documentation": f"{PLAN_ID} is the one plan definition.",
        "operation": [_operation(apply), *served],
    }


def _operation(definition: Resource) -> Resource:
    return {"name": definition["code"], "definition": definition["url"]}
