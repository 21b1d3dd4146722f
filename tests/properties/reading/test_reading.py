"""The reader under random changes to records, words and units; and what fuzzing has found.

`fuzz` does the same guided by coverage and for as long as one likes. Here a fixed seed runs
through the same changes and the same checks, without it.
"""

import random
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction

import pytest
from tests.properties.reading.mutations import RECORDS, TOKENS, mutated, respoken, written
from tests.properties.reading.readable import (
    AS_OF,
    CATALOGUE,
    SYSTEMS,
    check_body,
    check_record,
    check_tree,
    check_units,
    check_words,
)
from tests.unit.reading.records import LT4, Json, bundle, dosage, request, statement, ucum

from crossgrain.names.identity import FhirVersion
from crossgrain.reading.reader import read_record


def test_changed_records_are_read_asked_about_or_refused() -> None:
    chance = random.Random(1)
    read = sum(check_body(mutated(written(chance.choice(RECORDS)), chance)) for _ in range(3000))
    assert read > 250


def test_changed_words_are_read_whole_or_not_at_all() -> None:
    chance = random.Random(2)
    spoken = ["1 tablet daily", "100 mcg Mon-Fri and 50 mcg Sat-Sun", "levothyroxine 75 mcg tab"]
    read = 0
    for _ in range(4000):
        words = respoken(chance.choice(spoken), chance)
        if check_words(words):
            read += 1
            spoken.append(words)
    assert read > 150


def test_changed_units_are_read_or_asked_about() -> None:
    chance = random.Random(3)
    codes = ["ug", "mg", "mcg", "{tbl}", "[gr]", "mL", "10*-3.g", "Mg", "dag", "1", "TAB", *TOKENS]
    read = 0
    for _ in range(2000):
        code = "".join(chance.sample(codes, chance.choice((0, 1, 1, 1, 2))))[: chance.randint(1, 9)]
        number = Decimal(chance.randint(0, 10**6)).scaleb(chance.randint(-6, 6))
        written_unit = chance.choice((code, "", chance.choice(codes)))
        read += check_units(chance.choice(list(SYSTEMS.values())), code, written_unit, number)
    assert read > 100


TAKEN = statement(LT4, dosage(ucum(100, "ug")))
IN_R5 = {
    **{key: value for key, value in TAKEN.items() if key != "medicationCodeableConcept"},
    "status": "recorded",
    "medication": {"concept": LT4},
}
SWITCHED = (
    request(LT4, dosage(ucum(100, "ug")), status="completed", authoredOn="2024-01-05"),
    request({"text": "thyroid 60 mg tablet"}, dosage(ucum(1, "{tbl}")), id="r2"),
)
FOUND: dict[str, tuple[Json, str]] = {
    **{
        f"an adherence of {word}": ({**IN_R5, "adherence": {"code": {"coding": coding}}}, "r5")
        for word, coding in {
            "null": None,
            "a number": 5,
            "a list as code": [{"code": ["taking"]}],
            "an object as code": [{"code": {}}],
        }.items()
    },
    "a name with more digits than Python reads": (
        statement({"text": f"levothyroxine {'9' * 5000} mcg"}, dosage(ucum(1, "{tbl}"))),
        "r4",
    ),
}


@pytest.mark.parametrize(("resource", "version"), FOUND.values(), ids=FOUND.keys())
def test_what_escaped_once_is_read_asked_about_or_refused(resource: Json, version: str) -> None:
    check_tree(bundle(resource), FhirVersion(version))


@pytest.mark.parametrize("status", [{}, [], {"value": "final"}])
def test_a_result_of_a_status_that_is_no_word_does_not_end_a_screening(status: object) -> None:
    result = {
        "resourceType": "Observation",
        "status": status,
        "code": {"coding": [{"system": "http://loinc.org", "code": "2345-7"}]},
    }
    assert check_tree(bundle(*SWITCHED, result), FhirVersion.R4) == 2


@pytest.mark.parametrize("factor", [Fraction(1, 3), Fraction(7), Fraction(13, 11)])
def test_a_dose_that_the_record_does_not_hold_is_seen(factor: Fraction) -> None:
    """The checks themselves can fail."""
    tree = bundle(TAKEN)
    record = read_record(
        tree,
        version=FhirVersion.R4,
        as_of=AS_OF,
        codes=CATALOGUE.codes,
        preparations=CATALOGUE.preparations,
    )
    assert check_record(record, tree) == 1
    (entry,) = record.current
    (line,) = entry.lines
    invented = replace(line, cycle=tuple(amount * factor / 19 for amount in line.cycle))
    wrong = replace(record, current=(replace(entry, lines=(invented,)),))
    with pytest.raises(AssertionError, match="is made of nothing"):
        check_record(wrong, tree)
