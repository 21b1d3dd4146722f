"""An answer that a server can file, once however often it is sent."""

import pytest
from tests.unit.writing.answers import written
from tests.unit.writing.plans import EVERY

from crossgrain.names.identity import FhirVersion
from crossgrain.writing.forms import as_transaction


@pytest.mark.parametrize("version", FhirVersion)
@pytest.mark.parametrize("name", EVERY)
def test_every_entry_is_created_unless_it_is_there(name, version):
    collection = written(EVERY[name](), version)
    filed = as_transaction(collection)
    assert filed["type"] == "transaction"
    assert len(filed["entry"]) == len(collection["entry"])
    for entry in filed["entry"]:
        resource, request = entry["resource"], entry["request"]
        assert (request["method"], request["url"]) == ("POST", resource["resourceType"])
        parameter, _, token = request["ifNoneExist"].partition("=")
        system, _, value = token.partition("|")
        if resource["resourceType"] == "Provenance":  # it has no identifier in R4 or R5
            assert parameter == "_tag"
            assert resource["meta"]["tag"] == [{"system": system, "code": value}]
        else:
            assert parameter == "identifier"
            assert {"system": system, "value": value} in resource["identifier"]


def test_the_answer_itself_is_left_as_it_was():
    collection = written(EVERY["LT4 to desiccated"]())
    as_transaction(collection)
    assert collection["type"] == "collection"
    assert not any("request" in e or "meta" in e["resource"] for e in collection["entry"])


def test_no_two_entries_share_a_name():
    filed = as_transaction(written(EVERY["LT4 to desiccated"]()))
    names = [entry["request"]["ifNoneExist"] for entry in filed["entry"]]
    assert len(set(names)) == len(names)
