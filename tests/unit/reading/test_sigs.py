"""Sigs as they are written in the United States, in the United Kingdom and by times of day.

The shapes are those of order entry in hospitals and of pharmacies (common practice, no source);
``1-0-0`` is the scheme of the medication plans of German-speaking countries: tablets in the
morning, at noon, in the evening and, as a fourth, at night.
"""

from fractions import Fraction

import pytest
from tests.unit.reading.records import (
    CODES,
    LT4,
    LT4_100,
    Json,
    asked,
    dosage,
    doses,
    read,
    statement,
)

from crossgrain.reading.quantities import Dimension

PIECE, MASS = Dimension.PIECE, Dimension.MASS
READ = {
    "Take 1 tablet (100 mcg total) by mouth daily. Take on an empty stomach.": (PIECE, 1, 1),
    "Take 1 tablet (112 mcg total) by mouth in the morning. Take before meals.": (PIECE, 1, 1),
    "Take 1 tablet (112 mcg total) by mouth 1 (one) time each day.": (PIECE, 1, 1),
    "Take 1 tablet (50 mcg) by mouth every morning (before breakfast).": (PIECE, 1, 1),
    "Take 1 tablet by mouth 2 (two) times daily": (PIECE, 1, 2),
    "Take one (1) tablet by mouth daily": (PIECE, 1, 1),
    "Take 0.5 tablets (50 mcg total) by mouth daily": (PIECE, "1/2", 1),
    "Take 1.5 tablets (150 mcg) by mouth daily": (PIECE, "3/2", 1),
    "1 tab(s), Oral, Daily, 90 tab(s)": (PIECE, 1, 1),
    "1 tab(s), Oral, Daily, # 30 tab(s), 3 Refill(s)": (PIECE, 1, 1),
    "100 mcg = 1 tab(s), Oral, Daily": (PIECE, 1, 1),
    "1 tab(s) = 100 mcg, PO, qAM": (PIECE, 1, 1),
    "50 mcg - Once daily before breakfast": (MASS, 50, 1),
    "Levothyroxine 100 mcg PO daily": (MASS, 100, 1),
    "TK 1 T PO QAM": (PIECE, 1, 1),
    "1 tablet by mouth daily at 6 am": (PIECE, 1, 1),
    "1 tab q day": (PIECE, 1, 1),
    "100 mcg EOD": (MASS, 100, "1/2"),
    "1 tab once in the morning": (PIECE, 1, 1),
    "Take 1 tablet daily. Take 4 hours apart from calcium.": (PIECE, 1, 1),
    "1 po qd": (PIECE, 1, 1),
    "ONE TO BE TAKEN EACH DAY": (PIECE, 1, 1),
    "ONE TABLET TO BE TAKEN EACH MORNING": (PIECE, 1, 1),
    "One to be taken in the morning": (PIECE, 1, 1),
    "Take one daily": (PIECE, 1, 1),
    "TAKE TWO DAILY": (PIECE, 2, 1),
    "half to be taken each day": (PIECE, "1/2", 1),
    "1 1/2 daily": (PIECE, "3/2", 1),
    "1 a day": (PIECE, 1, 1),
    "1 nocte": (PIECE, 1, 1),
    "1 mane": (PIECE, 1, 1),
    "1 om": (PIECE, 1, 1),
    "1 on": (PIECE, 1, 1),
    "1 bd": (PIECE, 1, 2),
    "one on alternate days": (PIECE, 1, "1/2"),
    "5 mcg tds": (MASS, 5, 3),
    "1-0-0": (PIECE, 1, 1),
    "1-0-0-0": (PIECE, 1, 1),
    "0-0-1": (PIECE, 1, 1),
    "½-0-0": (PIECE, "1/2", 1),
    "1½-0-0": (PIECE, "3/2", 1),
    "1.5-0-0": (PIECE, "3/2", 1),
    "1 - 0 - 1": (PIECE, 1, 2),
    "1-1-1 tablets": (PIECE, 1, 3),
    "1-0-0 daily before breakfast": (PIECE, 1, 1),
    "1,5-0-0": (PIECE, "3/2", 1),
    "1x1": (PIECE, 1, 1),
    "1 x 1": (PIECE, 1, 1),
    "1x1 tabl.": (PIECE, 1, 1),
    "1 x 1 daily before breakfast": (PIECE, 1, 1),
    "Take 1 tablet (100 mcg) by mouth once daily for 90 days": (PIECE, 1, 1),
    "1 tablet Orally Once a day 90 days": (PIECE, 1, 1),
    "1 tablet Orally Once a day, 90 days, 3 refills": (PIECE, 1, 1),
    "1 tablet daily for 28 days": (PIECE, 1, 1),
    "1 tablet by mouth daily, 30 day supply": (PIECE, 1, 1),
    "Take 1 tablet by mouth six days a week": (PIECE, 1, "6/7"),
    "Take 1 tablet by mouth daily in the early morning": (PIECE, 1, 1),
    "1 tablet every Sunday": (PIECE, 1, "1/7"),
    "One tablet each morning, at least 30 minutes before breakfast, caffeine-containing liquids"
    " or other medicine": (PIECE, 1, 1),
}


@pytest.mark.parametrize("words", READ)
def test_a_sig_of_everyday_shape_is_read_whole(words: str) -> None:
    dimension, amount, per_day = READ[words]
    sig = CODES.phrases.read_sig(words)
    assert sig is not None
    (part,) = sig.parts
    assert (part.amount.dimension, part.amount.value) == (dimension, Fraction(amount))
    assert part.schedule.per_day == Fraction(per_day)


ASKED = [
    "1 - 2 tablets daily",
    "one - two tablets daily",
    "1 or 2 daily",
    "1-2 daily",
    "half-1 daily",
    "take 50 daily",
    "2 weekly",
    "2 bd",
    "2 a day",
    "1 a week",
    "1 x daily 1",
    "1 daily 2 nightly",
    "one",
    "2 (three) tablets daily",
    "1 tab 2 (three) times daily",
    "1 tab daily, 10 tabs",
    "1 tab, 90 tab(s)",
    "1 tab daily, 90 tab(s), 100 mcg",
    "50 mcg = 100 mcg daily",
    "1 tab = 1 tab daily",
    "100 mcg = 1 tab (50 mcg) daily",
    "1 tablet twice daily at 8 am",
    "1 tablet daily at 8 am at 8 pm",
    "levothyroxine 100 mcg",
    "levothyroxine 100 mcg 2 tablets daily",
    "levothyroxine 100 mcg tablets daily",
    "hold on",
    "1 on monday",
    "0-0-0",
    "1-0",
    "1-0-0-0-0",
    "1-0-0-0-0-0-0",
    "1-2-2024",
    "4-3-2",
    "2-1-2",
    "100-0-0",
    "1-0-0 twice daily",
    "1-0-0 as needed",
    "1-0-0 mcg",
    "1-0-0 then 2-0-0",
    "11/2-0-0",
    "1-0-.5",
    "2x1",
    "1x2",
    "1x1x1",
    "1x10",
    "1x1/2",
    "1x1 twice daily",
    "1x1 mcg",
    "1 tablet daily for 27 days",
    "1 tablet daily for 7 days",
    "1 tablet daily for 90 days then 2 tablets daily",
    "1 tablet daily, 2 tablets in 90 days",
    "1 tablet for 90 days",
    "1 tablet all other days",
    "2 tablets every other day on sunday",
    "2 tablets mon-fri and 1 tablet all other days and 3 tablets on the rest of the week",
    "1 tablet 5 days a week and 2 tablets on sunday",
    "1 tablet 6 days a week and 2 tablets on saturday and sunday",
    "1 tablet 6 days a week and 2 tablets daily",
]


@pytest.mark.parametrize("words", ASKED)
def test_a_sig_that_leaves_a_choice_is_not_read_at_all(words: str) -> None:
    assert CODES.phrases.read_sig(words) is None


def test_times_of_day_with_amounts_of_their_own_come_to_all_of_them() -> None:
    """Of 100 µg tablets: one in the morning and a half in the evening."""
    record = read(statement(LT4_100, {"text": "1-0-½"}))
    assert record.questions == ()
    assert record.regimen.t4_ug == 150


WEEKS = {
    "Take 2 tablets by mouth every Sunday and 1 tablet all other days": (1, 1, 1, 1, 1, 1, 2),
    "1 tablet all other days and 2 tablets on Sunday": (1, 1, 1, 1, 1, 1, 2),
    "2 tablets on Tuesday and Thursday, 1 tablet the rest of the week": (1, 2, 1, 2, 1, 1, 1),
    "Take 1 tablet daily 6 days a week and 1/2 tablet on Sunday": (1, 1, 1, 1, 1, 1, "1/2"),
    "1 tablet 5 days a week and 1.5 tablets on Sat and Sun": (1, 1, 1, 1, 1, "3/2", "3/2"),
}


@pytest.mark.parametrize("words", WEEKS)
def test_the_days_that_nothing_names_are_those_of_the_other_dose(words: str) -> None:
    (line,) = read(statement(LT4_100, {"text": words})).regimen.lines
    assert line.cycle == tuple(100 * Fraction(tablets) for tablets in WEEKS[words])


def test_a_supply_of_days_is_read_and_to_be_confirmed() -> None:
    record = read(statement(LT4_100, {"text": "1 tablet daily for 90 days"}))
    assert record.questions == ()
    assert "was read from text" in record.confirm[0].question


PAIR = "Take 2 tablets ({} mcg) by mouth daily"


@pytest.mark.parametrize("mass", [100, 200])
def test_the_strength_tells_whether_a_mass_is_of_one_tablet_or_of_all(mass: int) -> None:
    record = read(statement(LT4_100, {"text": PAIR.format(mass)}))
    assert doses(record) == [("levothyroxine", ["200"])]


@pytest.mark.parametrize(("medicine", "mass"), [(LT4, 100), (LT4_100, 50), (LT4_100, 150)])
def test_a_mass_that_may_be_of_one_or_of_all_is_asked_about(medicine: Json, mass: int) -> None:
    assert asked(read(statement(medicine, {"text": PAIR.format(mass)})))


@pytest.mark.parametrize(("coded", "open_"), [(100, False), (50, False), (75, True)])
def test_a_mass_of_one_or_of_all_beside_a_coded_dose_must_be_one_of_the_two(
    coded: int, open_: bool
) -> None:
    """Of tablets whose strength is not said: two of 50 or two that come to 50."""
    dose = {"value": coded, "unit": "mcg"}
    record = read(statement(LT4, dosage(dose, text=PAIR.format(50))))
    assert bool(record.questions) is open_


def test_an_instruction_that_opens_with_another_hormone_is_asked_about() -> None:
    words = "{} 50 mcg daily"
    assert read(statement(LT4, {"text": words.format("Levothyroxine")})).questions == ()
    assert asked(read(statement(LT4, {"text": words.format("Liothyronine")})))
