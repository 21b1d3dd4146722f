"""Every answer holds to the official StructureDefinitions, invariants and code systems.

The walker is independent of our models: it reads HL7's own definitions of either version and
evaluates their invariants with a FHIRPath engine. The planted faults prove that it sees.
"""

from copy import deepcopy

import pytest
from tests.conformance.answers import ANSWERS, answer
from tests.conformance.faults import FAULTS
from tests.conformance.node import needs_node, needs_packages, walked
from tests.conformance.patients import CATALOGUE, DIRECTIONS, every_direction
from tests.unit.writing.answers import written
from tests.unit.writing.plans import levothyroxine_to_desiccated

from crossgrain.names.identity import FhirVersion
from crossgrain.writing.forms import as_transaction

pytestmark = [needs_node, needs_packages]


@pytest.mark.parametrize("version", FhirVersion)
def test_every_answer_and_every_transaction_is_without_a_fault(version):
    answers = [answer(name) for name, (_, written_in) in ANSWERS.items() if written_in is version]
    reports = walked([*answers, *map(as_transaction, answers)], version)
    assert [report["faults"] for report in reports] == [[]] * (2 * len(answers))
    assert reports[0]["elements"] > 1000
    assert reports[0]["invariants"] > 1000


@pytest.mark.parametrize("version", FhirVersion)
def test_every_patient_to_every_target_is_without_a_fault(version):
    proposals = every_direction()
    reports = walked([written(made, version, CATALOGUE.codes) for made in proposals], version)
    assert len(proposals) > len(DIRECTIONS) / 2
    assert [report["faults"] for report in reports] == [[]] * len(proposals)


@pytest.fixture(scope="module")
def faulty():
    """What is said of each fault, all those of a version in one run."""
    said = {}
    for version in FhirVersion:
        sound = written(levothyroxine_to_desiccated(), version)
        own = [fault for fault in FAULTS if fault[0] is version]
        bundles = [deepcopy(sound) for _ in own]
        for bundle, fault in zip(bundles, own, strict=True):
            FAULTS[fault][0](bundle)
        said |= zip(own, walked(bundles, version), strict=True)
    return said


@pytest.mark.parametrize("fault", FAULTS, ids=", ".join)
def test_a_planted_fault_is_seen(faulty, fault):
    words = FAULTS[fault][1]
    assert any(found["message"].startswith(words) for found in faulty[fault]["faults"])
