"""What a draw on the way says: at which values it holds, takes back or keeps, and what never."""

from dataclasses import replace

import pytest
from tests.unit.reading.records import CODES
from tests.unit.safety.patients import CLEAR, RULES, known, patient
from tests.unit.writing.answers import intended, period, resources, written
from tests.unit.writing.plans import HOLD, levothyroxine_to_desiccated, to_combination

from crossgrain.dosing.plan import LabDraw
from crossgrain.safety.checks import Baseline
from crossgrain.safety.results import tsh_limits
from crossgrain.writing.interim import interim_rule

STATES = {
    "usual": CLEAR,
    "70 years": patient(age_years=70),
    "a goal": patient(goals=known("tsh-suppression-goal")),
    "pregnant": patient(pregnant=True),
    "central": patient(conditions=known("central-hypothyroidism")),
}
ON_THE_WAY = LabDraw(21, "interim", "On the way", 60, read_before=28)


def on_the_way(proposal=None, draw=ON_THE_WAY, facts=CLEAR, **more):
    """A proposal with one draw between baseline and checkpoint."""
    made = replace(proposal or levothyroxine_to_desiccated(), **more)
    first, last = made.plan.labs
    labs = (first, draw, last)
    return replace(made, plan=replace(made.plan, labs=labs), tsh=tsh_limits(facts, RULES))


def notes(proposal, draw_on="2024-05-22"):
    """What the request for TSH of that draw says; day 21 from 1 May 2024 is 22 May."""
    for request in intended(written(proposal), "ServiceRequest", "proposal"):
        coded = request["code"]["coding"][0]["code"]
        if coded == "3016-3" and request["occurrenceDateTime"] == draw_on:
            return [note["text"] for note in request["note"]]
    raise AssertionError(f"no TSH on {draw_on}")


def test_a_draw_on_the_way_raises_nothing_and_says_so():
    said = notes(on_the_way())
    assert any("No result of it raises a dose or brings a step forward" in text for text in said)
    assert "To be read before the step of 29 May 2024." in said
    assert "Any other result: go on as ordered." in said


def test_it_is_no_steady_state_and_names_the_day_from_which_it_is():
    assert any("steady from 30 June 2024 on" in text for text in notes(on_the_way()))


def test_a_low_tsh_keeps_the_rise_and_lets_the_old_medicine_fall():
    (held,) = [text for text in notes(on_the_way()) if "does not rise" in text]
    # lower limit where the laboratory gives none: 0.4 mIU/L (secondary)
    assert held.startswith("TSH below the laboratory's range (below 0.4 mIU/L where it gives none)")
    assert "free T3 above the laboratory's range" in held
    assert "desiccated thyroid does not rise in that step" in held
    assert "levothyroxine sodium may fall as ordered" in held


def test_a_suppressed_tsh_takes_the_last_rise_back_by_name_and_dose():
    # below 0.1: over-replaced (Am Fam Physician 2017;95:710)
    (back,) = [text for text in notes(on_the_way()) if "go back to" in text]
    assert back.startswith("TSH below 0.1 mIU/L, a resting pulse above 100, or palpitations:")
    assert "go back to desiccated thyroid 15 mg a day" in back


def test_before_any_rise_there_is_none_to_take_back():
    early = replace(ON_THE_WAY, day=7, read_before=14)
    said = notes(on_the_way(draw=early), "2024-05-08")
    assert not [text for text in said if "go back to" in text]
    assert [text for text in said if "nothing rises before the prescriber has decided" in text]


def test_a_tsh_far_above_keeps_the_old_medicine_where_it_is_and_raises_nothing():
    (kept,) = [text for text in notes(on_the_way()) if text.startswith("TSH above 10 mIU/L")]
    assert "levothyroxine sodium does not fall in that step" in kept
    assert "missed doses" in kept


def test_symptoms_without_a_low_tsh_lower_nothing():
    assert any("no reason to lower" in text for text in notes(on_the_way()))


@pytest.mark.parametrize(
    ("state", "says", "never"),
    [
        ("usual", "TSH below 0.1 mIU/L", "the range that was set"),
        ("70 years", "TSH below 0.1 mIU/L", "the range that was set"),
        ("a goal", "TSH below the range that was set for this patient", "0.1 mIU/L"),
        ("pregnant", "a low TSH alone changes nothing in pregnancy", "TSH below"),
        ("central", "Free T4 above the laboratory's range (TSH is no guide", "TSH below"),
    ],
)
def test_the_values_are_the_patients_own(state, says, never):
    said = " ".join(notes(on_the_way(facts=STATES[state])))
    assert says in said
    assert never not in said


def test_in_central_hypothyroidism_a_low_free_t4_says_nothing_where_t3_is_swallowed():
    assert "Free T4 below" not in " ".join(notes(on_the_way(facts=STATES["central"])))


def test_an_order_of_the_step_waits_for_the_draw_and_no_other_order_does():
    orders = intended(written(on_the_way()), "MedicationRequest", "proposal")
    waiting = [o for o in orders if any("Not before the blood" in n["text"] for n in o["note"])]
    assert {period(order)[0] for order in waiting} == {
        period(order)[0] for order in orders if period(order)[0] == "2024-05-29"
    }
    for order in waiting:
        assert "Not before the blood test of 22 May 2024 has been read" in order["text"]["div"]


def test_what_an_order_waits_for_is_known_as_our_own_where_orders_are_read_again():
    made = replace(on_the_way(findings=(HOLD,)), baseline=Baseline(awaited_by=(HOLD.code,)))
    orders = intended(written(made), "MedicationRequest", "proposal")
    said = {note["text"] for order in orders for note in order["note"]}
    waits = {text for text in said if text.startswith("Not before")}
    assert len(waits) == 2
    assert all(CODES.phrases.is_own_note(text) for text in waits)


def test_a_draw_that_no_step_follows_says_so():
    said = notes(on_the_way(draw=replace(ON_THE_WAY, day=70, read_before=None)), "2024-07-10")
    assert "No step follows it before the labs that decide." in said


def test_the_rule_stands_once_in_the_care_plan_and_only_where_there_is_such_a_draw():
    for made, there in ((on_the_way(), True), (levothyroxine_to_desiccated(), False)):
        (plan,) = resources(written(made), "CarePlan")
        assert (plan["text"]["div"].count("No result of it raises a dose") == 1) is there
        assert bool(interim_rule(made.tsh, made.plan)) is there


def test_a_low_tsh_holds_the_medicine_that_rises_and_names_no_other():
    made = to_combination()
    draw = replace(ON_THE_WAY, day=9, read_before=14)
    (held,) = [t for t in notes(on_the_way(made, draw), "2024-05-10") if "does not rise" in t]
    assert "liothyronine sodium does not rise in that step" in held
    assert "levothyroxine sodium may fall as ordered" in held
