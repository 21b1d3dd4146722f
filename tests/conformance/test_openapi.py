"""The OpenAPI document against the specification's own schema (openapi-spec-validator)."""

import json
from importlib import import_module
from pathlib import Path
from types import ModuleType

import pytest

DOCUMENT = Path(__file__).parents[2] / "openapi" / "openapi.json"


@pytest.fixture
def validator() -> ModuleType:
    """Imported when asked for: its grammars take seconds, which a quick run need not wait for."""
    return import_module("openapi_spec_validator")


def document() -> dict[str, object]:
    read: dict[str, object] = json.loads(DOCUMENT.read_text("utf-8"))
    return read


def test_the_document_is_openapi(validator: ModuleType) -> None:
    validator.validate(document())


def test_a_fault_planted_in_it_is_seen(validator: ModuleType) -> None:
    broken = document()
    paths = broken["paths"]
    assert isinstance(paths, dict)
    paths["/sheet"]["post"]["responses"] = "none"
    with pytest.raises(validator.validation.exceptions.OpenAPIValidationError):
        validator.validate(broken)
