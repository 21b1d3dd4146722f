"""However a record names what it holds, what is to be filed never points at nothing.

A server finds a resource by `Type/id` on itself, by the URN of an entry of the same transaction, or
by a search that stands in the reference's place (FHIR R4 http.html, "conditional references").
"""

import copy
import json
import re
from typing import Any
from urllib.parse import unquote
from uuid import NAMESPACE_URL, uuid5

import pytest
from fastapi.testclient import TestClient
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.api.calls import PATIENTS, PROPOSE, Resource, references

from crossgrain.app.factory import create_app
from crossgrain.catalogue import load_catalogue
from crossgrain.http.settings import Settings

FILES = sorted(path.name for path in PATIENTS.glob("*.json"))
SYSTEM = "urn:example:records & notes"
WAYS = ("on the server", "urn and identifier", "urn alone", "urn and an old identifier", "place")
_LOCAL = re.compile(r"[A-Z][A-Za-z]+/[A-Za-z0-9.-]{1,64}")


@pytest.fixture(scope="module")
def service() -> TestClient:
    return TestClient(create_app(Settings(), load_catalogue()))


def named(record: Resource, ways: list[str]) -> Resource:
    """The record with each entry named one of the ways, and what refers to it following suit."""
    record = copy.deepcopy(record)
    new: dict[str, str] = {}
    for entry, way in zip(record["entry"], ways, strict=True):
        resource = entry["resource"]
        old = f"{resource['resourceType']}/{resource['id']}"
        urn = f"urn:uuid:{uuid5(NAMESPACE_URL, old)}"
        resource.pop("identifier", None)
        entry.pop("fullUrl", None)
        if way == "on the server":
            continue
        del resource["id"]
        if way == "place":
            continue
        entry["fullUrl"] = new[old] = urn
        if way != "urn alone":
            old_one = {"use": "old"} if "old" in way else {}
            resource["identifier"] = [{"system": SYSTEM, "value": old, **old_one}]
    pointed: Resource = pointing(record, new)
    return pointed


def pointing(node: Any, new: dict[str, str]) -> Any:
    if isinstance(node, dict):
        return {
            key: new.get(value, value)
            if key == "reference" and isinstance(value, str)
            else pointing(value, new)
            for key, value in node.items()
        }
    return [pointing(each, new) for each in node] if isinstance(node, list) else node


def is_found(reference: str, answer: Resource, record: Resource) -> bool:
    """Whether a server that holds the record could follow it from this transaction."""
    if reference.startswith("#") or reference in {e["fullUrl"] for e in answer["entry"]}:
        return True
    kind, search, token = reference.partition("?identifier=")
    if search:
        system, _, value = (unquote(part) for part in token.partition("|"))
        held = [e["resource"] for e in record["entry"] if e["resource"]["resourceType"] == kind]
        known = [i for r in held for i in r.get("identifier", ())]
        return [(i["system"], i["value"]) for i in known].count((system, value)) == 1
    return _LOCAL.fullmatch(reference) is not None


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_what_is_filed_never_points_at_nothing(service: TestClient, data: st.DataObject) -> None:
    file = data.draw(st.sampled_from(FILES))
    whole = json.loads((PATIENTS / file).read_text("utf-8"))
    _, *others = whole["entry"]
    usual = data.draw(st.sampled_from(WAYS))
    way = st.sampled_from((usual, *WAYS))
    # of a patient who is named by no more than a place, nothing in the record could say whose it is
    first = data.draw(st.sampled_from(WAYS[:-1]))
    record = named(whole, [first, *(data.draw(way) for _ in others)])
    asked = "?target=levothyroxine&as-of=2025-03-03&response="
    collected = service.post(f"{PROPOSE}{asked}collection", json=record)
    answer = service.post(f"{PROPOSE}{asked}transaction", json=record)
    if collected.status_code != 200:
        assert answer.status_code == collected.status_code
        return
    bundle = answer.json()
    if answer.status_code == 200:
        lost = [each for each in references(bundle) if not is_found(each, bundle, record)]
        assert lost == []
        return
    assert answer.status_code == 422
    cited = set(references(collected.json()))
    for issue in bundle["issue"]:
        (place,) = issue["expression"]
        number = int(re.fullmatch(r"Bundle\.entry\[(\d+)\]\.resource", place)[1])  # type: ignore[index]
        entry = record["entry"][number]
        assert "identifier" not in entry["resource"] or "old" in str(entry["resource"])
        assert {entry.get("fullUrl"), place} & cited
        assert "give it the address that it has on the server" in issue["diagnostics"]
