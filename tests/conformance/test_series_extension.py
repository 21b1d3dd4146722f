"""The extension of a series: as its published StructureDefinition says, small, and read back.

The definition is read from the service and its instances are held against it by a small judge
of slices, cardinalities, fixed values and types: FHIR R4 and R5, ElementDefinition.
"""

import json
import re

import pytest
from tests.conformance.answers import ANSWERS, answer, proposal_of
from tests.conformance.patients import CATALOGUE, every_direction
from tests.unit.reading.records import COMBINING
from tests.unit.writing.answers import resources, written

from crossgrain.app.conformance.terminology import series_extension
from crossgrain.dosing.onward import Act
from crossgrain.dosing.plan import LabReading
from crossgrain.dosing.regimens import DoseLine, Regimen
from crossgrain.dosing.wish import Wish
from crossgrain.names.identity import FhirVersion
from crossgrain.names.series_extension import MOST_ACTS, MOST_BYTES, SERIES_URL
from crossgrain.reading.series_mark import mark_in
from crossgrain.safety.visit import AS_READ
from crossgrain.writing.forms import to_json

# eld-19 of FHIR R4, https://hl7.org/fhir/R4/elementdefinition-definitions.html
PATH = re.compile(r"[^\s.,:;'\"/|?!@#$%&*()\[\]{}]{1,64}"
                  r"(\.[^\s.,:;'\"/|?!@#$%&*()\[\]{}]{1,64}(\[x\])?(:[^\s.]+)?)*")  # fmt: skip
CARRIERS = {"CarePlan", "MedicationRequest"}


def marked(bundle):
    return [r for r in resources(bundle) if r["resourceType"] in CARRIERS]


def faults(extension, elements, own_id="Extension"):
    """Where an extension differs from the differential of its definition."""
    by_id = {element["id"]: element for element in elements}
    if extension["url"] != by_id[f"{own_id}.url"]["fixedUri"]:
        yield f"{own_id}.url"
    values = [key for key in extension if key.startswith("value")]
    if by_id[f"{own_id}.value[x]"].get("max") == "0":
        if values:
            yield f"{own_id}.value[x]"
        prefix = f"{own_id}.extension:"
        slices = [
            e for e in elements if e["id"].startswith(prefix) and "." not in e["id"][len(prefix) :]
        ]
        inner = extension.get("extension", [])
        if {each["url"] for each in inner} - {e["sliceName"] for e in slices}:
            yield f"{own_id}.extension"
        for one in slices:
            found = [each for each in inner if each["url"] == one["sliceName"]]
            most = len(found) if one["max"] == "*" else int(one["max"])
            if not one["min"] <= len(found) <= most:
                yield one["id"]
            for each in found:
                yield from faults(each, elements, one["id"])
        return
    (type_,) = by_id[f"{own_id}.value[x]"]["type"]
    code = type_["code"]
    if values != [f"value{code[0].upper()}{code[1:]}"] or "extension" in extension:
        yield f"{own_id}.value[x]"


@pytest.mark.parametrize("version", FhirVersion)
def test_its_definition_names_every_path_as_fhir_demands(version):
    elements = series_extension(version)["differential"]["element"]
    assert all(PATH.fullmatch(element["path"]) for element in elements)
    names = [element["sliceName"] for element in elements if "sliceName" in element]
    assert names
    assert all(re.fullmatch(r"[a-zA-Z0-9/\-_\[\]@]+", name) for name in names)  # eld-16
    assert len({element["id"] for element in elements}) == len(elements)


@pytest.mark.parametrize("name", ANSWERS)
def test_every_order_and_care_plan_carries_it_as_it_is_defined(name):
    version = ANSWERS[name][1]
    elements = series_extension(version)["differential"]["element"]
    for resource in marked(answer(name)):
        (extension,) = resource["extension"]
        assert list(faults(extension, elements)) == []


def test_the_judge_of_its_definition_sees_a_planted_fault():
    elements = series_extension(FhirVersion.R4)["differential"]["element"]
    sound = next(
        marked(answer(name))[1]["extension"][0] for name in ANSWERS if proposal_of(name).plan
    )
    parts = sound["extension"]
    planted = [
        {**sound, "url": "http://example.org/other"},
        {**sound, "valueString": "x"},
        {**sound, "extension": parts[1:]},
        {**sound, "extension": [*parts, parts[0]]},
        {**sound, "extension": [*parts, {"url": "unknown", "valueString": "x"}]},
        {**sound, "extension": [{"url": "plan", "valueString": "x"}, *parts[1:]]},
    ]
    assert all(list(faults(one, elements)) for one in planted)


def test_every_direction_is_read_back_as_written_and_under_two_kilobytes():
    sizes, orders = [], 0
    for proposal in every_direction():
        facts = set()
        for resource in marked(written(proposal, FhirVersion.R4, CATALOGUE.codes)):
            (extension,) = resource["extension"]
            mark = mark_in([extension], COMBINING)
            assert mark is not None
            facts.add(mark.facts)
            assert (mark.ordered is None) == (resource["resourceType"] == "CarePlan")
            if mark.ordered:
                orders += 1
                ordered = mark.ordered
                said = [
                    (i["timing"]["repeat"]["boundsPeriod"], i["timing"]["repeat"]["frequency"])
                    for i in resource["dosageInstruction"]
                ]
                assert said == [
                    (
                        {"start": d.first_day.isoformat(), "end": d.last_day.isoformat()},
                        d.times_a_day,
                    )
                    for d in ordered.doses
                ]
                assert 1 <= ordered.step <= ordered.steps
            sizes.append(len(to_json(extension)))
        if facts:
            (one,) = facts  # what all resources of a plan say of it is one
            assert one.day_one == proposal.request.start
    assert orders > 300
    assert max(sizes) < MOST_BYTES


def test_with_the_acts_of_as_many_visits_as_it_may_tell_of_it_stays_under_two_kilobytes():
    widest = max(LabReading, key=len)
    acts = [
        f"2025-03-03 {row.act} {row.reason} {widest if row.reading == AS_READ else row.reading}"
        for row in CATALOGUE.decisions
        if row.act not in {Act.CONTINUE, Act.ASK, Act.STOP}  # these are not told of
    ]
    act = {"url": "act", "valueString": max(acts, key=len).strip()}
    sizes = []
    for proposal in every_direction():
        for resource in marked(written(proposal, FhirVersion.R4, CATALOGUE.codes)):
            (extension,) = resource["extension"]
            parts = [*extension["extension"], *[act] * MOST_ACTS]
            sizes.append(len(to_json({**extension, "extension": parts})))
    assert max(sizes) < MOST_BYTES


def test_the_checkpoint_can_be_computed_again_from_it():
    compared = 0
    for proposal in every_direction():
        bundle = written(proposal, FhirVersion.R4, CATALOGUE.codes)
        found = [
            mark_in(r["extension"], COMBINING)
            for r in resources(bundle)
            if r["resourceType"] == "CarePlan"
        ]
        for mark in found:
            facts = mark.facts
            again = CATALOGUE.plans[facts.family].plan_switch(
                Regimen(
                    tuple(
                        DoseLine(CATALOGUE.preparations[preparation], cycle)
                        for preparation, cycle in facts.original
                    )
                ),
                Wish(
                    target=facts.target,
                    basis_id=facts.basis_id,
                    pace_id=facts.pace,
                    prior_therapy=facts.prior_therapy,
                    mixture=facts.mixture,
                    lt4_at_least_most_generous=facts.most_generous,
                    need=facts.need,
                ),
            )
            assert again.checkpoint.dose == facts.checkpoint
            assert facts.tables == CATALOGUE.tables_version
            compared += 1
    assert compared > 20


def test_it_holds_nothing_of_the_patient_but_the_doses():
    for name in ANSWERS:
        for resource in marked(answer(name)):
            text = json.dumps(resource["extension"], default=str)
            record = proposal_of(name).record
            for known in (record.patient_reference, *record.references):
                assert known not in text
            assert SERIES_URL in text
