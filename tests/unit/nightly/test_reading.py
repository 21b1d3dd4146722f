"""What the nightly job reads of an export: files, pieces, and the lines that are kept."""

import gzip
import json
from collections import deque
from datetime import date
from itertools import islice
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.unit.nightly.exports import AS_OF, lines, make

from crossgrain.catalogue import load_catalogue
from crossgrain.names.identity import FhirVersion
from crossgrain.nightly.export import open_export
from crossgrain.nightly.judging import Judge, JudgedPatient
from crossgrain.nightly.plan import BrokenFile, SourceFile, chunks_of, lines_of
from crossgrain.nightly.sieve import UNSURE, NotRead, Sieve
from crossgrain.screening.screen import Ruler

CATALOGUE = load_catalogue()
PATIENTS = Path(__file__).parents[3] / "fixtures" / "patients"
RULED_BY = tuple(basis for basis in CATALOGUE.bases if basis.sets_checkpoint)
SIEVE = Sieve(CATALOGUE.codes, CATALOGUE.preparations)
RXNORM = "http://www.nlm.nih.gov/research/umls/rxnorm"
SUBJECT = {"subject": {"reference": "Patient/1"}}


def look(resource: dict):
    return SIEVE.look(json.dumps(resource).encode())


def request(**medication) -> dict:
    return {"resourceType": "MedicationRequest", "id": "m", **SUBJECT, **medication}


def concept(text: str = "", **coding: str) -> dict:
    return {"text": text, "coding": [coding] if coding else []}


@pytest.mark.parametrize(
    ("name", "read"),
    [
        ("Patient.ndjson", True),
        ("1.Observation.ndjson.gz", True),
        ("MedicationRequest_000.ndjson", True),
        ("part-0.ndjson", True),
        ("Encounter.ndjson", False),
        ("7.DocumentReference.ndjson", False),
    ],
)
def test_a_file_is_passed_over_only_where_its_name_says_another_type(tmp_path, name, read):
    (tmp_path / name).write_bytes(b"")
    (tmp_path / "Goal.ndjson").write_bytes(b"")
    export = open_export(tmp_path)
    assert (name in [file.name for file in export.files]) is read
    assert (name in export.passed_over) is not read


TEXTS = st.text(st.characters(codec="utf-8", exclude_characters="\r\n"), max_size=40)


@settings(max_examples=60)
@given(
    texts=st.lists(
        st.text(st.characters(codec="utf-8", exclude_characters="\r\n"), max_size=40), max_size=30
    ),
    size=st.integers(1, 60),
    ends=st.booleans(),
)
def test_pieces_of_any_size_give_every_line_once(tmp_path_factory, texts, size, ends):
    path = tmp_path_factory.mktemp("pieces") / "x.ndjson"
    content = "\n".join(texts).encode() + (b"\n" if ends else b"")
    path.write_bytes(content)
    pieces = chunks_of((SourceFile("x.ndjson", path),), size)
    every = [(place, line) for piece in pieces for place, line in lines_of(piece)]
    assert [line for _, line in every] == content.removesuffix(b"\n").split(b"\n")[: len(every)]
    assert sum(len(line) + 1 for _, line in every) in {len(content), len(content) + 1}


def test_a_compressed_file_is_one_piece_with_the_same_lines(tmp_path):
    path = tmp_path / "x.ndjson.gz"
    path.write_bytes(gzip.compress(b"a\nbb\nccc\n"))
    (piece,) = chunks_of((SourceFile(path.name, path),), 2)
    assert list(lines_of(piece)) == [(0, b"a"), (2, b"bb"), (5, b"ccc")]


def test_a_damaged_compressed_file_gives_what_came_before(tmp_path):
    path = tmp_path / "x.ndjson.gz"
    whole = gzip.compress(b"".join(b"%d\n" % n for n in range(100_000)))
    path.write_bytes(whole[: len(whole) // 2])
    (piece,) = chunks_of((SourceFile(path.name, path),))
    reading = lines_of(piece)
    first = [line for _, line in islice(reading, 1000)]
    assert first == [b"%d" % number for number in range(1000)]
    with pytest.raises(BrokenFile):
        deque(reading)


@pytest.mark.parametrize(
    ("medication", "hormone"),
    [
        (concept("Levothyroxine 100 MCG Oral Tablet"), True),
        (concept(system=RXNORM, code="10582"), True),
        (concept("L\u00e9vothyroxine 50 \u00b5g"), True),
        (concept("thyroid 60 mg compounded"), True),
        (concept("lisinopril 10 MG Oral Tablet"), False),
        (concept(system=RXNORM, code="29046", display="lisinopril"), False),
    ],
)
def test_a_medicine_is_kept_where_it_is_or_could_be_thyroid_hormone(medication, hormone):
    seen = look(request(medicationCodeableConcept=medication))
    assert (seen.keep, bool(seen.kinds)) == (hormone, hormone)
    seen = look(request(medication={"concept": medication}))
    assert (seen.keep, seen.r5) == (hormone, True)


def test_a_medicine_without_a_name_is_kept_for_the_reader_to_ask():
    assert look(request()).kinds == UNSURE
    assert look(request(medicationCodeableConcept={})).kinds == UNSURE


def test_a_reference_is_kept_until_its_medication_is_known():
    seen = look(request(medicationReference={"reference": "https://x.example/Medication/9"}))
    assert (seen.keep, seen.kinds, seen.medication) == (True, UNSURE, "Medication/9")
    shown = {"reference": "Medication/9", "display": "lisinopril"}
    seen = look(request(medicationReference=shown))
    assert (seen.keep, seen.kinds, seen.medication) == (True, 0, "Medication/9")


@pytest.mark.parametrize(("name", "hormone"), [("liothyronine", True), ("lisinopril", False)])
def test_a_contained_medication_is_looked_into(name, hormone):
    inside = {"resourceType": "Medication", "id": "in", "code": {"text": name}}
    seen = look(request(contained=[inside], medicationReference={"reference": "#in"}))
    assert seen.keep is hormone


@pytest.mark.parametrize(
    ("medication", "kinds"),
    [
        ({"code": {"text": "lisinopril"}, "ingredient": [{}]}, 0),
        ({"ingredient": [{"itemCodeableConcept": {"text": "lisinopril"}}]}, 0),
        ({"ingredient": [{"itemCodeableConcept": {"text": "lisinopril"}}, {}]}, UNSURE),
        ({"code": {}}, UNSURE),
        ({}, UNSURE),
    ],
)
def test_a_medication_of_which_a_part_has_no_name_may_be_any_hormone(medication, kinds):
    assert look({"resourceType": "Medication", "id": "m", **medication}).kinds == kinds


@pytest.mark.parametrize(
    ("code", "keep"), [("3016-3", True), ("3024-7", True), ("82810-3", True), ("2345-7", False)]
)
def test_only_results_that_are_weighed_are_kept(code, keep):
    coding = {"coding": [{"system": "http://loinc.org", "code": code}]}
    observation = {"resourceType": "Observation", "id": "o", **SUBJECT}
    assert look({**observation, "code": coding}).keep is keep
    assert look({**observation, "component": [{"code": coding}]}).keep is keep


@pytest.mark.parametrize(
    "line", [b"", b"{", b"[]", b"null", b'{"resourceType": 1}', b'{"resourceType": "a b"}',
             b'{"resourceType":"Patient"}', b"\xff"],
)  # fmt: skip
def test_what_is_no_resource_is_refused_without_its_content(line):
    with pytest.raises(NotRead) as refused:
        SIEVE.look(line)
    assert "a b" not in str(refused.value)


MISSHAPEN = [5, "text", [], {"coding": 5}, {"coding": [{"code": 5}]}, {"text": {}}]


@pytest.mark.parametrize("concept", MISSHAPEN)
def test_a_concept_that_is_misshapen_is_kept_for_the_reader_to_name(concept):
    observation = {"resourceType": "Observation", "id": "o", **SUBJECT}
    for _ in range(2):  # what is not read is not remembered as read
        assert look({**observation, "code": concept}).keep
        seen = look(request(medicationCodeableConcept=concept))
        assert (seen.keep, seen.kinds) == (True, UNSURE)
    with pytest.raises(NotRead, match="is not shaped as FHIR"):
        look({"resourceType": "Observation", "id": "o", "code": concept})


@pytest.mark.parametrize("text", [b'"\xff"', b'"\\x"', b'"\\ud800"'])
@pytest.mark.parametrize("kind", [b"Observation", b"MedicationRequest", b"Goal", b"Procedure"])
@pytest.mark.parametrize("element", [b"code", b"medicationCodeableConcept"])
def test_a_concept_that_is_no_text_is_a_line_that_is_no_json(text, kind, element):
    """Whether its resource has such an element or not."""
    line = b'{"resourceType": "%b", "id": "o", "%b": {"text": %b}}' % (kind, element, text)
    for _ in range(2):
        with pytest.raises(NotRead, match="not well-formed JSON"):
            SIEVE.look(line)


def test_a_concept_that_is_null_is_none():
    observation = {"resourceType": "Observation", "id": "o", **SUBJECT}
    assert look({**observation, "code": None}) == look(observation)
    assert look(request(medicationCodeableConcept=None)) == look(request())


def test_elements_of_other_types_are_no_fault_of_theirs():
    assert not look({"resourceType": "Device", "id": "d", "description": "text"}).keep


@pytest.mark.parametrize("version", ["r4", "r5"])
def test_what_the_sieve_drops_would_change_no_answer(tmp_path, version):
    export = make(tmp_path, "--version", version, patients=150)
    judge = Judge(
        CATALOGUE,
        Ruler(AS_OF, tuple(b for b in CATALOGUE.bases if b.sets_checkpoint), CATALOGUE.limits),
        FhirVersion(version),
    )
    whole: dict[str, list[bytes]] = {}
    for path in sorted(export.iterdir()):
        for resource in lines(path):
            subject = resource.get("subject", {}).get("reference")
            owner = subject or f"Patient/{resource['id'].partition('-')[0]}"
            whole.setdefault(owner, []).append(json.dumps(resource).encode())
    dropped = 0
    for patient, every in whole.items():
        kept = [line for line in every if SIEVE.look(line).keep]
        dropped += len(every) - len(kept)
        assert judge.answer(patient, JudgedPatient(kept)) == judge.answer(
            patient, JudgedPatient(every)
        )
    assert dropped > 500


def answer_with(subjects: list[str]) -> object:
    """The parked patient, each resource's subject by one of these addresses in turn."""
    found = json.loads((PATIENTS / "15-switched-at-half-the-dose.json").read_text())
    resources = [entry["resource"] for entry in found["entry"]]
    for number, resource in enumerate(resources):
        for element in {"subject", "patient"} & resource.keys():
            resource[element] = {"reference": subjects[number % len(subjects)]}
    judge = Judge(CATALOGUE, Ruler(date(2025, 3, 3), RULED_BY, CATALOGUE.limits), FhirVersion.R4)
    return judge.answer("Patient/p15", JudgedPatient([json.dumps(r).encode() for r in resources]))


def test_an_export_that_writes_the_address_of_its_server_is_read_alike():
    relative = answer_with(["Patient/p15"])
    assert answer_with(["https://ehr.example/fhir/Patient/p15"]) == relative
    mixed = ["https://ehr.example/fhir/Patient/p15", "https://other.example/fhir/Patient/p15"]
    assert answer_with(mixed).outcome == "needs-review" != relative.outcome
