"""The whole OpenAPI document, fuzzed: whatever is sent, the answer is one that it describes.

No 500, no status that is not in the document, no body of another shape, every error an
OperationOutcome. Slow, so kept short; `-m slow` picks it out.
"""

from datetime import timedelta
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, settings
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from crossgrain.app.factory import create_app
from crossgrain.catalogue import load_catalogue
from crossgrain.http.settings import Settings

from .conftest import STOPPED

pytestmark = pytest.mark.slow
APP = create_app(Settings(), load_catalogue(), clock=lambda: STOPPED)
SCHEMA = schemathesis.openapi.from_asgi("/openapi.json", APP)
CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_schema_conformance,
]


@SCHEMA.parametrize()
@settings(
    max_examples=25,
    deadline=timedelta(seconds=5),
    derandomize=True,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=list(HealthCheck),
)
def test_every_answer_is_one_that_the_document_describes(case: Any) -> None:
    answer = case.call()
    case.validate_response(answer, checks=CHECKS)
    if answer.status_code >= 400:
        assert answer.json()["resourceType"] == "OperationOutcome"
