"""What every operation takes and answers over HTTP holds to the official definitions of FHIR."""

import json

import pytest
from tests.conformance.node import needs_node, needs_packages, walked
from tests.conformance.patients import AS_OF, FILES, FIXTURES
from tests.conformance.r5_records import as_r5

from crossgrain.names.identity import FhirVersion

pytestmark = [needs_node, needs_packages]

DAY = f"as-of={AS_OF}"
# An answer, one with its page, a page to file, a brief one, each other operation, a refusal.
CALLS = {
    f"$propose-switch?{DAY}&target=desiccated-thyroid": 200,
    f"$propose-switch?{DAY}&target=levothyroxine&sheet=true": 200,
    f"$propose-switch?{DAY}&target=levothyroxine&sheet=true&response=transaction": 200,
    f"$propose-switch?{DAY}&target=desiccated-thyroid&detail=brief": 200,
    f"$compare-bases?{DAY}&target=desiccated-thyroid": 200,
    f"$screen-switches?{DAY}": 200,
    f"$propose-switch?{DAY}&target=no-such-medicine": 400,
}


def records(version):
    """Every invented patient in the shape of a version."""
    read = [json.loads((FIXTURES / "patients" / file).read_text("utf-8")) for file in FILES]
    return read if version is FhirVersion.R4 else [as_r5(record) for record in read]


@pytest.mark.parametrize("version", FhirVersion)
def test_every_record_of_the_fixtures_is_without_a_fault(version):
    reports = walked(records(version), version)
    assert [report["faults"] for report in reports] == [[]] * len(FILES)


@pytest.mark.parametrize("version", FhirVersion)
@pytest.mark.parametrize("call", CALLS)
def test_every_answer_to_every_patient_is_without_a_fault(client, version, call):
    sent = [client.post(f"/fhir/{version}/{call}", json=record) for record in records(version)]
    assert CALLS[call] in {answer.status_code for answer in sent}
    assert {answer.status_code for answer in sent} <= {CALLS[call], 422}
    reports = walked([answer.json() for answer in sent], version)
    assert [report["faults"] for report in reports] == [[]] * len(FILES)
