"""The OpenAPI operation objects of the CDS Hooks routes."""

from typing import Any

from crossgrain.cds.services import SERVICES
from crossgrain.http.requests import PLAIN_JSON
from openapi.operations import OF_A_BODY, errors

_UUID = {"type": "string", "format": "uuid"}
_ID = {
    "name": "id",
    "in": "path",
    "required": True,
    "description": "The service's id, as discovery gives it.",
    "schema": {"enum": sorted({service.id for service in SERVICES})},
}
_CODING = {
    "type": "object",
    "required": ["code", "system"],
    "properties": {name: {"type": "string"} for name in ("code", "system", "display")},
}
_ACTION = {
    "type": "object",
    "required": ["type", "description"],
    "properties": {
        "type": {"enum": ["create", "update", "delete"]},
        "description": {"type": "string"},
        "resource": {"type": "object", "description": "Of create and update: the whole resource."},
        "resourceId": {"type": "string", "description": "Of delete: Type/id."},
    },
}
_CARD = {
    "type": "object",
    "required": ["uuid", "summary", "indicator", "source"],
    "properties": {
        "uuid": _UUID,
        "summary": {"type": "string", "maxLength": 139},
        "detail": {"type": "string", "description": "GitHub-flavoured Markdown."},
        "indicator": {"enum": ["info", "warning", "critical"]},
        "source": {
            "type": "object",
            "required": ["label"],
            "properties": {"label": {"type": "string"}, "topic": _CODING},
        },
        "suggestions": {
            "type": "array",
            "minItems": 1,
            "items": {
                "type": "object",
                "required": ["label", "uuid", "actions"],
                "properties": {
                    "label": {"type": "string"},
                    "uuid": _UUID,
                    "isRecommended": {"type": "boolean"},
                    "actions": {"type": "array", "minItems": 1, "items": _ACTION},
                },
            },
        },
        "selectionBehavior": {"enum": ["any", "at-most-one"]},
        "overrideReasons": {"type": "array", "minItems": 1, "items": _CODING},
    },
}
_CALL = {
    "type": "object",
    "required": ["hook", "hookInstance", "context"],
    "properties": {
        "hook": {"enum": sorted({service.hook for service in SERVICES})},
        "hookInstance": _UUID,
        "fhirServer": {"type": "string", "format": "uri"},
        "fhirAuthorization": {
            "type": "object",
            "required": ["access_token", "token_type"],
            "properties": {
                "access_token": {"type": "string"},
                "token_type": {"const": "Bearer"},
            },
        },
        "context": {
            "type": "object",
            "required": ["userId", "patientId"],
            "properties": {
                "userId": {"type": "string"},
                "patientId": {"type": "string"},
                "encounterId": {"type": "string"},
                "selections": {"type": "array", "items": {"type": "string"}},
                "draftOrders": {"$ref": "#/components/schemas/Bundle"},
            },
        },
        "prefetch": {"type": "object", "description": "By the keys of discovery."},
    },
}
_FEEDBACK = {
    "type": "object",
    "required": ["feedback"],
    "properties": {
        "feedback": {
            "type": "array",
            "minItems": 1,
            "items": {
                "type": "object",
                "required": ["card", "outcome", "outcomeTimestamp"],
                "properties": {
                    "card": _UUID,
                    "outcome": {"enum": ["accepted", "overridden"]},
                    "acceptedSuggestions": {
                        "type": "array",
                        "minItems": 1,
                        "items": {
                            "type": "object",
                            "required": ["id"],
                            "properties": {"id": _UUID},
                        },
                    },
                    "overrideReason": {
                        "type": "object",
                        "properties": {"reason": _CODING, "userComment": {"type": "string"}},
                    },
                    "outcomeTimestamp": {"type": "string", "format": "date-time"},
                },
            },
        }
    },
}


def discovery_docs() -> dict[str, Any]:
    """``GET /cds-services``."""
    services = {"type": "object", "required": ["services"]}
    return {
        "summary": "The CDS services",
        "description": "CDS Hooks 2.0 discovery, with the prefetch templates (FHIR R4).",
        "responses": {
            "200": {"description": "Every service and hook.", "content": _json(services)},
            **errors("400", "401"),
        },
    }


def service_docs() -> dict[str, Any]:
    """``POST /cds-services/{id}``."""
    cards = {
        "type": "object",
        "required": ["cards"],
        "properties": {"cards": {"type": "array", "items": _CARD}},
    }
    return {
        "summary": "Call a CDS service",
        "description": "CDS Hooks 2.0. An empty list means that there is nothing to say; it is no"
        " clearance.",
        "parameters": [_ID],
        "requestBody": {"required": True, "content": _json(_CALL)},
        "responses": {
            "200": {"description": "The cards.", "content": _json(cards)},
            **errors("400", "401", "404", *OF_A_BODY, "412", "422", "500"),
        },
    }


def feedback_docs() -> dict[str, Any]:
    """``POST /cds-services/{id}/feedback``."""
    return {
        "summary": "Say what became of cards",
        "description": "CDS Hooks 2.0. Counted, and kept nowhere.",
        "parameters": [_ID],
        "requestBody": {"required": True, "content": _json(_FEEDBACK)},
        "responses": {
            "200": {"description": "It was counted. No body."},
            **errors("400", "401", "404", *OF_A_BODY, "500"),
        },
    }


def _json(schema: dict[str, Any]) -> dict[str, Any]:
    return {PLAIN_JSON: {"schema": schema}}
