"""A deployer's expanded ValueSets: read strictly, made from a terminology server, and obeyed."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import httpx2 as httpx
import pytest
from tests.unit.command import crossgrain

from crossgrain.catalogue import load_catalogue
from crossgrain.catalogue.clinic import roots_of
from crossgrain.cli.expanding import expand
from crossgrain.names.errors import DomainError
from crossgrain.reading.elements import CodeableConcept, Coding

SNOMED = "http://snomed.info/sct"
HEART_FAILURE, ANGINA, UNSTABLE, ISCHAEMIC = "84114007", "194828000", "4557003", "414545008"
# Invented concepts whose check digits hold; what lies below what is the fake server's own.
LEFT, REFRACTORY, CRESCENDO = "1000000107", "1000001106", "1000002103"
BELOW = {
    HEART_FAILURE: [LEFT],
    ISCHAEMIC: [ANGINA],
    ANGINA: [UNSTABLE, REFRACTORY],
    UNSTABLE: [CRESCENDO],
}

Json = dict[str, Any]


def all_below(code: str) -> list[str]:
    return [code, *(deep for child in BELOW.get(code, ()) for deep in all_below(child))]


class Server:
    """A terminology server that knows `BELOW`, and gives so many concepts a page."""

    def __init__(self, page: int = 2, change: Callable[[Json], object] = lambda _: None) -> None:
        self.page, self.change, self.tokens = page, change, set[str | None]()

    def __call__(self, request: httpx.Request) -> httpx.Response:
        assert request.url.path == "/fhir/ValueSet/$expand"
        self.tokens.add(request.headers.get("authorization"))
        asked = {p["name"]: p for p in json.loads(request.content)["parameter"]}
        roots = [
            one["filter"][0]["value"]
            for one in asked["valueSet"]["resource"]["compose"]["include"]
            if one["filter"][0] | {"value": ""}
            == {"property": "concept", "op": "is-a", "value": ""}
        ]
        codes = list(dict.fromkeys(code for root in roots for code in all_below(root)))
        first = asked["offset"]["valueInteger"]
        contains = [{"system": SNOMED, "code": c} for c in codes[first : first + self.page]]
        expansion = {"total": len(codes), "offset": first, "contains": contains}
        self.change(expansion)
        return httpx.Response(200, json={"resourceType": "ValueSet", "expansion": expansion})

    def client(self) -> httpx.Client:
        return httpx.Client(transport=httpx.MockTransport(self))


@pytest.fixture
def clinic(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    """A clinic's file with everything that the fake server told, as the command says it."""
    assert expand("https://tx.example/fhir", tmp_path / "sets", None, Server().client()) == 0
    file = tmp_path / "clinic.toml"
    file.write_text(capsys.readouterr().out, "utf-8")
    return file


def keys(clinic: Path | None, code: str, words: str = "") -> set[str]:
    concept = CodeableConcept(coding=(Coding(system=SNOMED, code=code),), text=words or None)
    return set(load_catalogue(clinic).codes.concerns.conditions.keys_of(concept))


def test_a_concept_below_a_known_one_is_known_by_its_key(clinic: Path) -> None:
    assert keys(None, LEFT) == set()
    assert keys(clinic, LEFT) == {"heart-failure"}


def test_a_concept_is_that_of_the_narrowest_set_that_holds_it(clinic: Path) -> None:
    """Refractory angina is in the sets of ischaemic disease and angina, crescendo in all three."""
    assert keys(clinic, REFRACTORY) == {"angina"}
    assert keys(clinic, CRESCENDO) == {"unstable-angina"}


def test_a_shipped_code_keeps_its_meaning(clinic: Path) -> None:
    assert keys(clinic, UNSTABLE) == {"unstable-angina"}
    assert keys(clinic, ANGINA) == {"angina"}


def test_what_a_concept_is_below_does_not_silence_its_words(clinic: Path) -> None:
    assert keys(clinic, LEFT, "with unstable angina") == {"heart-failure", "unstable-angina"}


def test_every_key_with_snomed_concepts_is_asked_for(clinic: Path) -> None:
    roots = roots_of(load_catalogue().codes.concerns)
    assert {root.file for root in roots} == {p.name for p in (clinic.parent / "sets").iterdir()}
    assert {"condition-heart-failure.json", "allergy-pork.json"} <= {root.file for root in roots}


def test_the_same_expansion_makes_the_same_file_whatever_the_pages(tmp_path: Path) -> None:
    for page, out in ((1, "one"), (1000, "all")):
        expand("https://tx.example/fhir", tmp_path / out, None, Server(page).client())
    for file in (tmp_path / "one").iterdir():
        assert file.read_bytes() == (tmp_path / "all" / file.name).read_bytes()


def shortened(expansion: Json) -> None:
    expansion["total"] += 1
    if not expansion["contains"]:
        return
    del expansion["contains"][1:]


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (shortened, "a part is not the whole"),
        (lambda e: e.update(extension=[{
            "url": "http://hl7.org/fhir/StructureDefinition/valueset-toocostly",
            "valueBoolean": True,
        }]), "did not expand it to the end"),
        (lambda e: [c.update(code="84114008") for c in e["contains"]], "check digit"),
        (lambda e: e.update(contains=e["contains"][1:], total=e["total"] - 1), "left out"),
        (lambda e: e.pop("contains"), "contains"),
    ],
)  # fmt: skip
def test_a_server_that_does_not_give_the_whole_leaves_nothing_written(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    change: Callable[[Json], object],
    says: str,
) -> None:
    client = Server(1000, change).client()
    assert expand("https://tx.example/fhir", tmp_path / "sets", None, client) == 1
    assert says in capsys.readouterr().err
    assert not (tmp_path / "sets").exists()


@pytest.mark.parametrize("status", [401, 404, 422, 500])
def test_a_refusal_names_the_set_and_the_status(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], status: int
) -> None:
    client = httpx.Client(transport=httpx.MockTransport(lambda _: httpx.Response(status)))
    assert expand("https://tx.example/fhir", tmp_path / "sets", None, client) == 1
    assert f"the server answered {status}" in capsys.readouterr().err


def test_a_token_is_sent_over_https_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (token := tmp_path / "token").write_text("secret\n")
    server = Server()
    assert expand("http://tx.example/fhir", tmp_path / "a", token, server.client()) == 1
    assert server.tokens == set()
    assert expand("https://tx.example/fhir", tmp_path / "b", token, server.client()) == 0
    assert server.tokens == {"Bearer secret"}
    assert "secret" not in "".join(capsys.readouterr())


def test_the_command_says_that_nobody_answers(tmp_path: Path) -> None:
    ran = crossgrain("expand", "http://127.0.0.1:9/fhir", "--out", tmp_path / "sets")
    assert ran.returncode == 1
    assert "no answer" in ran.told_beside


WHOLE: Json = {
    "resourceType": "ValueSet",
    "expansion": {"total": 1, "contains": [{"system": SNOMED, "code": HEART_FAILURE}]},
}


def changed(**expansion: object) -> Json:
    return {**WHOLE, "expansion": {**WHOLE["expansion"], **expansion}}


@pytest.mark.parametrize(
    ("entry", "content", "field"),
    [
        ('kind = "illness"', WHOLE, "value_set[1].kind"),
        ('key = "gout"', WHOLE, "value_set[1].key"),
        ('file = "none.json"', WHOLE, "value_set[1].file, none.json"),
        ('colour = "red"', WHOLE, "value_set[1].colour"),
        ("", "{", "value_set[1].file, a.json"),
        ("", [], "value_set[1].file, a.json"),
        ("", {"resourceType": "CodeSystem"}, "value_set[1].file, a.json"),
        ("", {"resourceType": "ValueSet"}, "value_set[1].file, a.json: expansion"),
        ("", changed(contains=[]), "value_set[1].file, a.json: expansion.contains"),
        ("", changed(total=2), "value_set[1].file, a.json: expansion"),
        ("", changed(offset=1), "value_set[1].file, a.json: expansion"),
        ("", changed(contains=[{"code": LEFT}]),
         "value_set[1].file, a.json: expansion.contains[1].system"),
        ("", changed(contains=[{"system": "urn:x", "code": "1"}]),
         "value_set[1].file, a.json: expansion.contains[1].system"),
        ("", changed(contains=[{"system": SNOMED, "code": "1000000108"}]),
         "value_set[1].file, a.json: expansion.contains[1].code"),
        ("", changed(contains=[{"abstract": True, "contains": [{"system": SNOMED}]}]),
         "value_set[1].file, a.json: expansion.contains[1].contains[1].code"),
    ],
)  # fmt: skip
def test_a_set_that_is_not_certain_is_refused_by_its_place(
    tmp_path: Path, entry: str, content: object, field: str
) -> None:
    lines = {
        "kind": 'kind = "condition"',
        "key": 'key = "heart-failure"',
        "file": 'file = "a.json"',
    }
    lines[entry.split(" ", maxsplit=1)[0]] = entry
    (tmp_path / "clinic.toml").write_text("\n".join(["[[value_set]]", *lines.values()]), "utf-8")
    written = content if isinstance(content, str) else json.dumps(content)
    (tmp_path / "a.json").write_text(written, "utf-8")
    with pytest.raises(DomainError) as refused:
        load_catalogue(tmp_path / "clinic.toml")
    assert refused.value.field == f"clinic.toml: {field}"


def test_an_abstract_group_is_passed_over_and_what_it_holds_is_read(tmp_path: Path) -> None:
    inner = [{"system": SNOMED, "code": LEFT}]
    content = changed(contains=[{"abstract": True, "contains": inner}])
    (tmp_path / "a.json").write_text(json.dumps(content), "utf-8")
    (tmp_path / "clinic.toml").write_text(
        '[[value_set]]\nkind = "condition"\nkey = "heart-failure"\nfile = "a.json"\n', "utf-8"
    )
    assert keys(tmp_path / "clinic.toml", LEFT) == {"heart-failure"}
