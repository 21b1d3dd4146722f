"""No answer holds a part of another: whoever changes one changes no other patient's.

Every surface is called as a caller calls it; the trees are taken where they become bytes.
"""

import json
from collections.abc import Iterator
from typing import Any
from unittest import mock

import msgspec
import pytest
from fastapi.testclient import TestClient
from tests.api.calls import FHIR, FIXTURES, LT4, PATIENTS
from tests.api.hooks import ORDER, REVIEW, call, grains
from tests.conformance.r5_records import as_r5

from crossgrain.writing import forms

LT4_150 = json.loads((PATIENTS / LT4).read_bytes())
SOMEBODY_ELSE = json.loads((PATIENTS / LT4).read_text().replace("p01", "p99"))
"""On the same doses."""
HELD = json.loads((PATIENTS / "10-older-with-atrial-fibrillation.json").read_bytes())
DRAFTED = json.loads((PATIENTS / "16-draft-order.json").read_bytes())
UNREAD = json.loads((PATIENTS / "12-text-only-sig.json").read_bytes())
SWITCHED = json.loads((PATIENTS / "15-switched-at-half-the-dose.json").read_bytes())
RECORDS = {
    "LT4 150": LT4_150, "somebody else": SOMEBODY_ELSE, "held": HELD, "drafted": DRAFTED,
    "unread": UNREAD, "switched": SWITCHED,
}  # fmt: skip
TO_GRAINS = "target=desiccated-thyroid&as-of=2025-03-03"
ASKED = {
    "propose": f"$propose-switch?{TO_GRAINS}",
    "stop": f"$propose-switch?{TO_GRAINS}&prior-therapy=stop&sheet=true",
    "to file": f"$propose-switch?{TO_GRAINS}&response=transaction",
    "back": "$propose-switch?target=levothyroxine&as-of=2025-03-03",
    "next": "$next-step?as-of=2025-03-03",
    "compare": f"$compare-bases?{TO_GRAINS}",
    "screen": "$screen-switches?as-of=2025-03-03",
    "refused": "$propose-switch?target=nothing",
}
POSTS = {
    **{
        f"{name}, {record}, {version}": (
            f"/fhir/{version}/{path}",
            as_r5(body) if version == "r5" else body,
        )
        for name, path in ASKED.items()
        for record, body in RECORDS.items()
        for version in ("r4", "r5")
    },
    **{
        f"apply, {version}": (
            f"/fhir/{version}/PlanDefinition/regimen-switch/$apply",
            json.loads((FIXTURES / "calls" / "apply.json").read_bytes()),
        )
        for version in ("r4", "r5")
    },
    "too little": (ORDER, call(LT4, [grains(60, "p01")])),
    "too much": (ORDER, call(LT4, [grains(180, "p01", own_id="rx-9")])),
    "selected": (ORDER, call(LT4, [grains(60, "p01")], "order-select")),
    "reviewed": (REVIEW, call("15-switched-at-half-the-dose.json", [], "patient-view")),
}


class Taking:
    """The encoder, with every tree that it was given: all are held, so no address serves twice."""

    def __init__(self) -> None:
        self.trees: list[Any] = []
        self.encode_it = msgspec.json.Encoder(decimal_format="number").encode

    def encode(self, tree: Any) -> bytes:
        self.trees.append(tree)
        return self.encode_it(tree)


@pytest.fixture(scope="module")
def trees(client: TestClient) -> dict[str, Any]:
    """What became each answer."""
    taking, found = Taking(), {}
    with mock.patch.object(forms, "_ENCODER", taking):
        for name, (path, body) in POSTS.items():
            headers = FHIR if path.startswith("/fhir") else {"content-type": "application/json"}
            before = len(taking.trees)
            client.post(path, content=json.dumps(body), headers=headers)
            assert len(taking.trees) > before, name
            found[name] = taking.trees[-1]  # what a card might offer is encoded first, for its size
    return found


def containers(tree: Any, where: str = "") -> Iterator[tuple[str, Any]]:
    """Every object that could be changed, by its place; one that stands twice comes twice."""
    if isinstance(tree, dict):
        yield where, tree
        for key, value in tree.items():
            yield from containers(value, f"{where}.{key}")
    elif isinstance(tree, list):
        yield where, tree
        for place, value in enumerate(tree):
            yield from containers(value, f"{where}[{place}]")
    elif isinstance(tree, tuple):
        for place, value in enumerate(tree):
            yield from containers(value, f"{where}[{place}]")


def test_no_answer_holds_an_object_of_another(trees: dict[str, Any]) -> None:
    owner: dict[int, str] = {}
    shared = {}
    for name, tree in trees.items():
        own = {id(found): where for where, found in containers(tree)}
        for number, where in own.items():
            if number in owner:
                shared[where] = f"{name} and {owner[number]}"
        owner.update({number: f"{name}{where}" for number, where in own.items()})
    assert len(owner) > 20_000
    assert not shared, f"{len(shared)} places, such as {list(shared.items())[:5]}"


def test_within_an_answer_too_every_object_stands_in_one_place(trees: dict[str, Any]) -> None:
    twice = {}
    for name, tree in trees.items():
        seen: dict[int, str] = {}
        for where, found in containers(tree):
            if id(found) in seen:
                twice[f"{name}{where}"] = seen[id(found)]
            seen[id(found)] = where
    assert not twice, f"{len(twice)} places, such as {list(twice.items())[:5]}"
