"""How long an answer takes from a proposal in memory to its tree, and from the tree to bytes.

Reports; never fails on time. `pytest tests/bench/test_write.py` prints a table, the floor first:
what it takes to write the same tree with orjson, which writes no exact decimals.
"""

from typing import Any

import orjson
import pytest
from pytest_benchmark.fixture import BenchmarkFixture
from tests.conformance.patients import CATALOGUE, proposed

from crossgrain.dosing.targets import Target
from crossgrain.names.identity import FhirVersion
from crossgrain.writing.answer import answer_bundle
from crossgrain.writing.forms import to_json

CASES = {
    "LT4 to desiccated": ("01-levothyroxine-150.json", Target.DESICCATED_THYROID),
    "LT3 to LT4": ("05-liothyronine-50.json", Target.LEVOTHYROXINE),
    "with atrial fibrillation": (
        "10-older-with-atrial-fibrillation.json",
        Target.DESICCATED_THYROID,
    ),
}


def written(case: str, version: FhirVersion = FhirVersion.R4) -> dict[str, Any]:
    """The answer of a case as a tree."""
    proposal = proposed(*CASES[case])
    return answer_bundle(proposal, version=version, service_version="0", codes=CATALOGUE.codes)


def floor(tree: dict[str, Any]) -> bytes:
    """The same tree to bytes, decimals as floats."""
    return orjson.dumps(tree, default=float)


@pytest.mark.benchmark(group="write", max_time=0.2)
def test_the_floor(benchmark: BenchmarkFixture) -> None:
    assert orjson.loads(benchmark(floor, written("LT4 to desiccated")))["entry"]


@pytest.mark.benchmark(group="write", max_time=0.2)
@pytest.mark.parametrize("version", FhirVersion)
@pytest.mark.parametrize("case", CASES)
def test_proposal_to_tree(benchmark: BenchmarkFixture, case: str, version: FhirVersion) -> None:
    tree = benchmark(written, case, version)
    benchmark.extra_info["resources"] = len(tree["entry"])
    assert tree["entry"][0]["resource"]["status"] == "success"


@pytest.mark.benchmark(group="write", max_time=0.2)
def test_tree_to_bytes(benchmark: BenchmarkFixture) -> None:
    tree = written("LT4 to desiccated")
    assert orjson.loads(benchmark(to_json, tree))["entry"]
