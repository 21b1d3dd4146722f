"""The bill of materials is CycloneDX, the same every time, and names no place."""

import json
import re

import pytest

pytest.importorskip("cyclonedx", reason="install the extra `supply` first")

from tests.unit.supply.pins import DOCKER
from tests.unit.supply.sbom import faults, without_addresses

from crossgrain import __version__

BILL = (DOCKER / "sbom.json").read_text("utf-8")
BILLS = (BILL, (DOCKER / "sbom-night.json").read_text("utf-8"))


@pytest.mark.parametrize("bill", BILLS)
def test_the_bill_holds_to_the_published_schema(bill: str) -> None:
    assert faults(bill) == []


def test_the_schema_would_have_refused_a_bill_that_does_not() -> None:
    bill = json.loads(BILL)
    bill["components"][0]["type"] = "thing"
    assert "thing" in faults(json.dumps(bill))[0]


@pytest.mark.parametrize("bill", BILLS)
def test_it_is_about_this_version_of_the_service(bill: str) -> None:
    about = json.loads(bill)["metadata"]["component"]
    assert (about["name"], about["version"]) == ("crossgrain", __version__)


@pytest.mark.parametrize("text", BILLS)
def test_nothing_in_it_changes_by_itself_and_no_place_is_named(text: str) -> None:
    bill = json.loads(text)
    assert "serialNumber" not in bill
    assert "timestamp" not in bill["metadata"]
    assert re.findall(r"\w+://[^/\"]+", text) == ["http://cyclonedx.org"]


def test_links_are_left_out_at_any_depth() -> None:
    tree = {"a": [{"externalReferences": [1], "b": 2}], "externalReferences": []}
    assert without_addresses(tree) == {"a": [{"b": 2}]}
