"""What is written from a kept plan must never show whose it was before."""

from dataclasses import replace
from datetime import date
from functools import lru_cache

import pytest
from tests.unit.test_propose import LT4_100, SERIES, entry, record
from tests.unit.writing.answers import written

from crossgrain.catalogue import load_catalogue
from crossgrain.core.propose import propose
from crossgrain.dosing.plan import PriorTherapy
from crossgrain.dosing.targets import Target
from crossgrain.names.identity import FhirVersion
from crossgrain.safety.facts import Known
from crossgrain.writing.forms import to_json

KEEPING = load_catalogue()
ANEW = load_catalogue(plans_kept=0)

PLAIN = record(LT4_100)
ANSWERS = {
    "plain": (PLAIN, SERIES),
    "another patient": (replace(PLAIN, patient_reference="Patient/q"), SERIES),
    "read from another order": (record(entry("levothyroxine", 100, "other")), SERIES),
    "a later start": (PLAIN, replace(SERIES, start=date(2025, 4, 1))),
    "read on another day": (PLAIN, replace(SERIES, as_of=date(2025, 3, 1))),
    "stopping": (PLAIN, replace(SERIES, prior_therapy=PriorTherapy.STOP)),
    "another target": (PLAIN, replace(SERIES, target=Target.LIOTHYRONINE)),
    "another basis": (PLAIN, replace(SERIES, basis_id="label")),
    "with a hold and an instruction": (
        record(LT4_100, medicines=(Known("iron", "MedicationStatement/iron"),)),
        SERIES,
    ),
    "another dose": (record(entry("levothyroxine", 125)), SERIES),
}


def answer(name, catalogue, version):
    taken, request = ANSWERS[name]
    proposal = propose(taken, request, catalogue)
    return to_json(written(proposal, version, catalogue.codes))


@lru_cache
def anew(name, version):
    return answer(name, ANEW, version)


@pytest.mark.parametrize("version", FhirVersion)
@pytest.mark.parametrize("second", ANSWERS)
@pytest.mark.parametrize("first", ANSWERS)
def test_an_answer_is_the_same_whoever_was_answered_before(first, second, version):
    assert answer(first, KEEPING, version) == anew(first, version)
    assert answer(second, KEEPING, version) == anew(second, version)


def test_these_answers_differ():
    every = {answer(name, KEEPING, FhirVersion.R4) for name in ANSWERS}
    assert len(every) == len(ANSWERS)


def test_another_patient_on_the_same_doses_is_answered_from_the_kept_plan():
    plans = KEEPING.plans["desiccated-thyroid-60"]
    answer("plain", KEEPING, FhirVersion.R4)
    found, made = plans.found
    answer("another patient", KEEPING, FhirVersion.R4)
    assert plans.found == (found + 1, made)
