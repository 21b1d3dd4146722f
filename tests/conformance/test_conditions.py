"""The checkpoint's conditions, evaluated by an independent FHIRPath engine."""

import json

import pytest
from tests.conformance.node import needs_node, needs_packages, run

from crossgrain.dosing.plan import Reading
from crossgrain.writing.conditions import CONDITIONS

pytestmark = [needs_node, needs_packages]

LOW, HIGH = 0.4, 4.0
# TSH, symptoms of too fast a climb, the one reading that holds.
CASES = [
    (0.05, False, Reading.LOW),
    (0.39, False, Reading.LOW),
    (0.4, False, Reading.IN_RANGE),  # the limits are in range
    (2.0, False, Reading.IN_RANGE),
    (4.0, False, Reading.IN_RANGE),
    (4.01, False, Reading.HIGH),
    (80.0, False, Reading.HIGH),
    (0.05, True, Reading.LOW),
    (2.0, True, Reading.LOW),
    (80.0, True, Reading.LOW),  # symptoms come before a TSH that asks for more
    ([], True, Reading.LOW),  # symptoms need no laboratory
    ([], False, None),  # without a TSH nothing rises and nothing stays
    (2.0, [], None),  # without knowing of symptoms nothing rises and nothing stays
    (80.0, [], None),
]


@pytest.fixture(scope="module")
def holding():
    """For each case the readings whose condition holds."""
    asked = [
        {
            "expression": CONDITIONS[reading].expression,
            "variables": {"tsh": tsh, "tshLow": LOW, "tshHigh": HIGH, "tooFast": too_fast},
        }
        for tsh, too_fast, _ in CASES
        for reading in Reading
    ]
    answers = iter(run("conditions.mjs", json.dumps(asked).encode()))
    return [[reading for reading in Reading if next(answers) == [True]] for _ in CASES]


@pytest.mark.parametrize("case", range(len(CASES)))
def test_exactly_the_one_branch_applies(holding, case):
    expected = CASES[case][2]
    assert holding[case] == ([] if expected is None else [expected])
