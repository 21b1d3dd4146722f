"""What the tests of the API send: addresses, headers, options, and the invented patients."""

import tomllib
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
