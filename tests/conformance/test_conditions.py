"""The checkpoint's conditions, evaluated by two independent FHIRPath engines.

What holds is worked out here a second time, from the sources and in other words, over every
combination of results at, just below and just above each limit.
"""

import json
import re
from itertools import product

import pytest
from fhirpathpy import evaluate
from fhirpathpy.models import models
from tests.conformance.node import needs_node, needs_packages, run
from tests.unit.safety.patients import RULES
from tests.unit.writing.test_checkpoint import NO_T3, STATES, T3_RISES, T3_STAYS

from crossgrain.dosing.plan import LabReading
from crossgrain.safety.results import tsh_limits
from crossgrain.writing.conditions import conditions_by

HIGH, VERY_HIGH, BOTH_HIGH = LabReading.HIGH, LabReading.VERY_HIGH, LabReading.HIGH_FREE_T3
STAY, SYMPTOMS, LOW, VERY_LOW = (
    LabReading.IN_RANGE,
    LabReading.SYMPTOMS,
    LabReading.LOW,
    LabReading.VERY_LOW,
)
KINDS = {"none": NO_T3, "stays": T3_STAYS, "rises": T3_RISES}
LAB = {"tsh": 2.0, "tshLow": 0.4, "tshHigh": 4.0, "freeT3": 5.0, "freeT3High": 6.0}
CALM = {"tooFast": False, "fastPulse": False}
USUAL = {**LAB, **CALM}
GOAL = {**USUAL, "goalLow": 0.1, "goalHigh": 0.5}
CENTRAL = {**USUAL, "tsh": 0.02, "freeT4": 16.0, "freeT4Low": 10.0, "freeT4High": 20.0,
           "specialistAgrees": True}  # fmt: skip


def by_python(expression, variables):
    return evaluate({}, expression, variables, models["r4"])


def by_node(asked):
    return run("conditions.mjs", json.dumps(asked).encode())


def conditions(state, t3):
    return conditions_by(tsh_limits(STATES[state], RULES), KINDS[t3])


# who, what the plan does with T3, what is known, and the one branch that holds.
# TSH up to 6 from 70 years: American Thyroid Association 2014, as summarised. Up to 2.5 in
# pregnancy: its pregnancy guideline of 2017, quick reference. Central hypothyroidism by free T4 in
# the upper half of its range: levothyroxine label, secondary hypothyroidism. A TSH below 0.1 is
# suppressed: Am Fam Physician 2017;95:710. 10 mIU/L, a pulse of 100 and what symptoms lead to: our
# judgement.
CASES = [
    ("usual", "none", {"tsh": 0.05}, VERY_LOW),
    ("usual", "none", {"tsh": 0.0999}, VERY_LOW),
    ("usual", "none", {"tsh": 0.1}, LOW),
    ("usual", "none", {"tsh": 0.39}, LOW),
    ("usual", "none", {"tsh": 0.39, "tooFast": True}, LOW),  # a low TSH explains the symptoms
    ("usual", "none", {"tsh": 0.39, "fastPulse": True}, VERY_LOW),
    ("usual", "none", {"tsh": 0.4}, STAY),  # the limits are in range
    ("usual", "none", {"tsh": 4.0}, STAY),
    ("usual", "none", {"tsh": 4.0, "tooFast": True}, SYMPTOMS),
    ("usual", "none", {"tsh": 4.0, "fastPulse": True}, SYMPTOMS),
    ("usual", "none", {"tsh": 4.01}, HIGH),
    ("usual", "none", {"tsh": 10.0}, HIGH),
    ("usual", "none", {"tsh": 10.01}, VERY_HIGH),
    ("usual", "none", {"tsh": 12.0, "tooFast": True}, None),  # asked about, never lowered
    ("usual", "none", {"tsh": 4.01, "fastPulse": True}, None),
    ("usual", "none", {"freeT3": 9.0}, STAY),  # no T3 is swallowed
    ("usual", "stays", {"freeT3": 6.0}, STAY),
    ("usual", "stays", {"freeT3": 6.01}, LOW),
    ("usual", "stays", {"tsh": 5.0, "freeT3": 6.01}, HIGH),  # LT4 alone rises
    ("usual", "rises", {"tsh": 5.0, "freeT3": 6.0}, HIGH),
    ("usual", "rises", {"tsh": 5.0, "freeT3": 6.01}, BOTH_HIGH),
    ("usual", "rises", {"tsh": 50.0, "freeT3": 6.01}, BOTH_HIGH),
    ("usual", "rises", {"tsh": 5.0, "freeT3": 6.01, "tooFast": True}, None),
    # none holds without exactly one result of each test that it needs
    ("usual", "none", {"tsh": []}, None),
    ("usual", "none", {"tsh": [], "fastPulse": True}, None),
    ("usual", "none", {"tsh": [2.0, 2.1]}, None),
    ("usual", "none", {"tsh": [5.0, 80.0]}, None),
    ("usual", "none", {"tsh": [0.05, 0.06]}, None),
    ("usual", "none", {"tooFast": []}, None),
    ("usual", "none", {"fastPulse": []}, None),
    ("usual", "none", {"fastPulse": [True, False]}, None),
    ("usual", "none", {"tsh": 0.3, "fastPulse": []}, None),
    ("usual", "none", {"tsh": 0.05, "fastPulse": []}, VERY_LOW),  # it needs no pulse
    ("usual", "stays", {"freeT3": []}, None),
    ("usual", "stays", {"freeT3": [5.0, 7.0]}, None),
    ("usual", "stays", {"tsh": 0.3, "freeT3": []}, LOW),
    ("usual", "stays", {"tsh": 5.0, "freeT3": []}, HIGH),
    ("usual", "rises", {"tsh": 5.0, "freeT3": []}, None),
    ("70 years", "none", {"tsh": 6.0}, STAY),
    ("70 years", "none", {"tsh": 6.1}, HIGH),
    ("70 years", "none", {"tshHigh": 7.5, "tsh": 7.0}, STAY),
    ("70 years", "none", {"tsh": 0.3}, LOW),
    ("70 years", "none", {"tsh": 5.9, "tshHigh": []}, None),
    ("pregnant", "none", {"tsh": 2.5}, STAY),
    ("pregnant", "none", {"tsh": 2.6}, HIGH),
    ("pregnant", "none", {"tshHigh": 2.2, "tsh": 2.3}, HIGH),
    ("pregnant", "none", {"tsh": 10.1}, VERY_HIGH),
    ("pregnant", "none", {"tsh": 0.2}, STAY),
    ("pregnant", "none", {"tsh": 0.2, "tooFast": True}, SYMPTOMS),
    ("pregnant", "none", {"tsh": 0.05}, None),  # asked about
    ("pregnant", "none", {"tsh": 0.05, "fastPulse": True}, None),
    ("pregnant", "stays", {"freeT3": 7.0}, None),
    ("a goal", "none", {"tsh": 0.1}, STAY),
    ("a goal", "none", {"tsh": 0.6}, HIGH),
    ("a goal", "none", {"tsh": 10.1}, VERY_HIGH),
    ("a goal", "none", {"tsh": 0.09}, VERY_LOW),
    ("a goal", "none", {"goalLow": 0.02, "tsh": 0.05}, STAY),  # suppressed, as was meant
    ("a goal", "none", {"goalLow": 0.2, "tsh": 0.15}, LOW),
    ("central", "none", {"freeT4": 9.9}, VERY_HIGH),
    ("central", "none", {"freeT4": 10.0}, HIGH),
    ("central", "none", {"freeT4": 14.9}, HIGH),
    ("central", "none", {"freeT4": 15.0}, STAY),
    ("central", "none", {"freeT4": 20.0}, STAY),
    ("central", "none", {"freeT4": 20.0, "tooFast": True}, SYMPTOMS),
    ("central", "none", {"freeT4": 20.1}, LOW),
    ("central", "none", {"freeT4": 20.1, "fastPulse": True}, VERY_LOW),
    ("central", "none", {"freeT4": []}, None),  # a TSH alone decides nothing
    ("central", "rises", {"freeT4": 5.0}, STAY),  # expected beside T3; the endocrinologist agrees
    ("central", "rises", {"freeT4": 5.0, "specialistAgrees": []}, None),
    ("central", "rises", {"freeT4": 5.0, "specialistAgrees": False}, None),
    ("central", "rises", {"freeT4": 9.0, "freeT3": 6.1}, LOW),
    ("central", "rises", {"freeT4": 9.0, "freeT3": 6.1, "fastPulse": True}, VERY_LOW),
    ("central", "rises", {"freeT4": 20.1, "freeT3": []}, None),
]  # fmt: skip
KNOWN = {"central": CENTRAL, "a goal": GOAL}


def asked_of(cases):
    """Each condition of each case, with what is known."""
    return [
        {
            "expression": condition.expression,
            "variables": {**KNOWN.get(state, USUAL), **changed},
        }
        for state, t3, changed, _ in cases
        for condition in conditions(state, t3).values()
    ]


def holding(cases, answers):
    """For each case the branches whose condition holds."""
    each = iter(answers)
    return [
        [reading for reading in conditions(state, t3) if next(each) == [True]]
        for state, t3, _, _ in cases
    ]


def expected_of(cases):
    return [[] if reading is None else [reading] for _, _, _, reading in cases]


def test_exactly_the_one_branch_applies_by_one_engine():
    answers = [by_python(one["expression"], one["variables"]) for one in asked_of(CASES)]
    assert holding(CASES, answers) == expected_of(CASES)


@needs_node
@needs_packages
def test_exactly_the_one_branch_applies_by_another_engine():
    assert holding(CASES, by_node(asked_of(CASES))) == expected_of(CASES)


# Every limit of every state: at it, below and above.
DRAWS = {
    "tsh": [[], 0.05, 0.1, 0.3, 0.4, 2.5, 2.6, 4.0, 4.1, 6.1, 10.0, 40.0],
    "tooFast": [False, True],
    "fastPulse": [False, True],
    "goalLow": [0.1, 0.2],
    "freeT3": [6.0, 6.1],
    "freeT4": [9.9, 10.0, 14.9, 15.0, 20.0, 20.1],
    "specialistAgrees": [True, False],
}


def drawn(state, t3):
    """Every combination of what the conditions of a state look at."""
    read = " ".join(condition.expression for condition in conditions(state, t3).values())
    varied = {name: values for name, values in DRAWS.items() if re.search(rf"%{name}\b", read)}
    for values in product(*varied.values()):
        yield {**KNOWN.get(state, USUAL), **dict(zip(varied, values, strict=True))}


@needs_node
@needs_packages
@pytest.mark.parametrize("state", STATES)
@pytest.mark.parametrize("t3", ["none", "rises"])
def test_at_most_one_branch_applies_whatever_is_drawn(state, t3):
    every = conditions(state, t3)
    draws = list(drawn(state, t3))
    asked = [
        {"expression": c.expression, "variables": draw} for draw in draws for c in every.values()
    ]
    answers = iter(by_node(asked))
    found = [[reading for reading in every if next(answers) == [True]] for _ in draws]
    assert max(map(len, found)) == 1
    may = {reading for reading, condition in every.items() if condition.expression != "false"}
    assert {reading for (reading,) in filter(None, found)} == may
