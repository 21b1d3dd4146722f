"""The schemas that operations point at."""

from collections.abc import Mapping
from typing import Any

COMPONENTS: Mapping[str, dict[str, Any]] = {
    "OperationOutcome": {
        "type": "object",
        "required": ["resourceType", "issue"],
        "properties": {
            "resourceType": {"const": "OperationOutcome"},
            "issue": {
                "type": "array",
                "minItems": 1,
                "items": {
                    "type": "object",
                    "required": ["severity", "code", "diagnostics"],
                    "properties": {
                        "severity": {"enum": ["fatal", "error"]},
                        "code": {"type": "string", "description": "hl7.org/fhir/issue-type"},
                        "diagnostics": {"type": "string"},
                        "expression": {
                            "type": "array",
                            "items": {"type": "string"},
                            "description": "A FHIRPath into the body, or http. and a name.",
                        },
                    },
                },
            },
        },
    },
    "Resource": {
        "type": "object",
        "description": "A FHIR resource; the StructureDefinitions say what each type holds.",
        "required": ["resourceType"],
        "properties": {"resourceType": {"type": "string"}, "id": {"type": "string"}},
        "additionalProperties": True,
    },
    "Bundle": {
        "type": "object",
        "required": ["resourceType", "type"],
        "properties": {
            "resourceType": {"const": "Bundle"},
            "type": {"type": "string"},
            "entry": {"type": "array", "items": {"$ref": "#/components/schemas/BundleEntry"}},
        },
        "additionalProperties": True,
    },
    "BundleEntry": {
        "type": "object",
        "properties": {
            "fullUrl": {"type": "string"},
            "resource": {"$ref": "#/components/schemas/Resource"},
        },
        "additionalProperties": True,
    },
    "Parameters": {
        "type": "object",
        "required": ["resourceType"],
        "properties": {
            "resourceType": {"const": "Parameters"},
            "parameter": {
                "type": "array",
                "items": {
                    "type": "object",
                    "description": "A value[x], a resource or parts.",
                    "required": ["name"],
                    "properties": {"name": {"type": "string"}},
                    "additionalProperties": True,
                },
            },
        },
        "additionalProperties": True,
    },
}
"""Open where FHIR is: a generator of clients that finds no word of that leaves the rest out."""


def with_types(schema: Any) -> Any:
    """The schema, each fixed value and each list of values with its type beside it, and each
    object of which nothing is said open: generators of clients read neither between the lines.
    """
    if isinstance(schema, list):
        return [with_types(part) for part in schema]
    if not isinstance(schema, dict):
        return schema
    made = {key: with_types(value) for key, value in schema.items()}
    fixed = made.get("enum", [made.get("const")])
    if isinstance(fixed, list) and fixed and all(isinstance(value, str) for value in fixed):
        made.setdefault("type", "string")
    if made.get("type") == "object" and not {"properties", "additionalProperties"} & made.keys():
        made["additionalProperties"] = True
    return made
