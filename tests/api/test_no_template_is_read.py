"""No template reaches a reader: nothing that is published or answered holds a ``{name}``."""

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest
from fastapi.testclient import TestClient
from tests.api.calls import FHIR, PATIENTS, SCENARIO
from tests.unit.safety.patients import RULES, raised
from tests.unit.safety.test_every_rule import EXAMPLES

from crossgrain.safety.facts import Facts
from crossgrain.safety.rule import Finding, Hit, Missing, Rule, Severity, in_general, worded

TEMPLATE = re.compile(r"(?<!\{)\{\w*\}(?!\})")
"""A double brace is CDS Hooks' own, for what the client fills in."""
ENTRIES: dict[str, Rule | Missing] = {
    **RULES.before,
    **RULES.after,
    **{missing.code: missing for missing in RULES.missing.values()},
    **RULES.verdicts,
}


def texts(tree: Any, key: str = "") -> Iterator[str]:
    """Every string but those of code elements: ``{tbl}`` is UCUM's code of a tablet."""
    if isinstance(tree, dict):
        for name, value in tree.items():
            yield from texts(value, name)
    elif isinstance(tree, list):
        for value in tree:
            yield from texts(value, key)
    elif isinstance(tree, str) and key != "code":
        yield tree


def words_of(finding: Finding) -> list[str]:
    return [finding.statement, finding.action, finding.source, finding.instruction]


@pytest.mark.parametrize("code", EXAMPLES)
def test_a_finding_that_a_rule_raises_is_filled_in(code: str) -> None:
    example = EXAMPLES[code]
    for finding in raised(example.fires, example.intent).values():
        assert not [words for words in words_of(finding) if TEMPLATE.search(words)]


def test_what_could_not_be_checked_is_filled_in_with_its_source() -> None:
    """Of nobody anything is known: every datum is missing that the move has rules for."""
    intent = EXAMPLES["under-18"].intent
    found = raised(Facts(EXAMPLES["under-18"].fires.regimen), intent)
    assert "not-checked-recent-tsh" in found
    assert "90 days is our judgement" in found["not-checked-recent-tsh"].source
    for finding in found.values():
        assert not [words for words in words_of(finding) if TEMPLATE.search(words)]


@pytest.mark.parametrize("part", ["statement", "action", "source", "instruction"])
@pytest.mark.parametrize("code", ENTRIES)
def test_whatever_part_of_an_entry_names_a_number_it_is_filled_in(code: str, part: str) -> None:
    """Also where the file comes to name one in a part that names none today."""
    entry = ENTRIES[code]
    names = set(re.findall(r"\{(\w+)\}", " ".join(map(str, parts_of(entry)))))
    fills = dict.fromkeys(names - set(entry.numbers), "something")
    if part == "instruction" and isinstance(entry, Missing):
        return
    told = replace(entry, **{part: "{planted} days"})
    finding = worded(told, code, Hit(fills={"planted": "42", **fills}))
    assert getattr(finding, part) == "42 days"
    assert not TEMPLATE.search(" ".join(words_of(finding)))


def parts_of(entry: Rule | Missing) -> list[str]:
    return [entry.statement, entry.action, entry.source, entry.instruction]


@pytest.mark.parametrize("code", ENTRIES)
def test_what_an_entry_says_of_anyone_holds_its_own_numbers_and_no_template(code: str) -> None:
    entry = ENTRIES[code]
    said = in_general(entry, {})
    assert not TEMPLATE.search(said)
    for name, number in entry.numbers.items():
        if f"{{{name}}}" in f"{entry.statement} {entry.source}":
            in_percent = f"{float(number.value) * 100:g} %"
            is_part = number.unit == "of the old regimen's"
            assert (in_percent if is_part else f"{float(number.value):g}") in said


def test_no_published_resource_holds_a_template(client: TestClient) -> None:
    openapi = client.get("/openapi.json").json()
    read = 0
    for path, methods in openapi["paths"].items():
        asked = [p for p in methods.get("get", {}).get("parameters", []) if p["in"] == "path"]
        if "get" not in methods or path == "/metrics" or path.endswith("package.tgz"):
            continue  # a package holds what is read here one by one
        for own_id in asked[0]["schema"]["enum"] if asked else [""]:
            resource = client.get(path.replace("{id}", own_id)).json()
            held = [text for text in texts(resource) if TEMPLATE.search(text)]
            assert not held, f"{path} {own_id}: {held[:3]}"
            read += 1
    assert read > 40


def test_the_code_system_gives_every_finding_its_numbers(client: TestClient) -> None:
    concepts = client.get("/fhir/r4/CodeSystem/finding").json()["concept"]
    said = {concept["code"]: concept["definition"] for concept in concepts}
    assert said["heart-rate-high"].startswith("Resting heart rate is …, above 100 per minute.")
    assert said["warfarin"].startswith("vitamin k antagonist or warfarin is taken")
    assert "90 days is our judgement" in said["not-checked-recent-tsh"]
    assert "below 0.8 of today's" in said["order-under-dosed-switch"]
    assert len(said) == len(ENTRIES)
    assert {concept["property"][0]["valueCode"] for concept in concepts} <= set(Severity)


@pytest.mark.parametrize("file", [patient["file"] for patient in SCENARIO["patient"]])
def test_no_answer_holds_a_template(client: TestClient, file: str) -> None:
    record = (PATIENTS / file).read_bytes()
    for path in ("$propose-switch?target=desiccated-thyroid", "$screen-switches?"):
        answer = client.post(f"/fhir/r4/{path}&as-of=2025-03-03", content=record, headers=FHIR)
        assert not [text for text in texts(json.loads(answer.content)) if TEMPLATE.search(text)]
