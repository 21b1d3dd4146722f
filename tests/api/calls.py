"""What the tests of the API send, and what they look for in an answer."""

import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

FIXTURES = Path(__file__).parents[2] / "fixtures"
PATIENTS = FIXTURES / "patients"
SCENARIO: dict[str, Any] = tomllib.loads((FIXTURES / "scenario.toml").read_text("utf-8"))
VISITS: list[dict[str, Any]] = tomllib.loads(
    (FIXTURES / "visits" / "visits.toml").read_text("utf-8")
)["visit"]
"""Visits in the midst of a plan: the name of each record, its day, and how it ends."""
AS_OF: str = SCENARIO["as_of"]

PROPOSE = "/fhir/r4/$propose-switch"
COMPARE = "/fhir/r4/$compare-bases"
QUERY = f"?target=desiccated-thyroid&as-of={AS_OF}"
FHIR = {"content-type": "application/fhir+json"}

LT4 = "01-levothyroxine-150.json"
RECORD = (PATIENTS / LT4).read_bytes()
"""The first invented patient, who takes levothyroxine 150 µg."""
Resource = dict[str, Any]


def references(node: Any) -> Iterator[str]:
    """Every reference in a resource, in order."""
    if isinstance(node, dict):
        for key, value in node.items():
            if key == "reference" and isinstance(value, str):
                yield value
            else:
                yield from references(value)
    elif isinstance(node, list):
        for value in node:
            yield from references(value)
