"""Every emitted resource parses with the published models of its FHIR version."""

from decimal import Decimal
from importlib import import_module

import orjson
import pytest
from tests.conformance.answers import ANSWERS, answer
from tests.unit.writing.answers import walk

from crossgrain.names.identity import FhirVersion
from crossgrain.writing.forms import as_transaction, to_json

MODELS = {FhirVersion.R4: "fhir.resources.R4B", FhirVersion.R5: "fhir.resources"}


def model(version, resource_type):
    module = import_module(f"{MODELS[version]}.{resource_type.lower()}")
    return getattr(module, resource_type)


@pytest.mark.parametrize("name", ANSWERS)
def test_every_resource_parses(name):
    version = ANSWERS[name][1]
    for entry in answer(name)["entry"]:
        resource = entry["resource"]
        parsed = model(version, resource["resourceType"]).model_validate_json(to_json(resource))
        assert parsed.id == resource["id"]


@pytest.mark.parametrize("name", ANSWERS)
def test_the_bundle_parses_as_a_collection_and_as_a_transaction(name):
    version = ANSWERS[name][1]
    bundle = answer(name)
    for form in (bundle, as_transaction(bundle)):
        parsed = model(version, "Bundle").model_validate_json(to_json(form))
        assert len(parsed.entry) == len(bundle["entry"])


@pytest.mark.parametrize("name", ANSWERS)
def test_the_bytes_say_what_the_tree_says(name):
    bundle = answer(name)
    plain = {k: float(v) if isinstance(v, Decimal) else v for k, v in walk(bundle)}
    sent = dict(walk(orjson.loads(to_json(bundle))))
    leaves = [path for path, value in plain.items() if not isinstance(value, dict | list)]
    assert leaves
    assert {path: plain[path] for path in leaves} == {path: sent[path] for path in leaves}
