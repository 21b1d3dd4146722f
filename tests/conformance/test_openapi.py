"""The OpenAPI document against the specification's own schema (openapi-spec-validator)."""

import json
from pathlib import Path

import pytest
from openapi_spec_validator import validate
from openapi_spec_validator.validation.exceptions import OpenAPIValidationError

DOCUMENT = Path(__file__).parents[2] / "openapi" / "openapi.json"


def document() -> dict[str, object]:
    read: dict[str, object] = json.loads(DOCUMENT.read_text("utf-8"))
    return read


def test_the_document_is_openapi() -> None:
    validate(document())


def test_a_fault_planted_in_it_is_seen() -> None:
    broken = document()
    paths = broken["paths"]
    assert isinstance(paths, dict)
    paths["/sheet"]["post"]["responses"] = "none"
    with pytest.raises(OpenAPIValidationError):
        validate(broken)
