"""A person who reads a card, a sheet, a page or a terminal meets words, never a code of ours."""

import json
import re
from typing import Any

import pytest
from fastapi.testclient import TestClient
from tests.unit.command import crossgrain
from tests.unit.safety.patients import RULES
from tests.unit.sheet.pages import parsed

from crossgrain.safety.judgement import Verdict
from crossgrain.safety.rule import titled
from crossgrain.screening.course import FlagCode

from .calls import FHIR, PATIENTS, SCENARIO, Resource
from .hooks import ORDER, REVIEW, call, grains, liothyronine

CODES = sorted(
    code
    for code in (
        *RULES.before, *RULES.after, *RULES.verdicts, *FlagCode,
        *(f"order-{verdict}" for verdict in RULES.verdicts),
        *(missing.code for missing in RULES.missing.values()),
    )
    if "-" in code
)  # fmt: skip
SPACED = [
    code.replace("-", " ")
    for code in (*Verdict, *FlagCode)
    if "-" in code and code != FlagCode.LEFT_RUNNING  # whose words anyone would use
]
BARE = re.compile(r"\b(?:" + "|".join(map(re.escape, (*CODES, *SPACED))) + r")\b")
"""Each code as it is, and those of verdicts and flags without their hyphens too."""
FILES = [patient["file"] for patient in SCENARIO["patient"]]


def bare(record: Resource) -> Resource:
    """The same record with the patient and the medicines alone, so that nothing can be checked."""
    kept = ("Patient", "MedicationStatement", "MedicationRequest")
    entries = [e for e in record["entry"] if e["resource"]["resourceType"] in kept]
    return {**record, "entry": entries}


def shown(cards: list[dict[str, Any]]) -> str:
    """What a card says to whoever reads it."""
    suggested = [s for card in cards for s in card.get("suggestions", [])]
    actions = [a["description"] for s in suggested for a in s.get("actions", [])]
    labels = [s["label"] for s in suggested]
    return "\n".join([*(c["summary"] + "\n" + c["detail"] for c in cards), *labels, *actions])


def test_the_look_itself_finds_a_code() -> None:
    for code in ("not-checked-conditions", "under dosed switch", "t3-jump", "tsh-high"):
        assert BARE.search(f"HOLD: {code}, and more")
    assert not BARE.search("an under-dosed switch of coronary disease")


def test_every_finding_has_a_title_in_words_of_its_own() -> None:
    entries = [*RULES.before.values(), *RULES.after.values(), *RULES.verdicts.values()]
    titles = [titled(entry) for entry in (*entries, *RULES.missing.values())]
    assert len(set(titles)) == len(titles) == len(entries) + len(RULES.missing)
    for title in titles:
        assert title[0].isupper()
        assert not BARE.findall(title)
        assert not re.search(r"[{}]", title)


@pytest.mark.parametrize("file", FILES)
def test_no_sheet_shows_a_code(client: TestClient, file: str) -> None:
    record = json.loads((PATIENTS / file).read_text("utf-8"))
    asked = {"target": "liothyronine", "as-of": "2025-03-03"}
    for each in (record, bare(record)):
        for path, params in (("/sheet", asked), ("/sheet/next-step", {"as-of": "2025-03-03"})):
            answer = client.post(path, params=params, content=json.dumps(each), headers=FHIR)
            assert answer.status_code in {200, 422}
            said = parsed(answer.content).text if answer.status_code == 200 else ""
            assert not BARE.findall(said)


@pytest.mark.parametrize("file", FILES)
def test_no_card_shows_a_code(client: TestClient, file: str) -> None:
    patient = f"p{file[:2]}"
    for drafts in ([grains(30, patient)], [grains(180, patient)], [liothyronine(50, patient)]):
        body = call(file, drafts, "order-sign")
        for _ in range(2):
            cards = client.post(ORDER, json=body).json()["cards"]
            assert not BARE.findall(shown(cards))
            for key in ("conditions", "allergies", "goals", "observations"):
                body["prefetch"][key] = None
    cards = client.post(REVIEW, json=call(file, [], "patient-view")).json()["cards"]
    assert not BARE.findall(shown(cards))


@pytest.mark.parametrize("file", FILES)
def test_no_line_of_the_terminal_shows_a_code(tmp_path: Any, file: str) -> None:
    record = tmp_path / "record.json"
    record.write_text(json.dumps(bare(json.loads((PATIENTS / file).read_text("utf-8")))))
    asked = ("--target", "liothyronine", "--as-of", "2025-03-03")
    for source in (record, PATIENTS / file):
        ran = crossgrain("propose", source, *asked, columns=4000)
        assert not BARE.findall(ran.told + ran.told_beside)
