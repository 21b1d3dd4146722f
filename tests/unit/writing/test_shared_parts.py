"""Resources share the parts that are the same in all of them, so no one may change a part."""

import pytest
from tests.unit.writing.answers import resources, written
from tests.unit.writing.plans import EVERY

from crossgrain.names.identity import FhirVersion
from crossgrain.operations.apply import care_plan_alone
from crossgrain.writing.forms import as_transaction, to_json


@pytest.mark.parametrize("name", EVERY)
def test_an_answer_is_the_same_whatever_was_made_of_those_before(name):
    made = EVERY[name]()
    before = to_json(written(made)), to_json(written(made, FhirVersion.R5))
    for version in FhirVersion:
        answer = written(made, version)
        as_transaction(answer)
        if any(resource["resourceType"] == "CarePlan" for resource in resources(answer)):
            care_plan_alone(answer)
    assert (to_json(written(made)), to_json(written(made, FhirVersion.R5))) == before
