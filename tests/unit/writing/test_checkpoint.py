"""The checkpoint: exactly one of its options, each a condition and requests that exist."""

from dataclasses import replace

import pytest
from tests.unit.safety.patients import CLEAR, RULES, known, patient
from tests.unit.writing.answers import intended, only, written
from tests.unit.writing.plans import (
    CODES,
    PLANNED,
    THREE,
    desiccated_to_levothyroxine,
    levothyroxine_to_desiccated,
)

from crossgrain.dosing.plan import LabReading
from crossgrain.names.identity import FhirVersion
from crossgrain.safety.results import tsh_limits
from crossgrain.writing.condition_notes import anyones, left_open
from crossgrain.writing.conditions import T3InPlan, conditions_by, conditions_for
from crossgrain.writing.draw_expressions import Draw, Window

DRAW = Draw(CODES.labs, Window("2024-07-30", "2024-08-07"))
"""Of the plan of `levothyroxine_to_desiccated`."""

NO_T3, T3_STAYS, T3_RISES = (
    T3InPlan(swallowed=False, rises=False),
    T3InPlan(swallowed=True, rises=False),
    T3InPlan(swallowed=True, rises=True),
)
STATES = {
    "usual": patient(age_years=69),
    "70 years": patient(age_years=70),
    "pregnant": patient(pregnant=True, age_years=34),
    "a goal": patient(goals=known("tsh-suppression-goal")),
    "central": patient(conditions=known("central-hypothyroidism")),
}


def group_of(bundle):
    (group,) = only(bundle, "RequestGroup")["action"]
    return group


@pytest.mark.parametrize("name", PLANNED)
def test_one_group_offers_exactly_one_of_three(name):
    bundle = written(PLANNED[name]())
    group = group_of(bundle)
    assert group["selectionBehavior"] == "exactly-one"
    assert [option["title"] for option in group["action"]] == [
        "TSH high",
        "TSH in range",
        "TSH low, or free T3 high",
    ]


@pytest.mark.parametrize("name", PLANNED)
def test_every_option_is_made_of_requests_and_every_optional_request_belongs_to_one(name):
    bundle = written(PLANNED[name]())
    listed = [
        [leaf["resource"]["reference"] for leaf in option["action"]]
        for option in group_of(bundle)["action"]
    ]
    optional = [
        entry["fullUrl"] for entry in bundle["entry"] if entry["resource"].get("intent") == "option"
    ]
    assert all(listed)
    assert all(len(set(option)) == len(option) for option in listed)
    assert sorted({leaf for option in listed for leaf in option}) == sorted(optional)


def own_conditions(proposal):
    return conditions_for(proposal.tsh, proposal.plan, DRAW)


def test_each_option_has_a_fhirpath_condition_and_its_words():
    proposal = levothyroxine_to_desiccated()
    conditions = own_conditions(proposal)
    for option, reading in zip(group_of(written(proposal))["action"], THREE, strict=True):
        (condition,) = option["condition"]
        assert condition["kind"] == "applicability"
        assert condition["expression"]["language"] == "text/fhirpath"
        assert condition["expression"]["expression"] == conditions[reading].expression
        assert conditions[reading].words in option["description"]


def test_what_the_conditions_are_evaluated_on_is_noted_on_the_group():
    group = only(written(levothyroxine_to_desiccated()), "RequestGroup")
    note = group["note"][0]["text"]
    assert "a Bundle of this draw: its Observations dated 2024-07-30 to 2024-08-07" in note
    assert "one QuestionnaireResponse to http://crossgrain.example/fhir/Questionnaire/how" in note
    assert "0.4 to 4.0 mIU/L is used" in note
    assert "above 100 a minute" in note
    for option in group["action"][0]["action"]:
        expression = option["condition"][0]["expression"]["expression"]
        assert "'2024-07-30' and $this <= '2024-08-07'" in expression
        assert "%" not in expression


OWN = "iif(RANGE.high.exists(), RANGE.high.value, 4.0)"


# American Thyroid Association 2014, as summarised: 4-6 acceptable at 70-80 years. ATA 2017
# pregnancy guideline, quick reference: the trimester's range or below 2.5.
@pytest.mark.parametrize(
    ("state", "says"),
    [
        ("usual", f"VALUE > {OWN} and VALUE <= 10.0, false"),
        ("70 years", f"VALUE > iif({OWN} > 6.0, {OWN}, 6.0)"),
        ("pregnant", f"VALUE > iif({OWN} < 2.5, {OWN}, 2.5)"),
        ("a goal", "VALUE > referenceRange.where(type.coding.exists(code = 'therapeutic')).high."),
        ("central", "VALUE >= RANGE.low.value and VALUE < (RANGE.low.value + RANGE.high.value)"),
    ],
)
def test_a_raise_is_conditional_on_the_patients_own_limit(state, says):
    conditions = conditions_by(tsh_limits(STATES[state], RULES), NO_T3, DRAW)
    says = says.replace("VALUE", "value.ofType(Quantity).value").replace("RANGE", "referenceRange")
    assert says in conditions[LabReading.HIGH].expression
    assert ("'3016-3'" in conditions[LabReading.HIGH].expression) == (state != "central")


def test_the_group_and_the_orders_of_a_branch_name_the_patients_own_limit():
    proposal = levothyroxine_to_desiccated()
    facts = replace(proposal.record.facts, age_years=70)
    older = replace(proposal, tsh=tsh_limits(facts, RULES))
    bundle = written(older)
    raised = group_of(bundle)["action"][0]
    assert " > 6.0, iif(" in raised["condition"][0]["expression"]["expression"]
    assert "from 70 years up to 6.0 mIU/L" in raised["description"]
    options = intended(bundle, "MedicationRequest", "option")
    assert any("from 70 years up to 6.0" in order["note"][0]["text"] for order in options)


def test_central_hypothyroidism_with_swallowed_t3_never_rises_by_a_result():
    conditions = conditions_by(tsh_limits(STATES["central"], RULES), T3_RISES, DRAW)
    for reading in (LabReading.VERY_HIGH, LabReading.HIGH, LabReading.HIGH_FREE_T3):
        assert conditions[reading].expression == "false"
        assert "the endocrinologist asks for" in conditions[reading].words
    assert conditions[LabReading.IN_RANGE].expression == "false"
    assert "the endocrinologist agrees" in conditions[LabReading.IN_RANGE].words


@pytest.mark.parametrize("reading", [LabReading.LOW, LabReading.VERY_LOW])
def test_a_low_tsh_lowers_nothing_in_pregnancy(reading):
    condition = conditions_by(tsh_limits(STATES["pregnant"], RULES), T3_STAYS, DRAW)[reading]
    assert condition.expression == "false"
    assert "the specialist asks for less" in condition.words


def test_the_checkpoint_says_which_results_are_asked_about():
    proposal = levothyroxine_to_desiccated()
    says = group_of(written(proposal))["description"]
    assert "Where a result is missing or not clear, or TSH is high and there are symptoms" in says
    assert "TSH is high and free T3 is above its range, none applies" in says
    assert "TSH is low" not in says
    assert "Free T4 below its range is expected where T3 is swallowed" in says


@pytest.mark.parametrize(
    ("state", "says"),
    [
        ("pregnant", "or TSH is low, none applies"),
        ("central", "or free T4 is low and there are symptoms"),
    ],
)
def test_what_is_asked_about_follows_the_patients_state(state, says):
    limits = tsh_limits(STATES[state], RULES)
    assert says in left_open(limits, levothyroxine_to_desiccated().plan)


def test_nothing_is_said_of_free_t4_where_no_t3_is_swallowed():
    limits = tsh_limits(CLEAR, RULES)
    plan = desiccated_to_levothyroxine().plan
    assert "Free T4" in left_open(limits, plan)  # what is left of the grains holds T3
    (step,) = plan.steps[-1:]
    lt4_alone = replace(step, lines=step.lines[1:])
    assert "Free T4" not in left_open(limits, replace(plan, steps=(*plan.steps[:-1], lt4_alone)))


def test_free_t3_has_a_say_in_a_raise_only_where_the_raise_adds_t3():
    limits = tsh_limits(CLEAR, RULES)
    for reading in (LabReading.VERY_HIGH, LabReading.HIGH):
        assert "'14928-6'" in conditions_by(limits, T3_RISES, DRAW)[reading].expression
        for other in (T3_STAYS, NO_T3):
            assert "'14928-6'" not in conditions_by(limits, other, DRAW)[reading].expression


def test_conditions_of_no_one_patient_are_those_of_the_usual_limits():
    limits = tsh_limits(STATES["70 years"], RULES)
    usual = conditions_by(tsh_limits(CLEAR, RULES), T3_RISES, Draw(CODES.labs))
    assert anyones(limits, CODES.labs) == usual


def test_a_conditional_dose_repeats_its_condition_in_text_and_note():
    proposal = levothyroxine_to_desiccated()
    options = intended(written(proposal), "MedicationRequest", "option")
    assert len(options) == 8
    words = [condition.words for condition in own_conditions(proposal).values()]
    for order in options:
        text = order["dosageInstruction"][0]["text"]
        (condition,) = [w for w in words if w in text]
        assert text.startswith("Only if your prescriber tells you so")
        assert order["note"][0]["text"] == f"Only if: {condition}."


def test_staying_is_a_request_that_continues_the_dose_of_the_hold():
    bundle = written(levothyroxine_to_desiccated())
    stay = group_of(bundle)["action"][1]
    titles = [leaf["title"] for leaf in stay["action"]]
    assert "desiccated thyroid 60 mg tablet, 2024-08-07 to 2024-11-17" in titles


def test_in_r5_the_group_is_a_request_orchestration():
    bundle = written(levothyroxine_to_desiccated(), FhirVersion.R5)
    assert only(bundle, "RequestOrchestration")["action"][0]["selectionBehavior"] == "exactly-one"
