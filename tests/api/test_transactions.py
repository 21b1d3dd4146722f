"""An answer that is to be filed beside a record that names what it holds by URNs."""

import copy
import json
from collections.abc import Callable
from typing import Any

import httpx2 as httpx
import pytest

from .calls import Resource, references

URN = "urn:uuid:0b7c8a52-4a1f-5c77-9d3b-6a0f5f0d2c11"
TO_FILE = "?target=desiccated-thyroid&as-of=2025-03-03&response=transaction"
Post = Callable[..., httpx.Response]


def by_urn(record: Resource, kind: str, **more: Any) -> Resource:
    """The record with its first resource of a type, and what refers to it, under a URN."""
    entry = next(e for e in record["entry"] if e["resource"]["resourceType"] == kind)
    old = f"{kind}/{entry['resource'].pop('id')}"
    entry["resource"].pop("identifier", None)
    entry["resource"].update(more)
    entry["fullUrl"] = URN
    changed: Resource = json.loads(json.dumps(record).replace(f'"{old}"', f'"{URN}"'))
    return changed


def identifier(value: str, system: str = "urn:example:records", **more: str) -> list[Resource]:
    return [{"system": system, "value": value, **more}]


@pytest.mark.parametrize("kind", ["Patient", "MedicationStatement", "Condition"])
def test_what_the_record_names_by_a_urn_is_searched_by_its_identifier(
    post: Post, record: Resource, kind: str
) -> None:
    answer = post(by_urn(record, kind, identifier=identifier("7 & 8")), TO_FILE)
    assert answer.status_code == 200
    cited = set(references(answer.json()))
    assert URN not in cited
    assert f"{kind}?identifier=urn:example:records|7%20%26%208" in cited


@pytest.mark.parametrize(
    "named",
    [
        [],
        identifier("7", use="old"),
        identifier("7|8"),  # a search could not tell where the system ends
        [{"value": "7"}],
        [{"system": "urn:example:records"}],
        "7",
    ],
)
def test_a_subject_that_no_server_could_find_is_refused_where_it_stands(
    post: Post, record: Resource, named: Any
) -> None:
    called = by_urn(record, "Patient", **({"identifier": named} if named else {}))
    collected = post(copy.deepcopy(called), TO_FILE.replace("transaction", "collection"))
    assert collected.status_code == 200  # to be read it may stay a URN
    answer = post(called, TO_FILE)
    (issue,) = answer.json()["issue"]
    assert (answer.status_code, issue["code"]) == (422, "business-rule")
    assert issue["expression"] == ["Bundle.entry[0].resource"]
    assert "an identifier with system and value" in issue["diagnostics"]


def test_each_resource_that_could_not_be_found_is_named_in_one_answer(
    post: Post, record: Resource
) -> None:
    called = json.loads(json.dumps(by_urn(record, "Patient")).replace(URN, URN[:-2] + "22"))
    answer = post(by_urn(called, "Condition"), TO_FILE)
    places = [issue["expression"] for issue in answer.json()["issue"]]
    numbers = [
        n for n, e in enumerate(called["entry"])
        if e["resource"]["resourceType"] in {"Patient", "Condition"}
    ]  # fmt: skip
    assert places == [
        [f"Bundle.entry[{numbers[0]}].resource"],
        [f"Bundle.entry[{numbers[1]}].resource"],
    ]


def test_what_is_on_the_server_is_named_as_it_was(post: Post, record: Resource) -> None:
    answer = post(record, TO_FILE).json()
    assert "Patient/p01" in set(references(answer))
    assert not [each for each in references(answer) if "?" in each]
