"""Answers written from the hand-made proposals, and ways to look into them."""

from decimal import Decimal

from tests.unit.writing.plans import CODES

from crossgrain.names.identity import FhirVersion
from crossgrain.writing.answer import answer_bundle


def written(proposal, version=FhirVersion.R4, codes=CODES):
    return answer_bundle(proposal, version=version, service_version="0.1.0", codes=codes)


def resources(bundle, resource_type=None):
    every = [entry["resource"] for entry in bundle["entry"]]
    return [r for r in every if resource_type in (None, r["resourceType"])]


def only(bundle, resource_type):
    (found,) = resources(bundle, resource_type)
    return found


def intended(bundle, resource_type, intent):
    return [r for r in resources(bundle, resource_type) if r["intent"] == intent]


def period(request):
    bounds = request["dosageInstruction"][0]["timing"]["repeat"]["boundsPeriod"]
    return bounds["start"], bounds["end"]


def product(request):
    return request["medicationCodeableConcept"]["text"]


def doses(request):
    """Type of dose → value and unit code."""
    return {
        dose["type"]["coding"][0]["code"]: (
            dose["doseQuantity"]["value"],
            dose["doseQuantity"]["code"],
        )
        for dose in request["dosageInstruction"][0]["doseAndRate"]
    }


def walk(node, path="Bundle"):
    """Every node of a tree with its path."""
    yield path, node
    if isinstance(node, dict):
        for key, value in node.items():
            yield from walk(value, f"{path}.{key}")
    elif isinstance(node, list):
        for place, value in enumerate(node):
            yield from walk(value, f"{path}[{place}]")


def tablets_of(request):
    value, code = doses(request)["ordered"]
    assert code == "{tbl}"
    return Decimal(value)
