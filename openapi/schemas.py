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
    "Bundle": {
        "type": "object",
        "required": ["resourceType", "type"],
        "properties": {"resourceType": {"const": "Bundle"}, "type": {"type": "string"}},
    },
}
