"""What an order says besides its doses: why, for whom, how long, and when it may be dispensed."""

from dataclasses import replace
from datetime import date, timedelta

import pytest
from tests.unit.writing.answers import intended, only, product, resources, written
from tests.unit.writing.plans import (
    AS_OF,
    LT4,
    PLANNED,
    START,
    SUPPLY,
    entry,
    levothyroxine_to_desiccated,
    record,
    to_combination,
)

from crossgrain.dosing.steps import courses
from crossgrain.dosing.supply import prescriptions
from crossgrain.names.identity import FhirVersion
from crossgrain.reading.elements import CodeableConcept, Coding
from crossgrain.safety.facts import Facts, Known

COURSE = "http://terminology.hl7.org/CodeSystem/medicationrequest-course-of-therapy"
SNOMED = "http://snomed.info/sct"
HYPOTHYROIDISM = CodeableConcept((Coding(SNOMED, "40930008", "Hypothyroidism"),), "Hypothyroid")


def orders_in(bundle):
    return resources(bundle, "MedicationRequest")


@pytest.mark.parametrize("name", PLANNED)
def test_every_dose_names_its_times_of_day(name):
    """MORN and HS are of HL7's EventTiming, which FHIR's own binding requires."""
    often = {1: ["MORN"], 2: ["MORN", "HS"], 3: ["MORN", "AFT", "HS"]}
    for order in orders_in(written(PLANNED[name]())):
        for instruction in order["dosageInstruction"]:
            repeat = instruction["timing"]["repeat"]
            words = {"MORN": "morning", "AFT": "afternoon", "HS": "bedtime"}
            assert repeat["when"] in (often[repeat["frequency"]], ["HS"], ["AFT"])
            assert all(words[each] in instruction["text"] for each in repeat["when"])


def days(element):
    return date.fromisoformat(element["start"]), date.fromisoformat(element["end"])


@pytest.mark.parametrize("name", PLANNED)
def test_an_order_is_dispensed_from_a_week_before_its_first_dose_to_its_last(name):
    bundle = written(PLANNED[name]())
    for order in intended(bundle, "MedicationRequest", "proposal"):
        taken = [days(i["timing"]["repeat"]["boundsPeriod"]) for i in order["dosageInstruction"]]
        first, last = min(taken)[0], max(end for _, end in taken)
        start, end = days(order["dispenseRequest"]["validityPeriod"])
        assert start == max(AS_OF, first - timedelta(7))
        assert end == last


@pytest.mark.parametrize("name", PLANNED)
def test_the_order_of_a_branch_is_not_dispensed_before_the_decision(name):
    made = PLANNED[name]()
    decided = START + timedelta(made.plan.checkpoint.decision_day)
    for order in intended(written(made), "MedicationRequest", "option"):
        start, _ = days(order["dispenseRequest"]["validityPeriod"])
        assert start >= decided


@pytest.mark.parametrize(("begins_after", "dispensed_after"), [(6, 0), (7, 0), (8, 1)])
def test_nothing_is_dispensed_before_the_day_of_reading(begins_after, dispensed_after):
    made = levothyroxine_to_desiccated()
    moved = replace(made.request, start=AS_OF + timedelta(begins_after))
    first = intended(written(replace(made, request=moved)), "MedicationRequest", "proposal")[0]
    start, _ = days(first["dispenseRequest"]["validityPeriod"])
    assert start == AS_OF + timedelta(dispensed_after)


def test_what_the_plan_still_gives_at_its_end_is_long_term_and_the_rest_a_short_course():
    steps = levothyroxine_to_desiccated().plan.steps
    (kept, *_), last = (line.preparation.id for line in steps[-1].lines), steps[-1]
    made = levothyroxine_to_desiccated()
    ended = replace(last, lines=tuple(x for x in last.lines if x.preparation.id != kept))
    shorter = (*steps[:-1], ended)
    handed_out = prescriptions(courses(shorter), SUPPLY, ())
    plan = replace(made.plan, steps=shorter, prescriptions=handed_out)
    for order in intended(written(replace(made, plan=plan)), "MedicationRequest", "proposal"):
        (coding,) = order["courseOfTherapyType"]["coding"]
        old = "levothyroxine" in product(order)
        assert (coding["system"], coding["code"]) == (COURSE, "acute" if old else "continuous")


@pytest.mark.parametrize(
    ("version", "system"),
    [(FhirVersion.R4, "medicationrequest-category"),
     (FhirVersion.R5, "medicationrequest-admin-location")],
)  # fmt: skip
def test_an_order_is_for_a_patient_at_home(version, system):
    for order in orders_in(written(to_combination(), version)):
        ((coding,),) = [category["coding"] for category in order["category"]]
        assert coding["system"] == f"http://terminology.hl7.org/CodeSystem/{system}"
        assert coding["code"] == "community"


def with_conditions(*known, reasons=()):
    made = levothyroxine_to_desiccated()
    old = entry(LT4, 100, reasons=reasons)
    facts = Facts(regimen=made.record.facts.regimen, age_years=44, conditions=known)
    paths = ("Bundle.entry[0].resource", old.path, "Bundle.entry[2].resource",
             "Bundle.entry[3].resource")  # fmt: skip
    named = ("Patient/demo-1", old.reference, "Condition/h", "Condition/other")
    return replace(made, record=replace(record(old), facts=facts, paths=paths, references=named))


LISTED = Known("hypothyroidism", "Bundle.entry[2].resource")


def why(made, version=FhirVersion.R4):
    bundle = written(made, version)
    names = ("reasonReference", "reasonCode", "reason")
    said = [
        {name: each[name] for name in names if name in each}
        for each in resources(bundle)
        if each["resourceType"] in {"MedicationRequest", "ServiceRequest"}
    ]
    assert all(each == said[0] for each in said)
    return said[0]


@pytest.mark.parametrize(
    ("made", "reason"),
    [
        (with_conditions(LISTED), {"reasonReference": [{"reference": "Condition/h"}]}),
        (with_conditions(LISTED, LISTED), {"reasonReference": [{"reference": "Condition/h"}]}),
        (with_conditions(replace(LISTED, active=False)), {}),
        (with_conditions(Known("thyroid-cancer", "Bundle.entry[3].resource")), {}),
        (with_conditions(), {}),
        (
            with_conditions(reasons=(HYPOTHYROIDISM,)),
            {
                "reasonCode": [
                    {
                        "coding": [
                            {"system": SNOMED, "code": "40930008", "display": "Hypothyroidism"}
                        ],
                        "text": "Hypothyroid",
                    }
                ]
            },
        ),
        (
            with_conditions(LISTED, reasons=(HYPOTHYROIDISM,)),
            {"reasonReference": [{"reference": "Condition/h"}]},
        ),
    ],
)
def test_why_is_what_the_record_itself_says_and_else_nothing(made, reason):
    assert why(made) == reason


def test_why_is_one_element_of_either_kind_in_r5():
    assert why(with_conditions(LISTED), FhirVersion.R5) == {
        "reason": [{"reference": {"reference": "Condition/h"}}]
    }
    assert why(with_conditions(reasons=(HYPOTHYROIDISM,)), FhirVersion.R5)["reason"][0]["concept"]


@pytest.mark.parametrize(
    ("version", "addressed"),
    [(FhirVersion.R4, {"reference": "Condition/h"}),
     (FhirVersion.R5, {"reference": {"reference": "Condition/h"}})],
)  # fmt: skip
def test_the_care_plan_addresses_the_condition_that_was_read(version, addressed):
    assert only(written(with_conditions(LISTED), version), "CarePlan")["addresses"] == [addressed]
    assert "addresses" not in only(written(with_conditions(), version), "CarePlan")


def test_no_more_reasons_are_named_than_a_reader_takes_in():
    known = tuple(Known("hypothyroidism", f"Bundle.entry[{n}].resource") for n in range(9))
    made = with_conditions(*known)
    paths = tuple(f"Bundle.entry[{n}].resource" for n in range(9))
    named = tuple(f"Condition/{n}" for n in range(9))
    made = replace(made, record=replace(made.record, paths=paths, references=named))
    assert len(why(made)["reasonReference"]) == 3
