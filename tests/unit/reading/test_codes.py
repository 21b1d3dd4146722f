"""A deployer's own products and aliases: read beside the shipped ones, or refused by place."""

import tomllib
from typing import Any

import pytest
from tests.unit.reading.records import CODES, PREPARATIONS, shipped
from tests.unit.safety.patients import NUMBERS

from crossgrain.catalogue.codes import OwnProducts, code_tables_from, with_products
from crossgrain.catalogue.concerns import concerns_from
from crossgrain.dosing.preparations import Kind
from crossgrain.names.errors import DomainError
from crossgrain.reading.code_tables import CodeTables
from crossgrain.reading.codesystems import Ndc
from crossgrain.reading.elements import CodeableConcept

ALIAS = {"text": "House Name 75", "preparation": "levothyroxine", "strength": "75"}


def tables(deployer: dict[str, Any]) -> CodeTables:
    codes = code_tables_from(
        tomllib.loads(shipped("codes.toml")), PREPARATIONS, numbers=NUMBERS, phrases=CODES.phrases
    )
    return with_products(codes, OwnProducts(**deployer), PREPARATIONS)


def product(**entry: object) -> dict[str, Any]:
    own = {"preparation": "levothyroxine", "strength": "75", "display": "ours", "source": "x"}
    return {"product": [{**own, **entry}]}


def test_a_deployers_products_and_aliases_are_read() -> None:
    read = tables({**product(ndc=["0000-0000-00"]), "alias": [ALIAS]})
    assert read.medicines[Ndc.system]["0000-0000-00"].strength == 75
    assert read.aliases.whole["house name 75"].kind is Kind.LEVOTHYROXINE


@pytest.mark.parametrize(
    ("deployer", "field", "says"),
    [
        (product(ndc=["0000-0000-00", "75"]), "product[1].ndc[2]", "not the form"),
        (product(ndc="75"), "product[1].ndc", "not the form"),
        (product(ndc=7.5), "product[1].ndc", "a code, or a list of them"),
        (product(ndc=["0000-0000-00", 7.5]), "product[1].ndc[2]", "this must be a code"),
        (product(system="https://products.example"), "product[1].code", "missing"),
        (product(ndc=["0000-0000-00"], code="T4-75"), "product[1].system", "missing"),
        (product(ndc=["0000-0000-00"], kind="levothyroxine"), "product[1].kind", "not known here"),
        (product(), "product[1]", "no code"),
        (product(ndc=["0000-0000-00"], source=" "), "product[1].source", "not blank"),
        (product(ndc=["0000-0000-00"], strength="-1"), "product[1].strength", "above zero"),
        (product(ndc=["0000-0000-00"], preparation="x"), "product[1].preparation", "no such"),
        (product(rxnorm=["892246"]), "product[1].rxnorm[1]", "already means something else"),
        ({"alias": [ALIAS | {"text": " "}]}, "alias[1].text", "not blank"),
        ({"alias": [ALIAS, ALIAS]}, "alias[2].text", "stands twice"),
        ({"alias": [ALIAS | {"ndc": ["0000-0000-00"]}]}, "alias[1].ndc", "not known here"),
        ({"other": [{"text": "x", "strength": "75"}]}, "other[1].strength", "not known here"),
        ({"other": [{"source": "x"}]}, "other[1]", "no code"),
        ({"other": [{"atc": ["H03AA01"]}]}, "other[1].atc[1]", "a thyroid hormone"),
        ({"alias": [ALIAS], "other": [{"text": "House name 75"}]}, "other[1].text", "a thyroid"),
    ],
)
def test_a_deployers_slip_is_refused_where_it_stands(
    deployer: dict[str, Any], field: str, says: str
) -> None:
    with pytest.raises(DomainError) as refused:
        tables(deployer)
    assert refused.value.field == field
    assert says in refused.value.message


ANGINA = {"key": "angina", "icd10": ["I20.9"], "text": ["angina pectoris"]}
OTHER = {"key": "other", "icd10": ["I25.9"], "text": ["another"]}


@pytest.mark.parametrize("section", ["condition", "allergy", "medicine", "other"])
@pytest.mark.parametrize(
    ("entries", "place", "says"),
    [
        ("x", "", "list"),
        ([ANGINA, "x"], "[2]", "table"),
        ([ANGINA, {**OTHER, "key": " "}], "[2].key", "not blank"),
        ([ANGINA, {**OTHER, "text": [" "]}], "[2].text[1]", "not blank"),
        ([ANGINA, {**OTHER, "text": "another"}], "[2].text", "list"),
        ([ANGINA, {**OTHER, "icd10": "I25.9"}], "[2].icd10", "list"),
        ([ANGINA, {**OTHER, "icd10cm": ["I25.9"]}], "[2].icd10cm", "not known here"),
        ([ANGINA, {**OTHER, "icd10": ["I25.9", "25"]}], "[2].icd10[2]", "not the form"),
        ([ANGINA, {**OTHER, "icd10": ["I20.9"]}], "[2].icd10[1]", "a code of other already means"),
        (
            [ANGINA, {**OTHER, "text": ["Angina pectoris"]}],
            "[2].text[1]",
            "a name of other already",
        ),
    ],
)
def test_a_slip_in_what_a_safety_rule_knows_is_refused_where_it_stands(
    section: str, entries: object, place: str, says: str
) -> None:
    """Passed over, a condition of the patient would no longer hold a plan."""
    with pytest.raises(DomainError) as refused:
        concerns_from({section: entries})
    assert refused.value.field == f"{section}{place}"
    assert says in refused.value.message


def test_a_code_that_stands_twice_for_one_key_means_that_key() -> None:
    found = concerns_from({"condition": [ANGINA, {**OTHER, "key": "angina"}, ANGINA]})
    assert found.conditions.keys_of(CodeableConcept((), "angina pectoris")) == ("angina",)
