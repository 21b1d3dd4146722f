"""Medication resources behind a reference: contained, in the bundle, by URN, or missing."""

from decimal import Decimal
from fractions import Fraction

import pytest
from tests.unit.reading.records import (
    LT4,
    LT4_100,
    PREPARATIONS,
    SUBJECT,
    TABLET,
    THYROID_60,
    Json,
    asked,
    bundle,
    dosage,
    doses,
    read,
    read_bundle,
    statement,
    ucum,
)

from crossgrain.names.identity import FhirVersion
from crossgrain.names.printing import as_written
from crossgrain.reading.record import Record


def per_tablet(value: int | str, code: str = "ug") -> Json:
    return {"numerator": ucum(value, code), "denominator": ucum(1, "{tbl}")}


def medication(**more: object) -> Json:
    return {"resourceType": "Medication", "id": "m1", "code": LT4_100, **more}


def ingredient(concept: Json, strength: Json | None = None, **more: object) -> Json:
    built = {"itemCodeableConcept": concept, **more}
    return {**built, "strength": strength} if strength else built


def by_reference(reference: str, *dosages: Json, **more: object) -> Json:
    built = statement(LT4, *(dosages or (TABLET,)), **more)
    del built["medicationCodeableConcept"]
    return {**built, "medicationReference": {"reference": reference}}


def test_a_medication_of_the_bundle_is_found_by_type_and_id() -> None:
    record = read(by_reference("Medication/m1"), medication())
    assert doses(record) == [("levothyroxine", ["100"])]
    assert "Medication/m1" in record.references


def test_a_contained_medication_is_found() -> None:
    record = read(by_reference("#m1", contained=[medication()]))
    assert doses(record) == [("levothyroxine", ["100"])]


@pytest.mark.parametrize(
    ("full_url", "reference"),
    [
        ("https://ehr.example/fhir/Medication/m1", "https://ehr.example/fhir/Medication/m1"),
        ("https://ehr.example/fhir/Medication/m1", "Medication/m1/_history/3"),
        (
            "urn:uuid:0c3151bd-1cbf-4d64-b04d-cd9187a4c6e0",
            "urn:uuid:0C3151BD-1cbf-4d64-b04d-cd9187a4c6e0",
        ),
    ],
)
def test_a_medication_is_found_by_its_full_url(full_url: str, reference: str) -> None:
    content = bundle(by_reference(reference), medication())
    content["entry"][2]["fullUrl"] = full_url
    assert doses(read_bundle(content)) == [("levothyroxine", ["100"])]


@pytest.mark.parametrize("reference", ["Medication/other", "#other", "urn:uuid:other"])
def test_a_medication_that_is_missing_is_asked_about(reference: str) -> None:
    record = read(by_reference(reference), medication())
    assert asked(record) == ["Bundle.entry[1].resource.medication"]


def test_a_missing_medication_is_known_by_the_display_of_its_reference() -> None:
    resource = by_reference("Medication/other")
    resource["medicationReference"]["display"] = "levothyroxine 75 mcg tablet"
    record = read(resource)
    assert doses(record) == [("levothyroxine", ["75"])]
    assert record.current[0].from_text


def test_the_strength_of_an_ingredient_is_read() -> None:
    product = medication(code={"text": "thyroxine"}, ingredient=[ingredient(LT4, per_tablet(75))])
    assert doses(read(by_reference("Medication/m1"), product)) == [("levothyroxine", ["75"])]


def test_a_strength_per_volume_is_a_concentration() -> None:
    strength = {"numerator": ucum(100, "ug"), "denominator": ucum(5, "mL")}
    product = medication(code=LT4, ingredient=[ingredient(LT4, strength)])
    record = read(by_reference("Medication/m1", dosage(ucum("2.5", "mL"))), product)
    assert doses(record) == [("levothyroxine", ["50"])]


LISINOPRIL = {"text": "lisinopril 10 MG Oral Tablet"}
BY_REFERENCE = {"itemReference": {"reference": "Substance/s1"}}


@pytest.mark.parametrize(
    ("parts", "questions"),
    [
        ([ingredient(LISINOPRIL)], []),
        ([ingredient(LISINOPRIL), BY_REFERENCE], ["Bundle.entry[1].resource.medication"]),
        ([ingredient({}), ingredient(LISINOPRIL)], ["Bundle.entry[1].resource.medication"]),
        ([BY_REFERENCE], ["Bundle.entry[1].resource.medication"]),
        ([], ["Bundle.entry[1].resource.medication"]),
    ],
)
@pytest.mark.parametrize("code", [None, {}])
def test_a_medication_without_a_code_is_named_by_its_ingredients_where_all_have_names(
    code: Json | None, parts: list[Json], questions: list[str]
) -> None:
    product = {"resourceType": "Medication", "id": "m1", "ingredient": parts}
    if code is not None:
        product["code"] = code
    assert asked(read(by_reference("Medication/m1"), product)) == questions


@pytest.mark.parametrize(
    ("t4", "is_read"), [("38.9", False), ("39", True), ("41", True), ("41.1", False)]
)
def test_two_masses_are_a_fixed_ratio_from_39_to_41_to_10(t4: str, is_read: bool) -> None:
    """A combination of 4:1 whose label rounds the T3: our judgement, no source."""
    words = f"levothyroxine {t4} mcg / liothyronine 10 mcg tablet"
    record = read_bundle(bundle(statement({"text": words}, dosage(ucum(1, "{tbl}")))))
    assert bool(record.current) == is_read
    assert is_read or "the T3 content" in record.questions[0].question


def test_inactive_ingredients_are_no_hormones() -> None:
    product = medication(
        ingredient=[
            ingredient(LT4, per_tablet(100)),
            ingredient({"text": "lactose"}, per_tablet(60, "mg")),
            ingredient({"text": "liothyronine"}, isActive=False),
        ]
    )
    assert doses(read(by_reference("Medication/m1"), product)) == [("levothyroxine", ["100"])]


ASKED: dict[str, tuple[Json, str]] = {
    "an ingredient of another strength than the code": (
        medication(ingredient=[ingredient(LT4, per_tablet(75))]),
        "ingredient[0].strength",
    ),
    "an ingredient of another hormone than the code": (
        medication(ingredient=[ingredient({"text": "liothyronine"})]),
        "ingredient[0]",
    ),
    "two hormones as ingredients": (
        medication(
            code={"text": "house capsule"},
            ingredient=[ingredient(LT4), ingredient({"text": "liothyronine"})],
        ),
        "ingredient",
    ),
    "a strength per gram": (
        medication(
            code=LT4,
            ingredient=[ingredient(LT4, {"numerator": ucum(1, "mg"), "denominator": ucum(1, "g")})],
        ),
        "ingredient[0].strength",
    ),
    "an ingredient of another concentration than the name": (
        medication(
            code={"text": "levothyroxine 25 mcg/mL"},
            ingredient=[
                ingredient(LT4, {"numerator": ucum(100, "ug"), "denominator": ucum(5, "mL")})
            ],
        ),
        "ingredient[0].strength",
    ),
    "a form that is not swallowed": (
        medication(form={"text": "powder for solution for injection"}),
        "form",
    ),
    "a name of two concentrations": (
        medication(code={"text": "levothyroxine 25 mcg/mL or 100 mcg/5 mL"}),
        "code",
    ),
    "half a strength": (
        medication(code=LT4, ingredient=[ingredient(LT4, {"numerator": ucum(1, "mg")})]),
        "ingredient[0].strength",
    ),
    "the base of a tablet alone": (
        medication(
            code={"text": "levothyroxine"},
            ingredient=[ingredient({"text": "levothyroxine"}, per_tablet("72.9"))],
        ),
        "ingredient[0].strength",
    ),
    "another hormone in a product of one": (
        medication(
            ingredient=[
                ingredient(LT4, per_tablet(100)),
                ingredient({"text": "liothyronine"}, per_tablet(20)),
            ]
        ),
        "ingredient",
    ),
    "another T4 than that of the strength": (
        medication(
            code=THYROID_60,
            ingredient=[
                ingredient(LT4, per_tablet(35)),
                ingredient({"text": "liothyronine"}, per_tablet(9)),
            ],
        ),
        "ingredient[0]",
    ),
    "an unknown modifier of the medication": (
        medication(modifierExtension=[{"url": "https://x.example"}]),
        "modifierExtension",
    ),
    "an unknown modifier of an ingredient": (
        medication(
            ingredient=[
                ingredient(LT4, per_tablet(100), modifierExtension=[{"url": "https://x.example"}])
            ]
        ),
        "ingredient[0].modifierExtension",
    ),
}


@pytest.mark.parametrize(("product", "place"), ASKED.values(), ids=ASKED.keys())
def test_a_product_that_is_not_certain_is_asked_about(product: Json, place: str) -> None:
    record = read(by_reference("Medication/m1"), product)
    assert asked(record) == [f"Bundle.entry[2].resource.{place}"]
    assert doses(record) == []


MODIFIED: dict[str, tuple[Json, str]] = {
    "the medicine": (
        statement(LT4, dosage(ucum(100, "ug")), modifierExtension=[{"url": "https://x.example"}]),
        "modifierExtension",
    ),
    "the dosage": (
        statement(LT4, dosage(ucum(100, "ug"), modifierExtension=[{"url": "https://x.example"}])),
        "dosage[0].modifierExtension",
    ),
    "the timing": (
        statement(
            LT4,
            dosage(
                ucum(100, "ug"),
                {
                    "repeat": {"frequency": 1, "period": 1, "periodUnit": "d"},
                    "modifierExtension": [{"url": "https://x.example"}],
                },
            ),
        ),
        "dosage[0].timing.modifierExtension",
    ),
}


@pytest.mark.parametrize(("resource", "place"), MODIFIED.values(), ids=MODIFIED.keys())
def test_an_unknown_modifier_of_a_thyroid_medicine_is_asked_about(
    resource: Json, place: str
) -> None:
    record = read(resource)
    assert asked(record) == [f"Bundle.entry[1].resource.{place}"]
    assert doses(record) == []


def r5_statement(medicine: Json, *dosages: Json, **more: object) -> Json:
    return {
        "resourceType": "MedicationStatement",
        "id": "s1",
        "status": "recorded",
        "medication": medicine,
        "subject": SUBJECT,
        "effectivePeriod": {"start": "2025-04-10"},
        "dosage": list(dosages),
        **more,
    }


def adherence(code: str) -> Json:
    return {"adherence": {"code": {"coding": [{"code": code}]}}}


def test_r5_reads_a_medicine_by_concept_and_by_reference() -> None:
    for medicine in ({"concept": LT4_100}, {"reference": {"reference": "Medication/m1"}}):
        record = read(
            r5_statement(medicine, TABLET, **adherence("taking")),
            medication(),
            version=FhirVersion.R5,
        )
        assert doses(record) == [("levothyroxine", ["100"])]
        assert record.confirm == ()


def test_r5_reads_ingredients_in_its_own_shape() -> None:
    product = medication(
        code={"text": "thyroxine"},
        ingredient=[{"item": {"concept": LT4}, "strengthQuantity": ucum(88, "ug")}],
    )
    record = read(
        r5_statement({"reference": {"reference": "Medication/m1"}}, TABLET, **adherence("taking")),
        product,
        version=FhirVersion.R5,
    )
    assert doses(record) == [("levothyroxine", ["88"])]


@pytest.mark.parametrize(
    ("code", "taken_before"),
    [
        ("not-taking", False),
        *[
            (f"{said}{how}", True)
            for said in ("on-hold", "stopped")
            for how in ("", "-as-directed", "-not-as-directed")
        ],
    ],
)
def test_r5_adherence_says_that_it_is_not_taken(code: str, taken_before: bool) -> None:
    """HL7, CodeSystem medication-statement-adherence 5.0.0: all below ``not-taking``.

    That one alone is what R4 has as the status ``not-taken``.
    """
    record = read(
        r5_statement({"concept": LT4_100}, TABLET, **adherence(code)), version=FhirVersion.R5
    )
    assert record.current == ()
    assert record.confirm == ()
    assert len(record.past) == taken_before


@pytest.mark.parametrize("code", ["taking", "taking-as-directed"])
def test_r5_adherence_says_that_it_is_taken(code: str) -> None:
    record = read(
        r5_statement({"concept": LT4_100}, TABLET, **adherence(code)), version=FhirVersion.R5
    )
    assert doses(record) == [("levothyroxine", ["100"])]
    assert (record.confirm, record.questions) == ((), ())


def test_r5_what_is_taken_otherwise_than_as_directed_is_asked_about() -> None:
    said = adherence("taking-not-as-directed")
    record = read(r5_statement({"concept": LT4_100}, TABLET, **said), version=FhirVersion.R5)
    assert asked(record) == ["Bundle.entry[1].resource.adherence"]


def test_r5_without_adherence_is_read_and_to_be_confirmed() -> None:
    record = read(r5_statement({"concept": LT4_100}, TABLET), version=FhirVersion.R5)
    assert doses(record) == [("levothyroxine", ["100"])]
    assert len(record.confirm) == 1


@pytest.mark.parametrize("status", ["draft", "entered-in-error"])
def test_r5_statuses_that_do_not_state_anything_are_not_taken(status: str) -> None:
    record = read(r5_statement({"concept": LT4_100}, TABLET, status=status), version=FhirVersion.R5)
    assert record.current == ()


def test_r5_as_needed_is_asked_about() -> None:
    record = read(
        r5_statement({"concept": LT4_100}, {**TABLET, "asNeeded": True}, **adherence("taking")),
        version=FhirVersion.R5,
    )
    assert asked(record) == ["Bundle.entry[1].resource.dosage[0].asNeeded"]


def test_r5_reads_the_reason_in_its_own_shape() -> None:
    record = read(
        r5_statement(
            {"concept": LT4_100},
            TABLET,
            **adherence("taking"),
            reason=[{"concept": {"text": "hypothyroidism"}}],
        ),
        version=FhirVersion.R5,
    )
    assert record.facts.indications is not None
    assert [k.key for k in record.facts.indications] == ["hypothyroidism"]


def test_the_reference_of_an_entry_is_how_the_input_refers_to_it() -> None:
    content = bundle(statement(LT4_100, TABLET))
    content["entry"][0]["fullUrl"] = "https://ehr.example/fhir/Patient/p1"
    content["entry"][1]["fullUrl"] = "https://ehr.example/fhir/MedicationStatement/s1"
    assert read_bundle(content).current[0].reference == "MedicationStatement/s1"
    content["entry"][1]["fullUrl"] = "urn:uuid:1b671a64-40d5-491e-99b0-da01ff1f3341"
    assert read_bundle(content).current[0].reference == (
        "urn:uuid:1b671a64-40d5-491e-99b0-da01ff1f3341"
    )


@pytest.mark.parametrize(
    ("medicine", "dose", "strength"),
    [
        (LT4_100, TABLET, Fraction(100)),
        ({"text": "levothyroxine 88 microgram tablet"}, TABLET, Fraction(88)),
        ({"text": "thyroid USP 1 grain (60 mg) tablet"}, TABLET, Fraction(60)),
        (LT4, dosage(ucum(100, "ug")), None),  # the dose is said, the tablet is not
        ({"text": "desiccated thyroid 1 grain"}, TABLET, None),  # of either family
        ({"text": "levothyroxine 25 mcg/mL oral solution"}, dosage(ucum(3, "mL")), None),
    ],
    ids=["by code", "in words", "grains and mg", "a dose alone", "grains alone", "no tablet"],
)
def test_the_strength_of_a_tablet_at_home_is_known_only_where_the_product_says_it(
    medicine: Json, dose: Json, strength: Fraction | None
) -> None:
    (entry,) = read(statement(medicine, dose)).current
    assert entry.strength == strength


# Molar masses from the molecular formulae and the standard atomic weights (IUPAC, abridged).
WEIGHTS = {"C": 12.011, "H": 1.008, "I": 126.904, "N": 14.007, "Na": 22.990, "O": 15.999}


def molar_mass(**atoms: int) -> float:
    return sum(WEIGHTS[atom] * count for atom, count in atoms.items())


SHARES = {
    "levothyroxine": molar_mass(C=15, H=11, I=4, N=1, O=4)
    / molar_mass(C=15, H=10, I=4, N=1, Na=1, O=4),
    "liothyronine": molar_mass(C=15, H=12, I=3, N=1, O=4)
    / molar_mass(C=15, H=11, I=3, N=1, Na=1, O=4),
}
TABLETS = [(name, salt) for name in SHARES for salt in PREPARATIONS[name].strengths]


def test_the_share_of_base_is_that_of_the_molar_masses() -> None:
    for name, share in SHARES.items():
        known = PREPARATIONS[name].base_share
        assert known is not None
        assert float(known) == pytest.approx(share, rel=2e-5)


def of_salt(name: str, salt: Fraction, *parts: Json) -> Record:
    """One tablet a day of a product so named, and its ingredients."""
    code = {"text": f"{name} sodium {as_written(salt)} micrograms tablet"}
    return read(by_reference("Medication/m1"), medication(code=code, ingredient=list(parts)))


def rounded_base(name: str, salt: Fraction, places: int) -> Decimal:
    share = PREPARATIONS[name].base_share or 0
    return Decimal(round(salt * share * 10**places)).scaleb(-places)


@pytest.mark.parametrize(("name", "salt"), TABLETS)
@pytest.mark.parametrize("places", [0, 1, 2, 3])
def test_base_listed_beside_the_salts_name_is_one_strength(
    name: str, salt: Fraction, places: int
) -> None:
    """75 micrograms of the salt are 72.9 of base: an electronic prescription listed them both."""
    base = rounded_base(name, salt, places)
    record = of_salt(name, salt, ingredient({"text": name}, per_tablet(str(base))))
    assert doses(record) == [(name, [str(salt)])]
    assert record.questions == ()


@pytest.mark.parametrize(("name", "salt"), TABLETS)
@pytest.mark.parametrize("places", [1, 2, 3])
@pytest.mark.parametrize("off", [-1, 1])
def test_what_is_one_digit_off_the_base_of_the_salt_is_asked_about(
    name: str, salt: Fraction, places: int, off: int
) -> None:
    base = rounded_base(name, salt, places) + off * Decimal(10) ** -places
    if base == base.quantize(Decimal(10) ** (1 - places)):
        base += off * Decimal(10) ** -places  # a nought at the end is a place that is not written
    record = of_salt(name, salt, ingredient({"text": name}, per_tablet(str(base))))
    assert asked(record) == ["Bundle.entry[2].resource.ingredient[0].strength"]
    assert doses(record) == []


SALT, BASE = ingredient({"text": "levothyroxine sodium"}, per_tablet(75)), "72.9"
AS_BASE = ingredient({"text": "levothyroxine"}, per_tablet(BASE))


@pytest.mark.parametrize("parts", [[SALT, AS_BASE], [AS_BASE, SALT]])
@pytest.mark.parametrize("code", [None, LT4, {"text": "levothyroxine 75 micrograms"}])
def test_salt_and_base_as_two_ingredients_are_one_tablet(
    parts: list[Json], code: Json | None
) -> None:
    product = medication(code=code, ingredient=parts)
    record = read(by_reference("Medication/m1"), {k: v for k, v in product.items() if v})
    assert record.questions == ()
    assert doses(record) == [("levothyroxine", ["75"])]


def test_a_name_of_salt_and_base_gives_the_strength_of_the_salt() -> None:
    words = "levothyroxine sodium 75 micrograms (levothyroxine {} micrograms) tablet"
    assert doses(read(statement({"text": words.format("72.9")}, TABLET))) == [
        ("levothyroxine", ["75"])
    ]
    assert asked(read(statement({"text": words.format("72.8")}, TABLET)))


@pytest.mark.parametrize(
    "part",
    [
        per_tablet("72.8"),
        {"numerator": ucum(BASE, "ug"), "denominator": ucum(1, "mL")},
        None,
    ],
)
def test_two_ingredients_that_are_not_salt_and_base_are_asked_about(part: Json | None) -> None:
    second = ingredient({"text": "levothyroxine"}, part)
    product = {"resourceType": "Medication", "id": "m1", "ingredient": [SALT, second]}
    assert asked(read(by_reference("Medication/m1"), product)) == [
        "Bundle.entry[2].resource.ingredient"
    ]


def test_a_tablet_known_by_its_base_alone_is_asked_for_its_label() -> None:
    """Read as it stands it would be a dose of 72.9 micrograms of the salt."""
    product = medication(code={"text": "levothyroxine"}, ingredient=[AS_BASE])
    record = read(by_reference("Medication/m1"), product)
    assert asked(record) == ["Bundle.entry[2].resource.ingredient[0].strength"]
    assert "75 micrograms of the sodium salt" in record.questions[0].question


@pytest.mark.parametrize(
    ("medicine", "micrograms", "open_"),
    [
        ({"text": "levothyroxine sodium 75 micrograms tablet"}, "72.9", True),
        ({"text": "levothyroxine sodium 75 micrograms tablet"}, "73", True),
        ({"text": "levothyroxine sodium 75 micrograms tablet"}, "36.5", True),
        ({"text": "levothyroxine sodium 75 micrograms tablet"}, "75", False),
        ({"text": "levothyroxine sodium 75 micrograms tablet"}, "37.5", False),
        (LT4, "72.9", True),
        (LT4, "73", False),
        (LT4, "72.8", False),
    ],
)
def test_a_dose_that_is_what_the_tablets_hold_as_base_is_asked_about(
    medicine: Json, micrograms: str, open_: bool
) -> None:
    record = read(statement(medicine, dosage(ucum(micrograms, "ug"))))
    assert bool(record.questions) is open_


POTASSIUM_IODIDE = {"text": "potassium iodide"}


def with_iodide(words: str, *parts: Json) -> Record:
    product = medication(code={"text": words}, ingredient=list(parts))
    return read(by_reference("Medication/m1"), product)


def t4_and_iodide(t4: int | str, iodide: int | str) -> list[Json]:
    return [
        ingredient({"text": "levothyroxine sodium"}, per_tablet(t4)),
        ingredient(POTASSIUM_IODIDE, per_tablet(iodide)),
    ]


@pytest.mark.parametrize(
    ("words", "t4", "iodide"),
    [
        ("levothyroxine sodium and potassium iodide tablets", 75, 150),
        ("levothyroxine sodium / potassium iodide 100/100", 100, "130.8"),
        ("levothyroxine 75 micrograms / potassium iodide 196 micrograms", 75, 196),
        ("Kaliumjodid/Levothyroxin-Natrium 150/75 micrograms", 75, 150),
        ("Levothyroxin-Natrium 75 micrograms + Iodid", 75, 150),
    ],
)
@pytest.mark.parametrize("turned", [False, True])
def test_t4_told_apart_from_its_iodide_is_read(
    words: str, t4: int, iodide: int | str, turned: bool
) -> None:
    parts = t4_and_iodide(t4, iodide)
    record = with_iodide(words, *(reversed(parts) if turned else parts))
    assert record.questions == ()
    assert doses(record) == [("levothyroxine", [str(t4)])]


IODINE_ASKED = {
    "no ingredients": ("levothyroxine / potassium iodide 100/100", []),
    "no strength of the iodide": (
        "levothyroxine / potassium iodide",
        [t4_and_iodide(75, 150)[0], ingredient(POTASSIUM_IODIDE)]),
    "no strength of the hormone": (
        "levothyroxine / potassium iodide",
        [ingredient(LT4), t4_and_iodide(75, 150)[1]]),
    "no iodide among the ingredients": (
        "levothyroxine / potassium iodide", t4_and_iodide(75, 150)[:1]),
    "a third ingredient": (
        "levothyroxine / potassium iodide",
        [*t4_and_iodide(75, 150), ingredient({"text": "selenium"}, per_tablet(50))]),
    "the other way about in the name": (
        "levothyroxine / potassium iodide 150/75", t4_and_iodide(75, 150)),
    "the other way about in the name, iodide first": (
        "potassium iodide / levothyroxine 75/150", t4_and_iodide(75, 150)),
    "another strength in the name": (
        "levothyroxine 100 micrograms + iodide", t4_and_iodide(75, 150)),
    "a number that no unit tells": (
        "levothyroxine 75 micrograms + iodide 150", t4_and_iodide(75, 150)),
    "the iodide's strength alone in the name": (
        "levothyroxine + iodide 150 micrograms", t4_and_iodide(75, 150)),
    "three amounts in the name": (
        "levothyroxine 75 micrograms, iodide 150 micrograms (196 micrograms)",
        t4_and_iodide(75, 150)),
    "a hormone per millilitre": (
        "levothyroxine / potassium iodide",
        [ingredient(LT4, {"numerator": ucum(75, "ug"), "denominator": ucum(1, "mL")}),
         t4_and_iodide(75, 150)[1]]),
    "the iodide in one ingredient with the hormone": (
        "levothyroxine / potassium iodide",
        [ingredient({"text": "levothyroxine and potassium iodide"}, per_tablet(75)),
         t4_and_iodide(75, 150)[1]]),
}  # fmt: skip


@pytest.mark.parametrize(("words", "parts"), IODINE_ASKED.values(), ids=IODINE_ASKED.keys())
def test_t4_that_is_not_told_apart_from_its_iodide_is_asked_about(
    words: str, parts: list[Json]
) -> None:
    record = with_iodide(words, *parts)
    assert len(record.questions) == 1
    assert doses(record) == []


@pytest.mark.parametrize(("t4", "open_"), [("38", False), ("35", True)])
def test_the_t4_that_desiccated_thyroid_lists_is_held_against_its_strength(
    t4: str, open_: bool
) -> None:
    """38 µg T4 in a grain by US labels; 35 in one of other pharmacopoeias."""
    parts = [ingredient(LT4, per_tablet(t4)), ingredient({"text": "liothyronine"}, per_tablet(9))]
    record = read(by_reference("Medication/m1"), medication(code=THYROID_60, ingredient=parts))
    assert bool(record.questions) is open_
