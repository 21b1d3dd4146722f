"""Courses become one MedicationRequest per product: codes, doses, dates, dispense, words."""

from dataclasses import replace
from decimal import Decimal
from fractions import Fraction

import pytest
from tests.unit.writing.answers import doses, intended, period, product, walk, written
from tests.unit.writing.plans import (
    CODES,
    GRAIN_60,
    LT3,
    LT4,
    SUPPLY,
    desiccated_to_levothyroxine,
    dose,
    entry,
    levothyroxine_to_desiccated,
    old_order_outlasts_the_series,
    proposal,
    record,
    taken,
    to_combination,
)

from crossgrain.dosing.case import order_line
from crossgrain.dosing.steps import Stage, Step, SwitchPart, courses
from crossgrain.dosing.supply import prescriptions
from crossgrain.dosing.tablets import best_day_dose
from crossgrain.safety.results import TshLimits, Whose
from crossgrain.writing.conditions import T3InPlan, conditions_by
from crossgrain.writing.dosage import EMPTY_STOMACH
from crossgrain.writing.draw_expressions import Draw
from crossgrain.writing.letterhead import SERIES, letterhead_for
from crossgrain.writing.orders import medication_requests


def orders_for(*lines, first=0, last=13, scope=SERIES):
    letter = letterhead_for(proposal(record(entry(LT4, 100))), "0.1.0", CODES)
    merged = courses((Step(Stage.CLIMB, first, last, lines),))
    made = prescriptions(merged, replace(SUPPLY, reserve_days=0), ())
    return list(medication_requests(letter, scope, merged, made))


def test_the_old_medicine_going_on_as_taken_needs_no_new_order():
    assert orders_for(taken(LT4, 100)) == []


@pytest.mark.parametrize(
    "line", [taken(LT4, 75), taken(LT3, 5, SwitchPart.NEW), taken(GRAIN_60, 15, SwitchPart.NEW)]
)
def test_a_dose_without_tablets_that_is_not_taken_now_is_refused(line):
    with pytest.raises(ValueError, match="is not taken now"):
        orders_for(line)


def test_a_dose_of_two_strengths_is_two_requests_that_name_each_other():
    sixty, fifteen = orders_for(dose(GRAIN_60, "67.5"))
    assert [product(sixty), product(fifteen)] == [
        "desiccated thyroid 60 mg tablet",
        "desiccated thyroid 15 mg tablet",
    ]
    assert doses(sixty) == {"ordered": (Decimal(1), "{tbl}"), "calculated": (Decimal(60), "mg")}
    assert doses(fifteen) == {
        "ordered": (Decimal("0.5"), "{tbl}"),
        "calculated": (Decimal("7.5"), "mg"),
    }
    assert "together with half a tablet of 15 mg: 67.5 mg" in sixty["dosageInstruction"][0]["text"]


def test_a_verified_clinical_drug_code_goes_out():
    (order,) = orders_for(dose(GRAIN_60, 15))
    coding = order["medicationCodeableConcept"]["coding"][0]
    # Value set 2.16.840.1.113883.3.464.1003.196.12.1354
    assert (coding["code"], coding["display"]) == ("314267", "thyroid (USP) 15 MG Oral Tablet")


def test_without_a_verified_code_the_text_goes_out_with_the_ingredient():
    (order,) = orders_for(dose(LT4, 75))
    assert product(order) == "levothyroxine sodium 75 microgram tablet"
    assert [c["code"] for c in order["medicationCodeableConcept"]["coding"]] == ["10582"]


def test_without_any_code_the_text_goes_out_alone():
    (order,) = orders_for(dose(LT3, 5))
    assert order["medicationCodeableConcept"] == {"text": "liothyronine sodium 5 microgram tablet"}


def test_two_doses_a_day_are_half_the_pieces_twice():
    (order,) = orders_for(dose(LT3, 10, per_day=2))
    instruction = order["dosageInstruction"][0]
    repeat = instruction["timing"]["repeat"]
    assert (repeat["frequency"], repeat["period"], repeat["periodUnit"]) == (2, 1, "d")
    assert doses(order) == {"ordered": (Decimal(1), "{tbl}"), "calculated": (Decimal(5), "ug")}
    assert "take 1 tablet twice a day" in instruction["text"]


def test_what_differs_by_the_time_of_day_is_an_instruction_for_each_time():
    made = best_day_dose(LT3, Fraction(15))
    line = order_line(LT3, Fraction(15), SwitchPart.NEW, made)
    (order,) = orders_for(line)
    morning, bedtime = order["dosageInstruction"]
    assert [i["sequence"] for i in (morning, bedtime)] == [1, 1]
    for instruction, when, tablets, words in (
        (morning, "MORN", 2, "take 2 tablets in the morning"),
        (bedtime, "HS", 1, "take 1 tablet at bedtime"),
    ):
        repeat = instruction["timing"]["repeat"]
        # HL7 event timing; the service's own reader adds the two up
        assert (repeat["frequency"], repeat["when"]) == (1, [when])
        assert instruction["doseAndRate"][0]["doseQuantity"]["value"] == tablets
        assert words in instruction["text"]
        assert "The whole day's dose is 15 micrograms" in instruction["text"]
    assert order["dispenseRequest"]["quantity"]["value"] == 3 * 14


def test_steps_of_one_product_are_numbered_instructions_of_one_order():
    letter = letterhead_for(proposal(record(entry(LT4, 100))), "0.1.0", CODES)
    steps = (
        Step(Stage.CLIMB, 0, 13, (dose(GRAIN_60, "7.5"),)),
        Step(Stage.CLIMB, 14, 27, (dose(GRAIN_60, 15),)),
        Step(Stage.CLIMB, 28, 41, (dose(GRAIN_60, "22.5"),)),
    )
    merged = courses(steps)
    made = prescriptions(merged, SUPPLY, ())
    (order,) = medication_requests(letter, SERIES, merged, made)
    instructions = order["dosageInstruction"]
    assert [i["sequence"] for i in instructions] == [1, 2, 3]
    assert [tuple(i["timing"]["repeat"]["boundsPeriod"].values()) for i in instructions] == [
        ("2024-05-01", "2024-05-14"),
        ("2024-05-15", "2024-05-28"),
        ("2024-05-29", "2024-06-11"),
    ]
    assert [i["text"].partition(", on")[0] for i in instructions] == [
        "First, from 1 May 2024 to 14 May 2024: desiccated thyroid 15 mg tablets: take half a"
        " tablet once a day, in the morning",
        "Then, from 15 May 2024 to 28 May 2024: desiccated thyroid 15 mg tablets: take 1 tablet"
        " once a day, in the morning",
        "Then, from 29 May 2024 to 11 June 2024: desiccated thyroid 15 mg tablets: take 1 and a"
        " half tablets once a day, in the morning",
    ]
    # 7, 14 and 21 tablets, and 21 in reserve
    assert order["dispenseRequest"]["quantity"]["value"] == 7 + 14 + 21 + 21
    assert order["dispenseRequest"]["expectedSupplyDuration"]["value"] == 42 + 14
    assert any("14 days further" in note["text"] for note in order["note"])


def test_in_a_sequence_the_dose_at_bedtime_is_taken_also_on_the_same_days():
    def made_of(amount):
        return order_line(
            LT3, Fraction(amount), SwitchPart.NEW, best_day_dose(LT3, Fraction(amount))
        )

    letter = letterhead_for(proposal(record(entry(LT4, 100))), "0.1.0", CODES)
    steps = (
        Step(Stage.CLIMB, 0, 13, (made_of(10),)),
        Step(Stage.CLIMB, 14, 27, (made_of(15),)),
    )
    merged = courses(steps)
    (order,) = medication_requests(letter, SERIES, merged, prescriptions(merged, SUPPLY, ()))
    said = [(i["sequence"], i["text"].partition(": ")[0]) for i in order["dosageInstruction"]]
    assert said == [
        (1, "First, from 1 May 2024 to 14 May 2024"),
        (2, "Then, from 15 May 2024 to 28 May 2024"),
        (2, "Also, from 15 May 2024 to 28 May 2024"),
    ]


def test_units_are_written_in_full_beside_their_ucum_code():
    # "mcg", "ug" and "tab" are misread; UCUM: https://ucum.org
    sixty, _ = orders_for(dose(GRAIN_60, "67.5"))
    (hundred,) = orders_for(dose(LT4, 100))
    units = {
        (quantity["unit"], quantity["code"])
        for order in (sixty, hundred)
        for _, quantity in walk(order)
        if isinstance(quantity, dict) and quantity.get("system") == "http://unitsofmeasure.org"
    }
    assert units == {
        ("tablet", "{tbl}"),
        ("microgram", "ug"),
        ("milligram", "mg"),
        ("day", "d"),
    }


def test_the_dates_are_the_first_and_the_last_day_of_the_course():
    (order,) = orders_for(dose(GRAIN_60, 15), first=14, last=27)
    assert period(order) == ("2024-05-15", "2024-05-28")  # day 0 is 1 May 2024
    assert "From 15 May 2024 to 28 May 2024." in order["dosageInstruction"][0]["text"]


@pytest.mark.parametrize(
    ("amount", "days", "tablets"),
    [("15", 14, 14), ("7.5", 14, 7), ("7.5", 13, 7), ("7.5", 1, 1), ("22.5", 3, 5)],
)
def test_the_dispense_covers_the_period_with_halves_rounded_up(amount, days, tablets):
    line = dose(GRAIN_60, amount)
    if amount == "22.5":  # one and a half of 15 mg: 4.5 tablets for 3 days
        assert [(p.strength, p.count) for p in line.tablets.pieces] == [(15, Decimal("1.5"))]
    (order,) = orders_for(line, last=days - 1)
    dispensed = order["dispenseRequest"]
    assert dispensed["quantity"]["value"] == tablets
    assert dispensed["quantity"]["code"] == "{tbl}"
    supply = dispensed["expectedSupplyDuration"]
    assert (supply["value"], supply["code"]) == (days, "d")
    assert dispensed["numberOfRepeatsAllowed"] == 0


@pytest.mark.parametrize(("preparation", "expected"), [(LT4, True), (GRAIN_60, True), (LT3, False)])
def test_what_carries_t4_is_taken_on_an_empty_stomach(preparation, expected):
    (order,) = orders_for(dose(preparation, preparation.strengths[0]))
    instruction = order["dosageInstruction"][0]
    assert (EMPTY_STOMACH in instruction["text"]) is expected
    assert ("additionalInstruction" in instruction) is expected


def test_what_must_be_said_of_a_dose_is_in_its_note():
    (order,) = orders_for(dose(LT3, 5, note="Half of it cannot be ordered, so once a day."))
    assert order["note"][0]["text"] == "Half of it cannot be ordered, so once a day."


def test_a_findings_instruction_stands_in_every_dosage_text():
    orders = written(levothyroxine_to_desiccated())
    for order in intended(orders, "MedicationRequest", "proposal"):
        assert order["dosageInstruction"][0]["text"].endswith("Take calcium in the evening.")


def test_taper_doses_name_the_request_that_they_replace():
    bundle = written(levothyroxine_to_desiccated())
    orders = intended(bundle, "MedicationRequest", "proposal")
    tapers = [o for o in orders if product(o).startswith("levothyroxine")]
    assert len(tapers) == 2
    assert all(o["priorPrescription"] == {"reference": "MedicationRequest/old-1"} for o in tapers)
    climbs = [o for o in orders if product(o).startswith("desiccated")]
    assert len(climbs) == 5  # 15, 30, 30 and 15, and 60 mg
    assert not any("priorPrescription" in o or "supportingInformation" in o for o in climbs)


def test_taper_doses_name_the_statement_as_supporting_information():
    bundle = written(desiccated_to_levothyroxine())
    orders = intended(bundle, "MedicationRequest", "proposal")
    (taper,) = [o for o in orders if product(o) == "desiccated thyroid 48.75 mg tablet"]
    assert taper["supportingInformation"] == [{"reference": "MedicationStatement/old-1"}]
    assert "priorPrescription" not in taper


def test_a_shared_medicine_replaces_every_order_that_it_was_taken_by():
    bundle = written(to_combination())
    orders = intended(bundle, "MedicationRequest", "proposal")
    (lower,) = [o for o in orders if product(o) == "levothyroxine sodium 125 microgram tablet"]
    assert lower["priorPrescription"] == {"reference": "MedicationRequest/old-1"}
    assert lower["supportingInformation"] == [{"reference": "MedicationRequest/old-2"}]


def test_a_hold_is_marked_on_every_order():
    bundle = written(levothyroxine_to_desiccated())
    orders = intended(bundle, "MedicationRequest", "proposal")
    assert len(orders) == 7
    for order in orders:
        (issue,) = order["detectedIssue"]
        (held,) = [e["resource"] for e in bundle["entry"] if e["fullUrl"] == issue["reference"]]
        assert held["severity"] == "moderate"
        assert any("Agree the pace with the cardiologist." in n["text"] for n in order["note"])
        assert "Agree the pace with the cardiologist." in order["text"]["div"]


def test_what_was_read_from_text_is_to_be_confirmed_on_every_order():
    orders = intended(written(desiccated_to_levothyroxine()), "MedicationRequest", "proposal")
    assert orders
    assert all(any("Is it once a day?" in n["text"] for n in o["note"]) for o in orders)


def test_a_branch_that_keeps_the_old_order_gives_no_second_order_for_it():
    bundle = written(old_order_outlasts_the_series())
    options = intended(bundle, "MedicationRequest", "option")
    levothyroxine = [o for o in options if product(o).startswith("levothyroxine")]
    assert [period(o) for o in levothyroxine] == [("2024-07-10", "2024-08-29")]


def test_only_generic_substitution_is_allowed():
    (order,) = orders_for(dose(GRAIN_60, 15))
    allowed = order["substitution"]["allowedCodeableConcept"]
    assert allowed["coding"][0]["code"] == "G"  # HL7 v3 substanceAdminSubstitution
    assert "another grain family" in allowed["text"]


def test_the_old_and_the_new_dose_of_one_day_are_told_apart_by_part():
    new, old = orders_for(dose(LT4, 50, SwitchPart.OLD), dose(GRAIN_60, 15))
    assert "priorPrescription" in old
    assert "priorPrescription" not in new


@pytest.mark.parametrize("whose", Whose)
@pytest.mark.parametrize(
    "t3", [T3InPlan(True, True), T3InPlan(True, False), T3InPlan(False, False)]
)
def test_each_branch_says_its_condition_in_words_that_are_read_again(whose, t3):
    numbers = ("0.4", "4", "70", "6", "0.1", "2.5", "0.1", "10", "100")
    limits = TshLimits(whose, *map(Fraction, numbers))
    for condition in conditions_by(limits, t3, Draw(CODES.labs)).values():
        scope = replace(SERIES, condition=condition.words)
        (order,) = orders_for(dose(LT4, 100), scope=scope)
        (instruction,) = order["dosageInstruction"]
        assert condition.words in instruction["text"]
        read = CODES.phrases.read_sig(instruction["text"])
        assert read is not None, instruction["text"]
        assert [part.amount.value for part in read.parts] == [1]
        for words in scope.only_if:
            assert CODES.phrases.is_own_note(words), words
