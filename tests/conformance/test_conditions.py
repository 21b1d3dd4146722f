"""The checkpoint's conditions, evaluated by two independent FHIRPath engines.

They are evaluated as they stand, on a Bundle of one draw, with no variable. What holds is worked
out here a second time, from the sources and in other words, over every combination of results at,
just below and just above each limit.
"""

import json
import re
from functools import cache
from itertools import product

import pytest
from fhirpathpy import compile as compiled
from fhirpathpy.models import models
from tests.conformance.draws import (
    DECIDED_ON,
    DRAWN_ON,
    HOW_IT_GOES,
    bundle_of,
    measured,
    ranged,
)
from tests.conformance.node import needs_node, needs_packages, run
from tests.unit.reading.records import CODES
from tests.unit.safety.patients import RULES
from tests.unit.writing.test_checkpoint import NO_T3, STATES, T3_RISES, T3_STAYS

from crossgrain.dosing.plan import LabReading
from crossgrain.names.identity import FhirVersion
from crossgrain.safety.results import tsh_limits
from crossgrain.writing.conditions import conditions_by
from crossgrain.writing.draw_expressions import Draw, Window

HIGH, VERY_HIGH, BOTH_HIGH = LabReading.HIGH, LabReading.VERY_HIGH, LabReading.HIGH_FREE_T3
STAY, SYMPTOMS, LOW, VERY_LOW = (
    LabReading.IN_RANGE,
    LabReading.SYMPTOMS,
    LabReading.LOW,
    LabReading.VERY_LOW,
)
KINDS = {"none": NO_T3, "stays": T3_STAYS, "rises": T3_RISES}
LAB = {"tsh": 2.0, "tshLow": 0.4, "tshHigh": 4.0, "freeT3": 5.0, "freeT3High": 6.0}
CALM = {"tooFast": False, "fastPulse": False, "chestPain": False, "pulse": []}
USUAL = {**LAB, **CALM}
GOAL = {**USUAL, "goalLow": 0.1, "goalHigh": 0.5}
CENTRAL = {**USUAL, "tsh": 0.02, "freeT4": 16.0, "freeT4Low": 10.0, "freeT4High": 20.0}


@cache
def by_python_compiled(expression, version):
    return compiled(expression, model=models[version])


def by_python(asked, version=FhirVersion.R4):
    bundles, every = asked
    return [
        by_python_compiled(one["expression"], version.value)(bundles[one["of"]]) for one in every
    ]


def by_node(asked, version=FhirVersion.R4):
    bundles, every = asked
    sent = json.dumps({"resources": bundles, "asked": every}).encode()
    return run("conditions.mjs", sent, version.value)


DRAWN = Draw(CODES.labs, Window(DRAWN_ON, DECIDED_ON))


def conditions(state, t3):
    return conditions_by(tsh_limits(STATES[state], RULES), KINDS[t3], DRAWN)


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
    ("usual", "none", {"chestPain": []}, None),
    ("usual", "none", {"chestPain": True}, None),  # asked about
    ("usual", "none", {"chestPain": True, "tsh": 5.0}, None),
    ("usual", "none", {"pulse": 100.0}, STAY),
    ("usual", "none", {"pulse": 100.1}, SYMPTOMS),
    ("usual", "none", {"pulse": [80.0, 101.0], "tsh": 0.3}, VERY_LOW),
    ("usual", "none", {"tshLow": [], "tshHigh": [], "tsh": 4.0}, STAY),  # the usual limits
    ("usual", "none", {"tshLow": [], "tshHigh": [], "tsh": 4.1}, HIGH),
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
    ("70 years", "none", {"tsh": 5.9, "tshHigh": []}, STAY),
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
    ("a goal", "none", {"goalLow": []}, None),
    ("a goal", "none", {"goalLow": [], "goalHigh": []}, None),
    ("central", "none", {"freeT4": 9.9}, VERY_HIGH),
    ("central", "none", {"freeT4": 10.0}, HIGH),
    ("central", "none", {"freeT4": 14.9}, HIGH),
    ("central", "none", {"freeT4": 15.0}, STAY),
    ("central", "none", {"freeT4": 20.0}, STAY),
    ("central", "none", {"freeT4": 20.0, "tooFast": True}, SYMPTOMS),
    ("central", "none", {"freeT4": 20.1}, LOW),
    ("central", "none", {"freeT4": 20.1, "fastPulse": True}, VERY_LOW),
    ("central", "none", {"freeT4": []}, None),  # a TSH alone decides nothing
    ("central", "rises", {"freeT4": 5.0}, None),  # the endocrinologist says whether to stay
    ("central", "rises", {"freeT4": 9.0, "freeT3": 6.1}, LOW),
    ("central", "rises", {"freeT4": 9.0, "freeT3": 6.1, "fastPulse": True}, VERY_LOW),
    ("central", "rises", {"freeT4": 20.1, "freeT3": []}, None),
]  # fmt: skip
KNOWN = {"central": CENTRAL, "a goal": GOAL}


def asked_of(cases):
    """A Bundle for each case, and each of its conditions asked of it."""
    bundles = [bundle_of({**KNOWN.get(state, USUAL), **changed}) for state, _, changed, _ in cases]
    every = [
        {"expression": condition.expression, "of": number}
        for number, (state, t3, _, _) in enumerate(cases)
        for condition in conditions(state, t3).values()
    ]
    return bundles, every


def holding(cases, answers):
    """For each case the branches whose condition holds."""
    each = iter(answers)
    return [
        [reading for reading in conditions(state, t3) if next(each) == [True]]
        for state, t3, _, _ in cases
    ]


def expected_of(cases):
    return [[] if reading is None else [reading] for _, _, _, reading in cases]


def test_they_use_no_variable():
    for state, t3 in product(STATES, KINDS):
        for condition in conditions(state, t3).values():
            assert not re.search(r"%", condition.expression)


@pytest.mark.parametrize("version", FhirVersion)
def test_exactly_the_one_branch_applies_by_one_engine(version):
    assert holding(CASES, by_python(asked_of(CASES), version)) == expected_of(CASES)


@needs_node
@needs_packages
@pytest.mark.parametrize("version", FhirVersion)
def test_exactly_the_one_branch_applies_by_another_engine(version):
    assert holding(CASES, by_node(asked_of(CASES), version)) == expected_of(CASES)


# What makes the one TSH of a draw unusable, so that nothing is decided by it.
def in_the_result(**changed):
    return lambda bundle: bundle["entry"][0]["resource"].update(changed)


UNUSABLE = {
    "not yet final": in_the_result(status="preliminary"),
    "of the day before the draw": in_the_result(effectiveDateTime="2025-06-01T23:00:00+02:00"),
    "of the day after the decision": in_the_result(effectiveDateTime="2025-06-11"),
    "of a month alone": in_the_result(effectiveDateTime="2025-06"),
    "of no day": lambda bundle: bundle["entry"][0]["resource"].pop("effectiveDateTime"),
    "below what can be measured": in_the_result(
        valueQuantity={**measured("tsh", 5.0), "comparator": "<"}
    ),
    "in words": lambda bundle: bundle["entry"][0]["resource"].update(
        valueString=str(bundle["entry"][0]["resource"].pop("valueQuantity"))
    ),
    "in another unit": in_the_result(valueQuantity={"value": 5.0, "code": "ng/mL"}),
    "without a unit": in_the_result(valueQuantity={"value": 5.0}),
    "of two ranges": in_the_result(referenceRange=2 * ranged("tsh", 0.4, 4.0)),
    "of a range for some": in_the_result(
        referenceRange=ranged("tsh", 0.4, 4.0, appliesTo=[{"text": "pregnant"}])
    ),
    "of a range in another unit": in_the_result(
        referenceRange=[{"high": {"value": 4.0, "code": "ng/mL"}}]
    ),
    "beside another that is not final": lambda bundle: bundle["entry"].append(
        {"resource": {**bundle["entry"][0]["resource"], "status": "preliminary"}}
    ),
}
UNUSABLE_ANSWERS = {
    "not completed": {"status": "in-progress"},
    "to another questionnaire": {"questionnaire": f"{HOW_IT_GOES.partition('|')[0]}-2"},
    "of an earlier visit": {"authored": "2025-05-05"},
    "of no day": {"authored": None},
}


def with_unusable_parts():
    """Bundles of a high TSH without symptoms, each with one part that is not usable."""
    for plant in UNUSABLE.values():
        bundle = bundle_of({**USUAL, "tsh": 5.0})
        plant(bundle)
        yield bundle
    for changed in UNUSABLE_ANSWERS.values():
        bundle = bundle_of({**USUAL, "tsh": 5.0})
        answers = {**bundle["entry"][-1]["resource"], **changed}
        bundle["entry"][-1]["resource"] = {k: v for k, v in answers.items() if v is not None}
        yield bundle


@needs_node
@needs_packages
@pytest.mark.parametrize("engine", [by_python, by_node])
def test_no_branch_applies_where_a_part_of_the_draw_is_not_usable(engine):
    bundles = [bundle_of({**USUAL, "tsh": 5.0}), *with_unusable_parts()]
    every = conditions("usual", "none")
    asked = [
        {"expression": condition.expression, "of": number}
        for number in range(len(bundles))
        for condition in every.values()
    ]
    answers = iter(engine((bundles, asked)))
    found = [[reading for reading in every if next(answers) == [True]] for _ in bundles]
    assert found == [[HIGH], *[[]] * (len(UNUSABLE) + len(UNUSABLE_ANSWERS))]


# Every limit of every state: at it, below and above.
DRAWS = {
    "tsh": [[], 0.05, 0.1, 0.3, 0.4, 2.5, 2.6, 4.0, 4.1, 6.1, 10.0, 40.0],
    "tooFast": [False, True],
    "fastPulse": [False, True],
    "goalLow": [0.1, 0.2],
    "freeT3": [6.0, 6.1],
    "freeT4": [9.9, 10.0, 14.9, 15.0, 20.0, 20.1],
}
LOOKED_AT = {
    "usual": ("tsh", "tooFast", "fastPulse"), "70 years": ("tsh", "tooFast", "fastPulse"),
    "pregnant": ("tsh", "tooFast", "fastPulse"),
    "a goal": ("tsh", "goalLow", "tooFast", "fastPulse"),
    "central": ("freeT4", "tooFast", "fastPulse"),
}  # fmt: skip
"""What the conditions of a state look at, besides free T3 where T3 is swallowed."""


def drawn(state, t3):
    """Every combination of what the conditions of a state look at."""
    names = (*LOOKED_AT[state], *(("freeT3",) if t3 != "none" else ()))
    for values in product(*(DRAWS[name] for name in names)):
        yield {**KNOWN.get(state, USUAL), **dict(zip(names, values, strict=True))}


@needs_node
@needs_packages
@pytest.mark.parametrize("state", STATES)
@pytest.mark.parametrize("t3", ["none", "rises"])
def test_at_most_one_branch_applies_whatever_is_drawn(state, t3):
    every = conditions(state, t3)
    bundles = [bundle_of(known) for known in drawn(state, t3)]
    asked = [
        {"expression": condition.expression, "of": number}
        for number in range(len(bundles))
        for condition in every.values()
    ]
    said = by_node((bundles, asked))
    answers = iter(said)
    found = [[reading for reading in every if next(answers) == [True]] for _ in bundles]
    assert max(map(len, found)) == 1
    may = {reading for reading, condition in every.items() if condition.expression != "false"}
    assert {reading for (reading,) in filter(None, found)} == may
    whole = len(every)
    for number in range(0, len(bundles), 5):  # the other engine is slow: every fifth draw
        some = asked[number * whole : (number + 1) * whole]
        assert by_python((bundles, some)) == said[number * whole : (number + 1) * whole]
