"""What two general FHIR clients in Python get from the service, by their settings as they come.

Prints one JSON object: the client's name, then what it was asked, then its answer.
"""

import json
import os
from pathlib import Path
from typing import Any

from fhirclient.client import FHIRClient
from fhirclient.models.bundle import Bundle
from fhirclient.models.plandefinition import PlanDefinition
from fhirclient.models.questionnaire import Questionnaire
from fhirclient.models.structuredefinition import StructureDefinition
from fhirclient.models.valueset import ValueSet
from fhirpy import SyncFHIRClient
from fhirpy.base.exceptions import OperationOutcome

BASE = f"{os.environ['BASE']}/fhir/r4"
TARGET = "http://crossgrain.example/fhir/ValueSet/target"
FINDING = "http://crossgrain.example/fhir/CodeSystem/finding"
ASKED = {"target": "desiccated-thyroid", "as-of": "2025-03-03"}
RECORD = json.loads(Path("fixtures/patients/01-levothyroxine-150.json").read_text("utf-8"))


def by_fhirpy() -> dict[str, Any]:
    client = SyncFHIRClient(BASE)
    sets = client.resources("ValueSet")
    try:
        refused: Any = client.execute("$propose-switch", data=RECORD, params={"target": "none"})
    except OperationOutcome as outcome:
        refused = outcome.resource
    return {
        "capabilities": client.execute("metadata", method="get"),
        "read": client.reference("ValueSet", "target").to_resource(),
        "found by id": sets.search(_id="target").get(),
        "the first": sets.search(url=TARGET).first(),
        "in pages": [each["id"] for each in sets.limit(4).fetch_all()],
        "expanded": client.reference("ValueSet", "target").execute("$expand", method="get"),
        "looked up": client.execute(
            "CodeSystem/$lookup", method="get", params={"system": FINDING, "code": "warfarin"}
        ),
        "proposed": client.execute("$propose-switch", data=RECORD, params=ASKED),
        "refused": refused,
    }


def by_fhirclient() -> dict[str, Any]:
    client = FHIRClient(settings={"app_id": "none", "api_base": BASE})
    assert client.prepare()
    server = client.server
    query = "&".join(f"{name}={value}" for name, value in ASKED.items())
    proposed = Bundle(server.post_json(f"$propose-switch?{query}", RECORD).json())
    return {
        "read": ValueSet.read("target", server).as_json(),
        "plan definition": PlanDefinition.read("regimen-switch", server).as_json(),
        "profile": StructureDefinition.read("proposed-order", server).as_json(),
        "form": Questionnaire.read("how-it-goes", server).as_json(),
        "searched": [
            each.as_json()["id"]
            for each in ValueSet.where({"url": TARGET}).perform_resources(server)
        ],
        "proposed": proposed.as_json(),
    }


if __name__ == "__main__":
    print(json.dumps({"fhirpy": by_fhirpy(), "fhirclient": by_fhirclient()}))
