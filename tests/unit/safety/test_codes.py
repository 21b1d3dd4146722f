"""The codes that lead to a rule: each rule can be reached, and nothing misleads one."""

import pytest
from tests.unit.safety.patients import RULES, parsed

from crossgrain.catalogue.concerns import concerns_from

FILE = parsed("safety_codes.toml")
TABLES = concerns_from(FILE)
ENTRIES = [entry for section in FILE.values() for entry in section]
KEYS = {entry["key"] for entry in ENTRIES}
ASKED = {item["id"] for item in parsed("how_it_goes.toml")["item"]}
"""What the patient is asked: a rule may look for a yes."""

ICD10 = "http://hl7.org/fhir/sid/icd-10-cm"
SNOMED = "http://snomed.info/sct"
RXNORM = "http://www.nlm.nih.gov/research/umls/rxnorm"
ATC = "http://www.whocc.no/atc"


def test_every_key_that_a_rule_looks_for_can_be_read() -> None:
    assert set().union(*(rule.keys for rule in RULES.before.values())) <= KEYS | ASKED


def test_every_key_that_can_be_read_is_looked_for() -> None:
    """But for those that predicates name themselves."""
    by_predicates = {
        *("adrenal-insufficiency", "glucocorticoid", "pregnant"),
        *("levothyroxine", "liothyronine", "desiccated-thyroid"),
        "no-thyroid-hormone",  # what the reader itself need not ask about
    }
    looked_for = set().union(*(rule.keys for rule in RULES.before.values()))
    assert KEYS - looked_for == by_predicates


def test_every_entry_has_something_to_find() -> None:
    for entry in ENTRIES:
        assert set(entry) - {"key", "source"}


@pytest.mark.parametrize(
    ("system", "code", "key"),
    [
        # ICD-10-CM tabular list
        (ICD10, "E03.9", "hypothyroidism"),
        (ICD10, "E03.5", "myxoedema-coma"),
        (ICD10, "E89.0", "hypothyroidism"),
        (ICD10, "E05.00", "thyrotoxicosis"),
        (ICD10, "E27.49", "adrenal-insufficiency"),
        (ICD10, "I20.0", "unstable-angina"),
        (ICD10, "I20.9", "angina"),
        (ICD10, "I21.3", "myocardial-infarction"),
        (ICD10, "I25.2", "old-myocardial-infarction"),
        (ICD10, "I25.10", "coronary-disease"),
        (ICD10, "I48.91", "atrial-fibrillation"),
        (ICD10, "I49.9", "other-arrhythmia"),
        (ICD10, "I50.22", "heart-failure"),
        (ICD10, "M81.0", "osteoporosis"),
        (ICD10, "Z33.1", "pregnant"),
        # SNOMED CT, as public code lists use them
        (SNOMED, "40930008", "hypothyroidism"),
        (SNOMED, "363732003", "adrenal-insufficiency"),
        (SNOMED, "4557003", "unstable-angina"),
        (SNOMED, "22298006", "myocardial-infarction"),
        (SNOMED, "84114007", "heart-failure"),
        (SNOMED, "49436004", "atrial-fibrillation"),
        (SNOMED, "77386006", "pregnant"),
    ],
)
def test_a_condition_code_means_what_its_list_says(system: str, code: str, key: str) -> None:
    assert TABLES.conditions.key_of_code(system, code) == key


@pytest.mark.parametrize(
    ("system", "code", "key"),
    [
        # Public lists of RxNorm ingredients; WHO ATC index
        (RXNORM, "11289", "warfarin"),
        (RXNORM, "3407", "digoxin"),
        (RXNORM, "703", "amiodarone"),
        (RXNORM, "1897", "calcium"),
        (RXNORM, "10156", "sucralfate"),
        (RXNORM, "7646", "proton-pump-inhibitor"),
        (ATC, "B01AA07", "vitamin-k-antagonist"),
        (ATC, "A10BA02", "oral-antidiabetic"),
        (ATC, "A10AE04", "insulin"),
        (ATC, "B03AA07", "iron"),
        (ATC, "V03AE02", "phosphate-binder"),
        (ATC, "V03AE01", "cation-exchange-resin"),
        (ATC, "G03AA07", "oestrogen"),
        (ATC, "N05AN01", "lithium"),
        (ATC, "H02AB09", "glucocorticoid"),
    ],
)
def test_a_medicine_code_means_what_its_list_says(system: str, code: str, key: str) -> None:
    assert TABLES.medicines.key_of_code(system, code) == key


@pytest.mark.parametrize(
    ("words", "key"),
    [
        ("Calcium carbonate 500 MG Oral Tablet", "calcium"),
        ("atorvastatin calcium 20 mg", None),
        ("esomeprazole magnesium 20 mg capsule", "proton-pump-inhibitor"),
        ("Ferrous Sulfate 325 MG", "iron"),
        ("hydrocortisone 10 MG Oral Tablet", "glucocorticoid"),
        ("hydrocortisone 1 % topical cream", None),
        ("prednisolone acetate 1 % eye drops", None),
        ("fludrocortisone 0.1 mg tablet", None),
    ],
)
def test_a_medicines_name_leads_where_it_should(words: str, key: str | None) -> None:
    assert TABLES.medicines.keys_of_text(words) == ((key,) if key else ())


@pytest.mark.parametrize(
    ("words", "key"),
    [
        ("Secondary hypothyroidism", "central-hypothyroidism"),
        ("Hypothyroidism in pregnancy", "hypothyroidism-in-pregnancy"),
        ("Unstable angina", "unstable-angina"),
        ("History of myocardial infarction", "old-myocardial-infarction"),
        ("Post-menopausal state", "post-menopausal"),
        ("Hyperthyroidism", "thyrotoxicosis"),
    ],
)
def test_the_longest_name_of_a_condition_wins(words: str, key: str) -> None:
    assert TABLES.conditions.keys_of_text(words) == (key,)


def test_the_infarction_that_must_be_dated_is_one_that_can_be_read() -> None:
    assert "myocardial-infarction" in RULES.before["recent-myocardial-infarction"].keys
    assert "myocardial-infarction" in KEYS
