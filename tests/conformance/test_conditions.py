"""The checkpoint's conditions, evaluated by an independent FHIRPath engine."""

import json

import pytest
from tests.conformance.node import needs_node, needs_packages, run
from tests.unit.safety.patients import RULES
from tests.unit.writing.test_checkpoint import STATES

from crossgrain.dosing.plan import LabReading
from crossgrain.safety.tsh import tsh_limits
from crossgrain.writing.conditions import CONDITIONS, conditions_for

pytestmark = [needs_node, needs_packages]

LOW, HIGH = 0.4, 4.0
# TSH, symptoms of too fast a climb, the one reading that holds.
CASES = [
    (0.05, False, LabReading.LOW),
    (0.39, False, LabReading.LOW),
    (0.4, False, LabReading.IN_RANGE),  # the limits are in range
    (2.0, False, LabReading.IN_RANGE),
    (4.0, False, LabReading.IN_RANGE),
    (4.01, False, LabReading.HIGH),
    (80.0, False, LabReading.HIGH),
    (0.05, True, LabReading.LOW),
    (2.0, True, LabReading.LOW),
    (80.0, True, LabReading.LOW),  # symptoms come before a TSH that asks for more
    ([], True, LabReading.LOW),  # symptoms need no laboratory
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
        for reading in LabReading
    ]
    answers = iter(run("conditions.mjs", json.dumps(asked).encode()))
    return [[reading for reading in LabReading if next(answers) == [True]] for _ in CASES]


@pytest.mark.parametrize("case", range(len(CASES)))
def test_exactly_the_one_branch_applies(holding, case):
    expected = CASES[case][2]
    assert holding[case] == ([] if expected is None else [expected])


# The same engine on each state's own limits: who, swallowed T3 or not, what is known, what holds.
# TSH up to 6 from 70 years: American Thyroid Association 2014, as summarised. Up to 2.5 in
# pregnancy: its pregnancy guideline of 2017, quick reference. Central hypothyroidism by free T4 in
# the upper half of its range: levothyroxine label, secondary hypothyroidism.
LAB = {"tshLow": LOW, "tshHigh": HIGH, "tooFast": False}
GOAL_RANGE = {**LAB, "goalLow": 0.1, "goalHigh": 0.5}
FREE_T4 = {**LAB, "tsh": 0.02, "freeT4Low": 10.0, "freeT4High": 20.0, "freeT3High": 6.0}
OWN = [
    ("70 years", False, {**LAB, "tsh": 5.9}, LabReading.IN_RANGE),
    ("70 years", False, {**LAB, "tsh": 6.0}, LabReading.IN_RANGE),
    ("70 years", False, {**LAB, "tsh": 6.1}, LabReading.HIGH),
    ("70 years", False, {**LAB, "tshHigh": 7.5, "tsh": 7.0}, LabReading.IN_RANGE),
    ("70 years", False, {**LAB, "tsh": 0.3}, LabReading.LOW),
    ("70 years", False, {**LAB, "tsh": []}, None),
    ("pregnant", False, {**LAB, "tsh": 2.4}, LabReading.IN_RANGE),
    ("pregnant", False, {**LAB, "tsh": 2.5}, LabReading.IN_RANGE),
    ("pregnant", False, {**LAB, "tsh": 2.6}, LabReading.HIGH),
    ("pregnant", False, {**LAB, "tshHigh": 2.2, "tsh": 2.3}, LabReading.HIGH),
    ("pregnant", False, {**LAB, "tsh": 0.2}, LabReading.IN_RANGE),
    ("pregnant", False, {**LAB, "tsh": 0.05}, None),  # asked about
    ("pregnant", False, {**LAB, "tsh": 0.05, "tooFast": True}, LabReading.LOW),
    ("a goal", False, {**GOAL_RANGE, "tsh": 0.3}, LabReading.IN_RANGE),
    ("a goal", False, {**GOAL_RANGE, "tsh": 0.6}, LabReading.HIGH),
    ("a goal", False, {**GOAL_RANGE, "tsh": 0.05}, LabReading.LOW),
    ("central", False, {**FREE_T4, "freeT4": 14.9}, LabReading.HIGH),
    ("central", False, {**FREE_T4, "freeT4": 15.0}, LabReading.IN_RANGE),
    ("central", False, {**FREE_T4, "freeT4": 20.0}, LabReading.IN_RANGE),
    ("central", False, {**FREE_T4, "freeT4": 20.1}, LabReading.LOW),
    ("central", False, {**FREE_T4, "freeT4": []}, None),  # a TSH alone decides nothing
    ("central", True, {**FREE_T4, "freeT4": 5.0, "freeT3": 3.0, "specialistAgrees": []}, None),
    ("central", True, {**FREE_T4, "freeT4": 9.0, "freeT3": 5.0, "specialistAgrees": True},
     LabReading.IN_RANGE),
    ("central", True, {**FREE_T4, "freeT4": 9.0, "freeT3": 6.1, "specialistAgrees": True},
     LabReading.LOW),
]  # fmt: skip


def test_the_patients_own_limits_decide_which_branch_applies():
    states = [conditions_for(tsh_limits(STATES[s], RULES), swallows_t3=t3) for s, t3, _, _ in OWN]
    asked = [
        {"expression": conditions[reading].expression, "variables": variables}
        for conditions, (_, _, variables, _) in zip(states, OWN, strict=True)
        for reading in LabReading
    ]
    answers = iter(run("conditions.mjs", json.dumps(asked).encode()))
    holding = [[reading for reading in LabReading if next(answers) == [True]] for _ in OWN]
    expected = [[] if one is None else [one] for _, _, _, one in OWN]
    assert holding == expected
