"""Generated FHIR dosages whose true daily dose is known: read right, or asked about.

The strategies build legal R4 dosages from a dose that they choose first. The reader must either
give that dose, exactly, or ask: never another number.
"""

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from functools import partial
from typing import Any, TypeVar

from fhir.resources.R4B.medicationstatement import MedicationStatement
from hypothesis import given
from hypothesis import strategies as st
from tests.budget import examples
from tests.unit.reading.records import (
    DAILY,
    LT4,
    PREPARATIONS,
    RXNORM,
    SNOMED,
    UCUM,
    Json,
    bundle,
    doses,
    encoded,
    read,
    read_bundle,
    repeat,
    statement,
)

from crossgrain.names.identity import FhirVersion
from crossgrain.names.printing import as_written
from crossgrain.reading.elements import Unreadable
from crossgrain.reading.json import parse
from crossgrain.reading.record import Record

T = TypeVar("T")
WEEK = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
FORMS = "http://terminology.hl7.org/CodeSystem/v3-orderableDrugForm"
GTS = "http://terminology.hl7.org/CodeSystem/v3-GTSAbbreviation"
VERIFIED = {25: "966220", 50: "966221", 75: "966222", 88: "966253", 100: "892246", 112: "966248"}


@dataclass(frozen=True)
class Case:
    """A dosage, the medicine that it is of, and the truth: mean µg a day."""

    medicine: Json
    dosage: Json
    per_day: Fraction


@dataclass(frozen=True)
class When:
    """A timing, and the truth: mean doses a day."""

    timing: Json
    per_day: Fraction


def number(value: Fraction) -> Any:
    """A JSON number that says exactly this much."""
    return parse(b'{"v": ' + as_written(value).encode() + b"}")["v"]


NAMED_DAYS = st.sets(st.sampled_from(WEEK), min_size=1).map(
    lambda days: [day for day in WEEK if day in days]
)
MOMENTS = st.tuples(
    st.sampled_from(["MORN", "ACM", "WAKE"]),
    st.sampled_from(["NOON", "AFT", "PCD"]),
    st.sampled_from(["EVE", "CV", "HS", "NIGHT"]),
).flatmap(lambda apart: st.sets(st.sampled_from(apart), min_size=1).map(sorted))
"""Events of parts of the day that do not meet."""
CODED = [("QD", 1), ("BID", 2), ("TID", 3), ("QID", 4), ("QOD", Fraction(1, 2))]


def per(unit: str, period: int, times: int, **more: object) -> Json:
    return repeat(frequency=times, period=period, periodUnit=unit, **more)


WHENS: st.SearchStrategy[When] = st.one_of(
    st.integers(1, 4).map(lambda n: When(per("d", 1, n), Fraction(n))),
    st.integers(1, 7).map(lambda n: When(per("d", n, 1), Fraction(1, n))),
    st.sampled_from([6, 8, 12, 24, 48, 72]).map(
        lambda n: When(per("h", n, 1), Fraction(24, n)),
    ),
    st.integers(1, 7).map(lambda n: When(per("wk", 1, n), Fraction(n, 7))),
    NAMED_DAYS.map(lambda days: When(repeat(dayOfWeek=days), Fraction(len(days), 7))),
    st.tuples(NAMED_DAYS, st.integers(1, 2)).map(
        lambda case: When(
            per("d", 1, case[1], dayOfWeek=case[0]), Fraction(case[1] * len(case[0]), 7)
        )
    ),
    MOMENTS.map(lambda moments: When(repeat(when=moments), Fraction(len(moments)))),
    st.sampled_from(CODED).map(
        lambda case: When(
            {"code": {"coding": [{"system": GTS, "code": case[0]}]}}, Fraction(case[1])
        )
    ),
)
"""A schedule in each of the ways that FHIR has to write it."""


MASSES = [
    ({"system": UCUM, "code": "ug"}, Fraction(1)),
    ({"system": UCUM, "code": "mg"}, Fraction(1000)),
    ({"system": UCUM, "code": "mcg"}, Fraction(1)),
    ({"system": UCUM, "code": "ug", "unit": "mcg"}, Fraction(1)),
    ({"unit": "mcg"}, Fraction(1)),
    ({"unit": "µg"}, Fraction(1)),
    ({"unit": "μg"}, Fraction(1)),
    ({"unit": "MG"}, Fraction(1000)),
    ({"unit": "micrograms"}, Fraction(1)),
]
PIECES: list[Json] = [
    {"system": UCUM, "code": "{tbl}"},
    {"system": UCUM, "code": "1"},
    {"system": UCUM, "code": "{tablet}", "unit": "tablet"},
    {"system": FORMS, "code": "TAB"},
    {"system": SNOMED, "code": "428673006"},
    {"unit": "tablets"},
    {"unit": "TAB"},
]


@st.composite
def by_mass(draw: st.DrawFn) -> tuple[Json, Json, Fraction]:
    """A dose in µg or mg of a medicine known by its ingredient."""
    micrograms = Fraction(draw(st.integers(10, 800)), 4)
    unit, factor = draw(st.sampled_from(MASSES))
    return LT4, {"value": number(micrograms / factor), **unit}, micrograms


@st.composite
def by_pieces(draw: st.DrawFn) -> tuple[Json, Json, Fraction]:
    """A dose in tablets, their strength by code, by words or by both."""
    strength = draw(st.sampled_from(sorted(VERIFIED)))
    count = Fraction(draw(st.integers(1, 12)), 4)
    code = {"coding": [{"system": RXNORM, "code": VERIFIED[strength]}]}
    mg = as_written(Fraction(strength, 1000))
    words = draw(
        st.sampled_from(
            [
                f"Levothyroxine Sodium {mg} MG Oral Tablet",
                f"levothyroxine {strength} mcg tablet",
                f"LEVOTHYROXINE {strength} µg",
            ]
        )
    )
    medicine: Json = draw(st.sampled_from([code, {"text": words}, {**code, "text": words}]))
    unit = draw(st.sampled_from(PIECES))
    return medicine, {"value": number(count), **unit}, count * strength


@st.composite
def cases(draw: st.DrawFn) -> Case:
    medicine, quantity, each = draw(st.one_of(by_mass(), by_pieces()))
    when = draw(WHENS)
    dosage: Json = {"timing": when.timing, "doseAndRate": [{"doseQuantity": quantity}]}
    return Case(medicine, dosage, each * when.per_day)


def daily(medicine: Json, *dosages: Json) -> Fraction | None:
    """The mean µg a day that is read, or ``None`` where the reader asks."""
    record = read(statement(medicine, *dosages))
    if record.questions:
        assert doses(record) == []
        return None
    return record.regimen.t4_ug


@examples(300)
@given(cases())
def test_a_legal_dosage_is_read_as_it_is_meant_or_asked_about_when_implausible(case: Case) -> None:
    plausible = Fraction(25, 2) <= case.per_day <= 400
    assert daily(case.medicine, case.dosage) == (case.per_day if plausible else None)


@examples(100)
@given(cases())
def test_the_generated_statements_are_legal_fhir(case: Case) -> None:
    """By fhir.resources, an independent model of R4B, whose statement is that of R4."""
    legal = MedicationStatement.model_validate(statement(case.medicine, case.dosage))
    assert legal.dosage[0].doseAndRate


@examples(150)
@given(cases(), st.sampled_from([Fraction(10), Fraction(1000)]), st.booleans())
def test_a_slip_of_ten_or_a_thousand_is_never_read_as_something_in_between(
    case: Case, slip: Fraction, up: bool
) -> None:
    quantity = case.dosage["doseAndRate"][0]["doseQuantity"]
    factor = slip if up else 1 / slip
    slipped = {**quantity, "value": number(Fraction(quantity["value"]) * factor)}
    found = daily(case.medicine, {**case.dosage, "doseAndRate": [{"doseQuantity": slipped}]})
    assert found in (None, case.per_day * factor)


@examples(100)
@given(cases(), st.integers(2, 9))
def test_two_statements_of_one_dose_that_differ_are_asked_about(case: Case, times: int) -> None:
    quantity = case.dosage["doseAndRate"][0]["doseQuantity"]
    other = {**quantity, "value": number(Fraction(quantity["value"]) * times)}
    both = [{"doseQuantity": quantity}, {"doseQuantity": other}]
    assert daily(case.medicine, {**case.dosage, "doseAndRate": both}) is None


@examples(100)
@given(st.integers(8, 400), st.sampled_from(["d", "wk", "mo", "a"]))
def test_a_tablet_less_often_than_weekly_is_never_computed(period: int, unit: str) -> None:
    timing = repeat(frequency=1, period=period, periodUnit=unit)
    dosage: Json = {
        "timing": timing,
        "doseAndRate": [{"doseQuantity": {"value": 1, "unit": "tablet"}}],
    }
    medicine = {"coding": [{"system": RXNORM, "code": VERIFIED[100]}]}
    assert daily(medicine, dosage) is None


SIGS = st.sampled_from(
    [
        ("daily", Fraction(1)),
        ("once a day", Fraction(1)),
        ("every morning", Fraction(1)),
        ("twice daily", Fraction(2)),
        ("every other day", Fraction(1, 2)),
        ("Mon-Fri", Fraction(5, 7)),
    ]
)


@examples(100)
@given(st.integers(50, 150), SIGS, st.sampled_from(["mcg", "µg", "micrograms"]))
def test_a_sig_alone_is_read_as_it_is_meant_and_to_be_confirmed(
    micrograms: int, frequency: tuple[str, Fraction], unit: str
) -> None:
    words, per_day = frequency
    record = read(statement(LT4, {"text": f"Take {micrograms} {unit} by mouth {words}"}))
    assert record.regimen.t4_ug == micrograms * per_day
    assert record.current[0].from_text
    assert record.confirm


@examples(100)
@given(cases(), st.text(max_size=40))
def test_words_beside_a_coded_dose_never_change_it(case: Case, words: str) -> None:
    plausible = Fraction(25, 2) <= case.per_day <= 400
    found = daily(case.medicine, {**case.dosage, "text": words})
    assert found in (None, case.per_day if plausible else None)


@examples(100)
@given(st.integers(1, 40), st.sampled_from(["desiccated-thyroid-60", "desiccated-thyroid-65"]))
def test_desiccated_thyroid_by_mass_is_of_its_family_or_asked_about(
    eighths: int, family: str
) -> None:
    preparation = PREPARATIONS[family]
    assert preparation.mg_per_grain is not None
    mg = preparation.mg_per_grain * eighths / 8
    dosage = {
        "timing": DAILY,
        "doseAndRate": [{"doseQuantity": {"value": number(mg), "unit": "mg"}}],
    }
    record = read(statement({"text": "desiccated thyroid"}, dosage))
    if record.questions:
        (other,) = {"desiccated-thyroid-60", "desiccated-thyroid-65"} - {family}
        assert (PREPARATIONS[other].grains(mg) * 8).denominator == 1
    else:
        assert doses(record) == [(family, [str(mg)])]


JSON = st.recursive(
    st.none() | st.booleans() | st.integers(-5, 5) | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3)
    ),
    max_leaves=8,
)
ELEMENTS = [
    *("status", "medicationCodeableConcept", "medicationReference", "subject", "dosage"),
    *("contained", "identifier", "id", "effectivePeriod", "effectiveDateTime"),
    *("dateAsserted", "derivedFrom", "reasonCode", "modifierExtension"),
]


def outcome(act: Callable[[], T]) -> T | Unreadable:
    """What is read, or the refusal: any other exception is a failure."""
    try:
        return act()
    except Unreadable as refusal:
        return refusal


@examples(300)
@given(cases(), st.sampled_from(ELEMENTS), JSON)
def test_any_value_in_any_element_ends_in_a_record_or_a_refusal(
    case: Case, element: str, value: object
) -> None:
    resource = statement(case.medicine, case.dosage, **{element: value})
    found = outcome(lambda: read(resource))
    assert isinstance(found, Record) or found.expression.startswith("Bundle")


@examples(200)
@given(st.dictionaries(st.text(max_size=12), JSON, max_size=4), st.sampled_from(list(FhirVersion)))
def test_any_object_ends_in_a_record_or_a_refusal(content: Json, version: FhirVersion) -> None:
    for tree in (content, {**bundle(), **content}, bundle(content)):
        found = outcome(partial(read_bundle, tree, version))
        assert isinstance(found, Record) or found.message


@examples(200)
@given(st.binary(max_size=60))
def test_any_bytes_end_in_an_object_or_a_refusal(body: bytes) -> None:
    found = outcome(lambda: parse(body))
    assert isinstance(found, dict) or found.message


@examples(200)
@given(st.dictionaries(st.text(max_size=6), JSON, max_size=5))
def test_what_is_written_is_read_back_the_same(content: Json) -> None:
    assert parse(encoded(content)) == content
