"""The collector is asked less often while serving, because a call leaves nothing for it."""

import gc
import json
from collections.abc import Callable
from contextlib import suppress
from typing import Any

import pytest

from crossgrain.catalogue import Catalogue
from crossgrain.names.identity import FhirVersion
from crossgrain.operations.desk import Desk, desk_over, now, parse_resource
from crossgrain.operations.faults import RequestRefused
from crossgrain.operations.parameters import Given, from_query
from crossgrain.operations.propose_switch import propose_switch
from crossgrain.writing.forms import to_json

from .calls import AS_OF, PATIENTS, QUERY, SCENARIO
from .conftest import Post


@pytest.fixture(scope="module")
def desk(catalogue: Catalogue) -> Desk:
    return desk_over(catalogue, now)


def left_behind(act: Callable[[], object]) -> int:
    """How many objects only the collector could free after doing something three times."""
    act()
    gc.collect()
    gc.disable()
    try:
        for _ in range(3):
            act()
        return gc.collect()
    finally:
        gc.enable()


@pytest.mark.parametrize("patient", SCENARIO["patient"], ids=lambda patient: patient["file"])
def test_a_proposal_leaves_no_cycles(desk: Desk, patient: dict[str, str]) -> None:
    body = (PATIENTS / patient["file"]).read_bytes()
    options = [("as-of", AS_OF), *((k, v) for k, v in patient.items() if k == "target")]

    def propose() -> bytes:
        sent = parse_resource(body)
        return to_json(propose_switch(desk, sent, from_query(options), FhirVersion.R4))

    assert json.loads(propose())["entry"]
    assert left_behind(propose) == 0


def test_a_refusal_leaves_no_cycles(desk: Desk) -> None:
    given = [Given("nonsense", "x", "http.nonsense")]

    def refused() -> None:
        sent = parse_resource(b'{"resourceType": "Bundle", "entry": []}')
        with suppress(RequestRefused):
            propose_switch(desk, sent, given, FhirVersion.R4)

    assert left_behind(refused) == 0


def test_a_cycle_would_be_seen() -> None:
    def cycle() -> None:
        around: list[object] = []
        around.append(around)

    assert left_behind(cycle) == 3


def longer(record: dict[str, Any], more: int) -> bytes:
    """The record with so many visits besides."""
    home = "https://tarn-row.example/fhir/Encounter"
    visits = [
        {"fullUrl": f"{home}/v{n}",
         "resource": {"resourceType": "Encounter", "id": f"v{n}", "status": "finished",
                      "class": {"code": "AMB"}, "type": [{"coding": [{"code": "x"}]}]}}
        for n in range(more)
    ]  # fmt: skip
    return json.dumps({**record, "entry": record["entry"] + visits}).encode()


def searches_beyond_the_young() -> int:
    return sum(generation["collections"] for generation in gc.get_stats()[1:])


def test_while_serving_long_records_only_what_is_new_is_searched(
    post: Post, record: dict[str, Any]
) -> None:
    long = longer(record, 500)
    before = searches_beyond_the_young()
    for _ in range(20):
        assert post(long, QUERY).status_code == 200
    assert searches_beyond_the_young() == before
