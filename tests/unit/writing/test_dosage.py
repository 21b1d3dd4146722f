"""A dosage to the letter: what the patient reads and what the machine reads are the same."""

from datetime import date
from fractions import Fraction
from typing import Any

import pytest

from crossgrain.catalogue import Catalogue, load_catalogue
from crossgrain.dosing.preparations import Preparation
from crossgrain.dosing.steps import (
    DoseUse,
    LineDose,
    OrderedCourse,
    Prescription,
    Stage,
    SwitchPart,
)
from crossgrain.dosing.tablets import Piece, Tablets
from crossgrain.writing.dosage import dispense, fetched, instructions, needed
from crossgrain.writing.letterhead import Scope, Wording

SERIES = Scope("series", "proposal")
EMPTY_STOMACH = "on an empty stomach, 4 hours apart from calcium, iron and antacids"
LT4, LT3, GRAINS = "levothyroxine", "liothyronine", "desiccated-thyroid-60"


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return load_catalogue()


@pytest.fixture
def wording(catalogue: Catalogue) -> Wording:
    return Wording(date(2025, 3, 3).toordinal(), ("Stop biotin before labs.",), catalogue.codes)


def of(strength: str, count: str = "1") -> Piece:
    return Piece(Fraction(strength), Fraction(count))


def line(preparation: Preparation, *pieces: Piece, **more: Any) -> LineDose:
    tablets = Tablets(pieces)
    return LineDose(
        preparation, more.pop("amount", tablets.amount), SwitchPart.NEW, tablets, **more
    )


def use(one: LineDose, piece: Piece, first: int = 0, last: int = 13) -> DoseUse:
    return DoseUse(OrderedCourse(one, Stage.CLIMB, first, last), piece)


def prescription(*uses: DoseUse) -> Prescription:
    return Prescription(uses[0].course.line.preparation, uses[0].piece.strength, uses, 7, 7)


def written(wording: Wording, *uses: DoseUse, scope: Scope = SERIES) -> list[dict[str, Any]]:
    return instructions(wording, scope, prescription(*uses))


def test_a_plain_dose_is_written_whole(wording: Wording, catalogue: Catalogue) -> None:
    piece = of("100", "1/2")
    (dosage,) = written(wording, use(line(catalogue.preparations[LT4], piece), piece))
    rate = "http://terminology.hl7.org/CodeSystem/dose-rate-type"
    ucum = "http://unitsofmeasure.org"
    amounts = {code: one for one in dosage.pop("doseAndRate") for code in [_code(one["type"])]}
    assert set(amounts) == {"ordered", "calculated"}
    assert amounts["ordered"]["type"]["coding"] == [
        {"system": rate, "code": "ordered", "display": "Ordered"}
    ]
    assert amounts["calculated"]["type"]["coding"] == [
        {"system": rate, "code": "calculated", "display": "Calculated"}
    ]
    tablets, mass = (amounts[code]["doseQuantity"] for code in ("ordered", "calculated"))
    assert (float(str(tablets["value"])), tablets["code"]) == (0.5, "{tbl}")
    assert (float(str(mass["value"])), mass["code"], mass["system"]) == (50.0, "ug", ucum)
    assert dosage == {
        "sequence": 1,
        "text": "Levothyroxine sodium 100 microgram tablets: take half a tablet once a day, in"
        f" the morning, {EMPTY_STOMACH}. From 3 March 2025 to 16 March 2025. Stop biotin before"
        " labs.",
        "additionalInstruction": [
            {
                "coding": [
                    {
                        "system": "http://snomed.info/sct",
                        "code": "717154004",
                        "display": "Take on an empty stomach",
                    }
                ],
                "text": f"Take {EMPTY_STOMACH}",
            }
        ],
        "timing": {
            "repeat": {
                "boundsPeriod": {"start": "2025-03-03", "end": "2025-03-16"},
                "frequency": 1,
                "period": 1,
                "periodUnit": "d",
                "when": ["MORN"],
            }
        },
        "route": {
            "coding": [
                {
                    "system": "http://snomed.info/sct",
                    "code": "26643006",
                    "display": "Oral route",
                }
            ],
            "text": "by mouth",
        },
    }


def _code(concept: dict[str, Any]) -> str:
    code: str = concept["coding"][0]["code"]
    return code


def test_of_several_tablets_each_says_what_is_taken_with_it(
    wording: Wording, catalogue: Catalogue
) -> None:
    """Read alone, one order must not pass for the whole dose."""
    sixty, fifteen = of("60"), of("15", "2")
    both = line(catalogue.preparations[GRAINS], sixty, fifteen)
    (one,), (other,) = (written(wording, use(both, piece)) for piece in (sixty, fifteen))
    whole = "90 mg of desiccated thyroid a day in all."
    assert (
        f"take 1 tablet once a day, in the morning, {EMPTY_STOMACH}. Take it together with 2"
        in (one["text"])
    )
    assert f"take 1 tablet once a day, in the morning, {EMPTY_STOMACH}. Take it" in one["text"]
    assert f"Take it together with 2 tablets of 15 mg: {whole}" in one["text"]
    assert f"Take it together with 1 tablet of 60 mg: {whole}" in other["text"]


def test_two_even_doses_are_one_instruction_and_liothyronine_needs_no_empty_stomach(
    wording: Wording, catalogue: Catalogue
) -> None:
    piece = of("5", "2")
    twice = line(catalogue.preparations[LT3], piece, doses_per_day=2)
    (dosage,) = written(wording, use(twice, piece))
    assert dosage["timing"]["repeat"]["frequency"] == 2
    assert "take 1 tablet twice a day, in the morning and at bedtime. From" in dosage["text"]
    assert "additionalInstruction" not in dosage
    assert EMPTY_STOMACH not in dosage["text"]


def test_two_uneven_doses_are_two_instructions_each_at_its_time(
    wording: Wording, catalogue: Catalogue
) -> None:
    """15 micrograms as 10 and 5: one code of 7.5 twice would be a dose that nobody takes."""
    piece = of("5", "3")
    times = (Tablets((of("5", "2"),)), Tablets((of("5"),)))
    uneven = line(catalogue.preparations[LT3], piece, doses_per_day=2, times=times)
    morning, bedtime = written(wording, use(uneven, piece))
    taken = [
        (one["timing"]["repeat"]["when"], one["timing"]["repeat"]["frequency"], _tablets(one))
        for one in (morning, bedtime)
    ]
    assert taken == [(["MORN"], 1, 2.0), (["HS"], 1, 1.0)]
    assert morning["sequence"] == bedtime["sequence"] == 1
    whole = "The whole day's dose is 15 micrograms of liothyronine sodium."
    assert f"take 2 tablets in the morning. {whole}" in morning["text"]
    assert f"take 1 tablet at bedtime. {whole}" in bedtime["text"]


def _tablets(dosage: dict[str, Any]) -> float:
    return float(str(dosage["doseAndRate"][0]["doseQuantity"]["value"]))


WEEK = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"]


def test_a_week_that_two_tablets_share_is_seven_days_and_each_day_has_one_of_them(
    wording: Wording, catalogue: Catalogue
) -> None:
    """A day with both would be a double dose, and one with neither a missed one."""
    hundred, lower = of("100", "4/7"), of("88", "3/7")
    shared = line(
        catalogue.preparations[LT4],
        hundred,
        lower,
        week=(Tablets((of("100"),)), Tablets((of("88"),))),
    )
    (four,) = written(wording, use(shared, hundred))
    (three,) = written(wording, use(shared, lower))
    days = [one["timing"]["repeat"]["dayOfWeek"] for one in (four, three)]
    assert days == [["mon", "wed", "fri", "sun"], ["tue", "thu", "sat"]]
    assert sorted(days[0] + days[1]) == sorted(WEEK)
    for one, strength in ((four, 100.0), (three, 88.0)):
        repeat = one["timing"]["repeat"]
        assert (repeat["frequency"], repeat["period"], repeat["periodUnit"]) == (1, 1, "d")
        assert repeat["when"] == ["MORN"]
        assert _tablets(one) == 1.0
        assert float(str(one["doseAndRate"][1]["doseQuantity"]["value"])) == strength
    whole = "664 micrograms of levothyroxine sodium a week in all."
    assert (
        f"take 1 tablet on Monday, Wednesday, Friday and Sunday, in the morning, {EMPTY_STOMACH}."
        f" On the other days take 1 tablet of 88 micrograms instead: {whole}"
    ) in four["text"]
    assert (
        f"take 1 tablet on Tuesday, Thursday and Saturday, in the morning, {EMPTY_STOMACH}."
        f" On the other days take 1 tablet of 100 micrograms instead: {whole}"
    ) in three["text"]


def test_of_three_tablets_each_names_both_others_and_the_whole(
    wording: Wording, catalogue: Catalogue
) -> None:
    pieces = of("60"), of("30"), of("15", "2")
    every = line(catalogue.preparations[GRAINS], *pieces)
    one, two, three = (written(wording, use(every, piece))[0]["text"] for piece in pieces)
    whole = "120 mg of desiccated thyroid a day in all."
    assert f"Take it together with 1 tablet of 30 mg and 2 tablets of 15 mg: {whole}" in one
    assert f"Take it together with 1 tablet of 60 mg and 2 tablets of 15 mg: {whole}" in two
    assert f"Take it together with 1 tablet of 60 mg and 1 tablet of 30 mg: {whole}" in three


def test_what_differs_by_the_time_of_day_names_only_what_is_taken_at_that_time(
    wording: Wording, catalogue: Catalogue
) -> None:
    """25 and 5 micrograms in the morning, 5 at bedtime: the 25 named twice would be taken twice."""
    strong, weak = of("25"), of("5", "2")
    times = (Tablets((of("25"), of("5"))), Tablets((of("5"),)))
    uneven = line(catalogue.preparations[LT3], strong, weak, doses_per_day=2, times=times)
    (morning,) = written(wording, use(uneven, strong))
    also_morning, bedtime = written(wording, use(uneven, weak))
    whole = "35 micrograms of liothyronine sodium"
    for one, words in (
        (morning, "in the morning. Take it together with 1 tablet of 5 micrograms"),
        (also_morning, "in the morning. Take it together with 1 tablet of 25 micrograms"),
    ):
        assert one["timing"]["repeat"]["when"] == ["MORN"]
        assert f"take 1 tablet {words}: {whole} a day in all. From 3 March" in one["text"]
    assert bedtime["timing"]["repeat"]["when"] == ["HS"]
    assert f"take 1 tablet at bedtime. The whole day's dose is {whole}. From" in bedtime["text"]


def test_two_instructions_of_one_step_say_that_both_hold_on_the_same_days(
    wording: Wording, catalogue: Catalogue
) -> None:
    """Read as the next step, the dose at bedtime would begin when the one of the morning ended."""
    liothyronine = catalogue.preparations[LT3]
    piece, once = of("5", "3"), of("5")
    times = (Tablets((of("5", "2"),)), Tablets((of("5"),)))
    uneven = line(liothyronine, piece, doses_per_day=2, times=times)
    texts = [
        dosage["text"]
        for dosage in written(
            wording,
            use(line(liothyronine, once), once, 0, 13),
            use(uneven, piece, 14, 27),
        )
    ]
    tablets = "liothyronine sodium 5 microgram tablets: take"
    assert [text.partition(".")[0] for text in texts] == [
        f"First, from 3 March 2025 to 16 March 2025: {tablets} 1 tablet once a day, in the morning",
        f"Then, from 17 March 2025 to 30 March 2025: {tablets} 2 tablets in the morning",
        f"Also, from 17 March 2025 to 30 March 2025: {tablets} 1 tablet at bedtime",
    ]


def test_several_steps_of_one_order_follow_one_another_by_number_and_by_word(
    wording: Wording, catalogue: Catalogue
) -> None:
    one, two = of("15"), of("15", "2")
    grains = catalogue.preparations[GRAINS]
    first, second = written(
        wording,
        use(line(grains, one), one, 0, 13),
        use(line(grains, two), two, 14, 27),
    )
    assert [first["sequence"], second["sequence"]] == [1, 2]
    assert first["text"].startswith(
        "First, from 3 March 2025 to 16 March 2025: desiccated thyroid 15 mg tablets: take 1"
    )
    assert second["text"].startswith("Then, from 17 March 2025 to 30 March 2025: ")
    assert second["timing"]["repeat"]["boundsPeriod"] == {
        "start": "2025-03-17", "end": "2025-03-30",
    }  # fmt: skip


def test_an_order_of_a_branch_says_first_that_it_waits_for_a_word(
    wording: Wording, catalogue: Catalogue
) -> None:
    piece = of("15")
    branch = Scope("tsh-high", "option", "TSH is high")
    (dosage,) = written(
        wording, use(line(catalogue.preparations[GRAINS], piece), piece), scope=branch
    )
    assert dosage["text"].startswith(
        "Only if your prescriber tells you so (TSH is high). Desiccated thyroid 15 mg tablets: take"
    )


def test_what_is_handed_out_lasts_for_the_days_and_the_reserve(
    wording: Wording, catalogue: Catalogue
) -> None:
    """14 days of half a tablet and 7 in reserve: 10½, so 11 tablets for 21 days."""
    piece = of("100", "1/2")
    made = prescription(use(line(catalogue.preparations[LT4], piece), piece))
    handed = dispense(wording, made, 0)
    assert handed["numberOfRepeatsAllowed"] == 0
    supply = {key: (int(handed[key]["value"]), handed[key]["code"])
              for key in ("quantity", "expectedSupplyDuration")}  # fmt: skip
    assert supply == {"quantity": (11, "{tbl}"), "expectedSupplyDuration": (21, "d")}


def test_a_line_of_the_pharmacy_list_says_until_when_it_lasts(
    wording: Wording, catalogue: Catalogue
) -> None:
    piece = of("60")
    made = prescription(use(line(catalogue.preparations[GRAINS], piece), piece, 14, 27))
    assert fetched(wording, made) == (
        "17 March 2025", "desiccated thyroid 60 mg tablet", "21", "6 April 2025",
    )  # fmt: skip


def test_the_tablets_of_a_course_are_counted_strength_by_strength(catalogue: Catalogue) -> None:
    both = line(catalogue.preparations[GRAINS], of("60"), of("15", "1/2"))
    assert needed(OrderedCourse(both, Stage.CLIMB, 0, 12)) == "13 + 7"
    as_before = LineDose(catalogue.preparations[GRAINS], Fraction(120), SwitchPart.OLD, None)
    assert needed(OrderedCourse(as_before, Stage.CLIMB, 0, 12)) == ""
