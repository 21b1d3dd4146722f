"""Every place where the taking of a medicine is said is held against every other.

The shapes are those of FHIR R4 and R5 ``Dosage``, MedicationRequest and MedicationStatement;
the words are ordinary ones of prescriptions (common practice, no source).
"""

from fractions import Fraction

import pytest
from tests.unit.reading.records import (
    CODES,
    DAILY,
    LT3,
    LT4,
    LT4_100,
    ONE,
    THYROID_60,
    Json,
    asked,
    dosage,
    doses,
    read,
    repeat,
    request,
    statement,
    ucum,
)

from crossgrain.names.identity import FhirVersion
from crossgrain.reading.hearing import LONGEST_HEARD
from crossgrain.reading.quantities import Dimension
from crossgrain.reading.schedule import Schedule

PHRASES = CODES.phrases
DAILY_DOSE = Schedule((Fraction(1),))
BEARING = [
    "STOP",
    "stop taking it",
    "do not take",
    "Don't take this",
    "hold until labs",
    "on hold",
    "until labs are back",
    "paused since the scan",
    "1 tablet daily, then stop",
    "take only half",
    "half",
    "take a half",
    "every other",
    "every second",
    "skip weekends off",
    "no longer taken",
    "discontinued",
    "for 6 weeks",
    "x 30 days",
    "daily for 4 days",
    "every 4 weeks",
    "take 2 daily",
    "1-2 tablets",
    "100-112 mcg daily",
    "0,075 mg daily",
    "1-0-1",
    "as needed",
    "PRN fatigue",
    "if TSH is above 10",
    "unless told otherwise",
    "increase in steps",
    "may be doubled",
    "once",
    "stat",
    "nicht einnehmen",
    "jusqu'au bilan",
    "M-S",  # until Saturday or Sunday
    "TThS",
    "finished",
    "declined",
    "replaced by liothyronine",
    "switched to desiccated",
    "changed to another hormone",
    "weaned off in spring",
    "intermittently",
    "⅓ tablet",
    "take five tablets",
    "100 µg gestopt",
    "si besoin",
    "los domingos no",
    "täglich, sonntags",
    "beim Joggen, außer an Feiertagen",
    "x" * (LONGEST_HEARD + 1),
]
"""Words that cannot be read and bear on whether, when or how much is taken."""


@pytest.mark.parametrize("words", BEARING)
def test_words_that_bear_on_the_taking_and_cannot_be_read_are_heard(words: str) -> None:
    assert PHRASES.heard_in(words).bearing


HARMLESS = [
    "with water",
    "with a full glass of water",
    "on an empty stomach",
    "before breakfast",
    "Take 30 minutes before breakfast",
    "at least 30-60 min before food",
    "half an hour before breakfast",
    "4 hours apart from calcium, iron and antacids",
    "do not take with calcium or iron",
    "Do not take within 4 hours of antacids",
    "for thyroid",
    "for hypothyroidism (E03.9)",
    "do not stop taking without advice",
    "Do not stop without asking your doctor",
    "do not skip doses",
    "as directed",
    "as directed by your doctor",
    "for oral use only",
    "by mouth only",
    "Rx only",
    "Dispense 90, 3 refills",
    "90 days supply",
    "qty 30",
    "Recheck TSH in 6 weeks",
    "TSH in 8 weeks",
    "labs due in 3 months",
    "at 8 am",
    "at 0700",
    "take at the same time each day",
    "with or without food",
    "If you miss a dose, take it as soon as you remember",
    "Call your doctor if you have chest pain",
    "no substitution",
    "not for weight loss",
    "swallow whole",
    "wait 30 min before eating",
    "separate from calcium/iron by 4 hours",
    "Take at least 4 hours before or after antacids, iron, or calcium supplements",
    "take on waking",
    "needs blood test",
    "annual review due",
    "Disp-90 tablet, R-3, Normal",
    "brand name only",
    "at least 30 to 60 minutes before breakfast or morning coffee",
    "at 6 (six) AM",
    "oral, as per endocrinologist",
    "nüchtern mit Wasser",
    "30 Min. vor dem Frühstück",
    "à jeun, avec un verre d'eau",
    "'s ochtends nuchter innemen",
    "",
]
"""Words that leave a coded dose as it is, or say nothing of it."""


@pytest.mark.parametrize("words", HARMLESS)
def test_words_that_leave_the_dose_as_it_is_are_not_asked_about(words: str) -> None:
    heard = PHRASES.heard_in(words)
    assert (heard.bearing, set(heard.schedules) - {DAILY_DOSE}, heard.amounts) == ("", set(), ())
    record = read(statement(LT4_100, dosage(ucum(1, "{tbl}"), text=words or "daily")))
    assert doses(record) == [("levothyroxine", ["100"])]
    assert (record.questions, record.confirm) == ((), ())


UNKNOWN = [
    "from the blue box",
    "1 tablet daily as the nurse showed",
    "take one daily beim Joggen",
    "in divided doses",
    "1 tablet morgen",  # the morning in Danish, tomorrow in German
    "zay zoy",
]


@pytest.mark.parametrize("words", UNKNOWN)
def test_words_that_are_not_known_are_shown_and_to_be_confirmed(words: str) -> None:
    """They may change the dose or not: the coded one goes on, and the prescriber has seen them."""
    record = read(statement(LT4_100, dosage(ucum(1, "{tbl}"), text=words)))
    assert doses(record) == [("levothyroxine", ["100"])]
    assert record.questions == ()
    (point,) = record.confirm
    assert point.expression == f"{ONE}.dosage[0].text"
    assert f"“{words}”" in point.question


def test_the_language_of_the_resource_settles_a_word_of_two_meanings_beside_a_dose() -> None:
    taken = statement(LT4_100, dosage(ucum(1, "{tbl}"), text="morgen"))
    danish, german = ({**taken, "language": language} for language in ("da", "de"))
    assert read(danish).confirm == ()
    assert asked(read(german)) == [f"{ONE}.dosage[0].text"]


@pytest.mark.parametrize(
    ("words", "per_day"),
    [
        ("daily except Sunday", "6/7"),
        ("daily, not on Sundays", "6/7"),
        ("Mon-Sat", "6/7"),
        ("5x/week", "5/7"),
        ("2x/day", "2"),
        ("every 48 hours", "1/2"),
        ("every other day", "1/2"),
        ("1x täglich", "1"),
        ("2 fois par jour", "2"),
        ("una vez al día", "1"),
        ("M-F", "5/7"),
        ("MWF", "3/7"),
        ("M/W/F", "3/7"),
        ("TTh", "2/7"),
        ("T/Th/Sa", "3/7"),
        ("M-Sat", "6/7"),
        ("Sa/Su", "2/7"),
        ("alt days", "1/2"),
        ("alternate days", "1/2"),
        ("bds", "2"),
        ("tds", "3"),
        ("qod", "1/2"),
        ("x2 daily", "2"),
        ("in 2 divided doses", "2"),
        ("morning and evening", "2"),
        ("1 tab in the morning and 1 tab at night", "2"),
        ("am, noon, pm", "3"),
    ],
)
def test_a_frequency_is_heard_whatever_stands_around_it(words: str, per_day: str) -> None:
    (schedule,) = PHRASES.heard_in(f"from the blue box {words}").schedules
    assert str(schedule.per_day) == per_day


@pytest.mark.parametrize(
    ("words", "per_day"),
    [
        ("Mo-Fr", "5/7"),
        ("lundi au vendredi", "5/7"),
        ("außer Sonntag", "6/7"),
        ("außer samstags und sonntags", "5/7"),
        ("tous les deux jours", "1/2"),
        ("om de dag", "1/2"),
        ("hver anden dag", "1/2"),
        ("semanal", "1/7"),
        ("wekelijks", "1/7"),
        ("morgens und abends", "2"),
        ("morgens, mittags und abends", "3"),
    ],
)
def test_a_frequency_in_another_language_is_heard_without_an_amount(
    words: str, per_day: str
) -> None:
    (schedule,) = PHRASES.heard_in(words).schedules
    assert str(schedule.per_day) == per_day


@pytest.mark.parametrize(
    ("words", "micrograms"),
    [
        ("seventy five micrograms", "75"),
        ("Seventy-five mcg", "75"),
        ("one hundred and twelve micrograms", "112"),
        ("two hundred mcg", "200"),
        ("a hundred micrograms", "100"),
        ("fifty mcg", "50"),
    ],
)
def test_micrograms_in_words_are_heard_as_their_number(words: str, micrograms: str) -> None:
    (amount,) = PHRASES.heard_in(f"{words} daily").amounts
    assert (amount.dimension, str(amount.value)) == (Dimension.MASS, micrograms)


def test_words_that_spell_no_one_number_are_no_amount() -> None:
    assert PHRASES.heard_in("five seventy micrograms").amounts == ()


DIVIDED = [
    dosage(ucum(5, "ug"), repeat(when=["MORN"])),
    dosage(ucum(10, "ug"), repeat(when=["EVE"])),
]


def test_two_times_of_day_are_those_of_two_dosages() -> None:
    """5 µg in the morning and 10 µg in the evening, each coded by itself."""
    told = "Take in the morning and in the evening."
    assert read(statement(LT3, *DIVIDED, note=[{"text": told}])).questions == ()
    told = "Take in the morning, at noon and in the evening."
    assert len(read(statement(LT3, *DIVIDED, note=[{"text": told}])).questions) == 1


@pytest.mark.parametrize(
    ("words", "pieces"),
    [("2 half tablets", "1"), ("3 half tablets", "3/2"), ("2 quarter tablets", "1/2")],
)
def test_counted_parts_of_tablets_are_heard_as_what_they_come_to(words: str, pieces: str) -> None:
    (amount,) = PHRASES.heard_in(f"from the blue box, {words}").amounts
    assert (amount.dimension, str(amount.value)) == (Dimension.PIECE, pieces)


FIFTY = ucum(50, "ug")
PLACES = {
    "the text": lambda words: dosage(FIFTY, text=words),
    "an additional instruction": lambda words: dosage(
        FIFTY, additionalInstruction=[{"text": "with water"}, {"text": words}]
    ),
    "the display of an additional instruction": lambda words: dosage(
        FIFTY, additionalInstruction=[{"coding": [{"code": "x", "display": words}]}]
    ),
    "the patient's instruction": lambda words: dosage(FIFTY, patientInstruction=words),
    "the name of the timing": lambda words: dosage(FIFTY, {**DAILY, "code": {"text": words}}),
}
CONTRADICTIONS = [
    "1 tablet twice daily",
    "1 tablet every other day",
    "every other day",
    "1 tablet MWF",
    "M-F",
    "alt days",
    "bds",
    "morning and evening",
    "seventy-five micrograms daily",
    "finished",
    "replaced by liothyronine",
    "außer Sonntag",
    "wekelijks",
    "STOP",
    "do not take",
    "hold until labs",
    "daily except Sunday",
    "Mon-Sat",
    "on Mondays",
    "5x/week",
    "2x/day",
    "every 48 hours",
    "take only half",
    "75 mcg daily",
    "take 75 mcg",
    "as needed",
    "for 6 weeks",
]


@pytest.mark.parametrize("words", CONTRADICTIONS)
@pytest.mark.parametrize("place", PLACES)
def test_words_that_contradict_a_coded_dose_are_asked_about_with_both_sayings(
    place: str, words: str
) -> None:
    """50 µg a day, of tablets whose strength is not said."""
    record = read(statement(LT4, PLACES[place](words)))
    assert doses(record) == []
    (question,) = record.questions
    assert question.expression.startswith(f"{ONE}.dosage[0]")
    if "." not in question.expression.removeprefix(f"{ONE}.dosage[0].timing"):
        return  # the timing contradicts itself, which is said in doses a day
    assert "50 micrograms a day" in question.question
    assert f"“{words}”" in question.question


@pytest.mark.parametrize("place", PLACES)
def test_words_that_say_the_same_are_not_asked_about(place: str) -> None:
    for words in ("once daily", "every morning on an empty stomach", "daily as directed"):
        record = read(statement(LT4, PLACES[place](words)))
        assert doses(record) == [("levothyroxine", ["50"])]
        assert record.questions == ()


SAME = {
    "two tablets of half the dose": (LT4, ucum(50, "ug"), DAILY, "take 2 tablets of 25 mcg a day"),
    "a strength and a dose": (LT4_100, ucum(2, "{tbl}"), DAILY, "2 tablets (200 mcg total) daily"),
    "the day's dose of two": (
        LT3,
        ucum(5, "ug"),
        repeat(frequency=2, period=1, periodUnit="d"),
        "5 mcg twice daily (10 mcg a day)",
    ),
    "all but Sunday": (
        LT4,
        ucum(50, "ug"),
        repeat(dayOfWeek=["mon", "tue", "wed", "thu", "fri", "sat"]),
        "50 mcg daily, from the box, except Sundays",
    ),
}


@pytest.mark.parametrize(("medicine", "dose", "timing", "words"), SAME.values(), ids=SAME.keys())
def test_a_dose_said_another_way_is_the_same(
    medicine: Json, dose: Json, timing: Json, words: str
) -> None:
    assert read(statement(medicine, dosage(dose, timing, text=words))).questions == ()


def test_the_same_amount_a_day_at_another_frequency_is_asked_about() -> None:
    """Twice 5 µg of liothyronine is not 10 µg at once."""
    record = read(statement(LT3, dosage(ucum(10, "ug"), text="5 mcg twice daily")))
    assert asked(record) == [f"{ONE}.dosage[0]"]


GRAINS = {
    "levothyroxine": (LT4, ucum(100, "ug"), True),
    "levothyroxine by tablets": (LT4_100, ucum(1, "{tbl}"), True),
    "liothyronine": (LT3, ucum(25, "ug"), True),
    "desiccated thyroid": (THYROID_60, ucum(1, "{tbl}"), False),
}


@pytest.mark.parametrize(
    "words", ["Take 1 grain daily", "one grain a day from the blue box", "Take 1 gr daily"]
)
@pytest.mark.parametrize(("medicine", "dose", "open_"), GRAINS.values(), ids=GRAINS.keys())
def test_grains_beside_a_hormone_that_is_not_labelled_in_grains_are_asked_about(
    medicine: Json, dose: Json, open_: bool, words: str
) -> None:
    """One grain is another medicine, or another dose; of desiccated thyroid it is the same."""
    record = read(statement(medicine, dosage(dose, text=words)))
    assert bool(record.questions) is open_
    assert bool(record.current[0].lines) is not open_


def test_one_that_was_meant_for_another_amount_is_heard() -> None:
    record = read(statement(LT4_100, dosage(ucum(2, "{tbl}"), text="take one in the morning")))
    assert asked(record) == [f"{ONE}.dosage[0]"]


LIMITS = [
    (ucum(49, "ug"), ucum(1, "d"), True),
    (ucum(50, "ug"), ucum(1, "d"), False),
    (ucum(51, "ug"), ucum(1, "d"), False),
    (ucum(349, "ug"), ucum(1, "wk"), True),
    (ucum(350, "ug"), ucum(1, "wk"), False),
    (ucum(25, "ug"), ucum(12, "h"), True),
    (ucum(50, "ug"), {"value": 1, "unit": "day"}, False),
    (ucum(25, "ug"), {"value": 1, "unit": "day"}, True),
    (ucum(50, "ug"), {"value": 1, "unit": "moon"}, True),
    (ucum(50, "ug"), None, True),
    (ucum(1, "{tbl}"), ucum(1, "d"), True),
]


@pytest.mark.parametrize(("most", "span", "open_"), LIMITS)
def test_a_limit_below_the_dose_or_that_cannot_be_read_is_asked_about(
    most: Json, span: Json | None, open_: bool
) -> None:
    """The day's dose is 50 µg; one tablet is of unknown strength."""
    limit: Json = {"numerator": most, **({"denominator": span} if span else {})}
    record = read(statement(LT4, dosage(FIFTY, maxDosePerPeriod=limit)))
    assert bool(record.questions) is open_
    assert bool(record.current[0].lines) is not open_


@pytest.mark.parametrize(("most", "open_"), [(49, True), (50, False), (51, False)])
def test_a_limit_of_one_dose_is_compared(most: int, open_: bool) -> None:
    record = read(statement(LT4, dosage(FIFTY, maxDosePerAdministration=ucum(most, "ug"))))
    assert bool(record.questions) is open_


def test_a_limit_for_a_lifetime_is_asked_about() -> None:
    record = read(statement(LT4, dosage(FIFTY, maxDosePerLifetime=ucum(500, "ug"))))
    assert asked(record) == [f"{ONE}.dosage[0].maxDosePerLifetime"]


def in_r5(**more: object) -> Json:
    built = request(LT4, **more)
    built["medication"] = {"concept": built.pop("medicationCodeableConcept")}
    return built


def test_every_limit_of_r5_is_compared() -> None:
    limits = [{"numerator": ucum(most, "ug"), "denominator": ucum(1, "d")} for most in (100, 25)]
    record = read(
        in_r5(dosageInstruction=[dosage(FIFTY, maxDosePerPeriod=limits)]), version=FhirVersion.R5
    )
    assert asked(record) == [f"{ONE}.dosageInstruction[0]"]


@pytest.mark.parametrize("words", CONTRADICTIONS)
def test_the_whole_as_rendered_is_held_against_the_coded_dose(words: str) -> None:
    for text in ({}, {"text": "50 mcg daily"}):
        record = read(
            in_r5(dosageInstruction=[dosage(FIFTY, **text)], renderedDosageInstruction=words),
            version=FhirVersion.R5,
        )
        assert len(record.questions) == 1
        assert f"“{words}”" in record.questions[0].question


def test_the_whole_rendered_from_several_texts_says_nothing_more() -> None:
    week = [dosage(ucum(100, "ug"), repeat(dayOfWeek=["sat", "sun"]), text="100 mcg Sat-Sun"),
            dosage(FIFTY, repeat(dayOfWeek=["mon", "tue", "wed", "thu", "fri"]),
                   text="50 mcg Mon-Fri")]  # fmt: skip
    record = read(
        in_r5(
            dosageInstruction=week,
            renderedDosageInstruction="100 mcg Sat-Sun; 50 mcg Mon-Fri.",
        ),
        version=FhirVersion.R5,
    )
    assert record.questions == ()


@pytest.mark.parametrize(
    ("note", "open_"),
    [
        ("Stop.", True),
        ("Pt to hold until labs", True),
        ("Seen today.\nTake half on Sundays.", True),
        ("Does well. Take every other day. Back in spring.", True),
        ("takes half", True),
        ("Take in the morning with water.", False),
        ("Take 50 mcg daily.", False),
        ("Thyroidectomy in 2019; stopped smoking; on hold list for surgery.", False),
        ("TSH 2.1 last week.", False),
        (None, False),
    ],
)
@pytest.mark.parametrize("make", [statement, request])
def test_a_note_that_begins_as_an_instruction_does_is_held_against_the_dose(
    make: object, note: str | None, open_: bool
) -> None:
    assert callable(make)
    record = read(make(LT4, dosage(FIFTY), note=[{"text": note}] if note else None))
    assert bool(record.questions) is open_


def test_dates_in_words_that_are_not_those_of_the_dosage_are_asked_about() -> None:
    def of(start: str, end: str) -> Json:
        return {
            **DAILY,
            "repeat": {**DAILY["repeat"], "boundsPeriod": {"start": start, "end": end}},
        }

    words = "Take 50 mcg once a day. From 1 March 2026 to 30 April 2026."
    same = request(LT4, dosage(FIFTY, of("2026-03-01", "2026-04-30"), text=words))
    assert read(same).questions == ()
    for timing in (of("2026-03-01", "2026-04-29"), DAILY):
        assert len(read(request(LT4, dosage(FIFTY, timing, text=words))).questions) == 1


@pytest.mark.parametrize(("ends", "open_"), [("30 April 2026", False), ("29 April 2026", True)])
def test_dates_in_words_that_are_not_read_whole_are_held_against_the_dosage_too(
    ends: str, open_: bool
) -> None:
    """An end that only the note tells would leave the dose running after it; both are shown."""
    held = {"start": "2026-03-01", "end": "2026-04-30"}
    timing = {**DAILY, "repeat": {**DAILY["repeat"], "boundsPeriod": held}}
    words = f"Take it in the garden from 1 March 2026 to {ends} as agreed"
    found = read(request(LT4, dosage(FIFTY, timing, patientInstruction=words))).questions
    assert bool(found) is open_
    assert all(f"“{words}”" in question.question for question in found)


def test_words_of_another_medicine_than_the_coded_one_are_asked_about() -> None:
    words = "{} sodium 50 microgram tablets: take 1 tablet once a day."
    assert read(statement(LT4, dosage(FIFTY, text=words.format("Levothyroxine")))).questions == ()
    record = read(statement(LT4, dosage(FIFTY, text=words.format("Liothyronine"))))
    assert asked(record) == [f"{ONE}.dosage[0]"]
