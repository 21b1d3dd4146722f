"""General FHIR clients in Python and JavaScript, by their settings as they come.

What each reads, finds one of, follows the pages of, asks an operation for, or is refused, is what
plain HTTP answers.
"""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from tests.bench.serve.server import running
from tests.conformance.node import NODE, needs_node, needs_packages
from tests.conformance.test_clients import CLIENTS, OWN, asked, fixture, needs_generator, ran

TARGET = "http://crossgrain.example/fhir/ValueSet/target"
FINDING = "http://crossgrain.example/fhir/CodeSystem/finding"


@pytest.fixture(scope="module")
def base() -> Iterator[str]:
    with running() as server:
        yield server.base


def by_http(base: str) -> dict[str, Any]:
    """What the programs ask for, by HTTP alone."""

    def get(path: str) -> Any:
        return asked(base, f"/fhir/r4/{path}", None)[1]

    def propose(query: str) -> Any:
        record = fixture("patients/01-levothyroxine-150.json")
        return asked(base, f"/fhir/r4/$propose-switch?{query}", record)[1]

    target = get("ValueSet/target")
    return {
        "capabilities": get("metadata"),
        "read": target,
        "found by id": target,
        "the first": target,
        "in pages": [each["resource"]["id"] for each in get("ValueSet")["entry"]],
        "searched": ["target"],
        "plan definition": get("PlanDefinition/regimen-switch"),
        "profile": get("StructureDefinition/proposed-order"),
        "form": get("Questionnaire/how-it-goes"),
        "expanded": get(f"ValueSet/$expand?url={TARGET}"),
        "looked up": get(f"CodeSystem/$lookup?system={FINDING}&code=warfarin"),
        "proposed": propose("target=desiccated-thyroid&as-of=2025-03-03"),
        "refused": propose("target=none"),
    }


@needs_generator
def test_two_clients_in_python_are_answered_what_plain_http_is(base: str) -> None:
    found = json.loads(ran([OWN / "python", CLIENTS / "general.py"], BASE=base))
    assert found.keys() == {"fhirpy", "fhirclient"}
    for answers in found.values():
        held_to(by_http(base), answers)


@needs_node
@needs_packages
def test_a_client_in_javascript_is_answered_what_plain_http_is(base: str) -> None:
    script: list[str | Path] = [str(NODE), CLIENTS / "general.mjs"]
    held_to(by_http(base), json.loads(ran(script, BASE=base)))


def held_to(plain: dict[str, Any], answers: dict[str, Any]) -> None:
    assert len(answers) >= 6
    for name, answer in answers.items():
        assert answer == plain[name], name
    assert len(plain["in pages"]) > 12
    assert plain["proposed"]["type"] == "collection"
