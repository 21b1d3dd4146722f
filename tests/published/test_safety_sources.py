"""Labels, guidelines and reviews: what each says, and that the rules say the same.

The source stands beside each check. "From memory" and "common practice, no source" are said
where they are so.
"""

from dataclasses import replace
from fractions import Fraction

import pytest
from tests.unit.safety.patients import (
    CLEAR,
    RULES,
    TO_DESICCATED,
    TO_LT3,
    TO_LT4,
    known,
    parsed,
    patient,
    pulse,
    raised,
    tsh,
    with_conditions,
    with_labs,
)
from tests.unit.safety.plans import dose, plan
from tests.unit.safety.test_guards import CHARTS

from crossgrain.catalogue import load_catalogue
from crossgrain.catalogue.concerns import concerns_from
from crossgrain.dosing.policy import TodaysTsh
from crossgrain.dosing.targets import Target
from crossgrain.reading.codesystems import Atc, RxNorm
from crossgrain.safety.assess import after_plan, before_plan, constraints
from crossgrain.safety.facts import Intent
from crossgrain.safety.need import SHORTAGE, need_reading
from crossgrain.safety.rule import Finding, Severity

MEDICINES = concerns_from(parsed("safety_codes.toml")).medicines
ATC, RXNORM = Atc.system, RxNorm.system
ANY_TARGET = pytest.mark.parametrize("intent", [TO_LT4, TO_DESICCATED, TO_LT3])


def guarded(preparation: str, amount: str | int) -> dict[str, Finding]:
    found = after_plan(plan(dose(preparation, amount)), CLEAR, RULES)
    return {finding.code: finding for finding in found}


# Levothyroxine label, contraindications: "uncorrected adrenal insufficiency since thyroid
# hormones may precipitate an acute adrenal crisis". Liothyronine label (1/2020), section 4:
# "Uncorrected adrenal cortical insufficiency".
@ANY_TARGET
def test_uncorrected_adrenal_insufficiency_is_contraindicated(intent: Intent) -> None:
    found = raised(with_conditions("adrenal-insufficiency"), intent)
    assert found["adrenal-insufficiency"].severity is Severity.STOP


# Levothyroxine label, contraindications: "untreated subclinical (suppressed serum TSH level
# with normal T3 and T4 levels) or overt thyrotoxicosis of any etiology".
@pytest.mark.parametrize("intent", [TO_DESICCATED, TO_LT3])
def test_overt_and_subclinical_thyrotoxicosis_are_contraindicated(intent: Intent) -> None:
    assert raised(with_conditions("thyrotoxicosis"), intent)["thyrotoxicosis"].severity == "stop"
    assert raised(with_labs(tsh("0.05")), intent)["tsh-suppressed"].severity == "stop"


# Levothyroxine label, contraindications: "patients with acute myocardial infarction".
@ANY_TARGET
def test_acute_myocardial_infarction_is_contraindicated(intent: Intent) -> None:
    found = raised(with_conditions("myocardial-infarction", day=-3), intent)
    assert found["recent-myocardial-infarction"].severity is Severity.STOP


# Boxed warning of the levothyroxine and liothyronine labels: not for obesity or weight loss;
# in euthyroid patients, doses within the daily requirement do not reduce weight, and larger
# ones may be life-threatening.
@pytest.mark.parametrize("reason", ["obesity", "weight-loss", "euthyroid"])
def test_hormone_is_not_for_obesity_weight_loss_or_euthyroid_people(reason: str) -> None:
    found = raised(patient(indications=known(reason)))
    assert found["not-for-replacement"].severity is Severity.STOP


# American Thyroid Association 2017 pregnancy guideline, quick reference: "Other thyroid
# preparations such as T3 or desiccated thyroid should NOT be used in pregnancy"; Jonklaas et
# al., Endocr Rev 2021, says the same of combination therapy.
@pytest.mark.parametrize("intent", [TO_DESICCATED, TO_LT3])
def test_t3_and_desiccated_thyroid_are_not_for_pregnancy(intent: Intent) -> None:
    assert raised(patient(pregnant=True), intent)["pregnant-t3-target"].severity == "stop"


# The same quick reference: the treatment is oral LT4, TSH "approximately every 4 weeks until
# mid-gestation, and at least once near 30 weeks".
def test_in_pregnancy_tsh_is_drawn_every_four_weeks() -> None:
    findings = before_plan(patient(pregnant=True), TO_LT4, RULES)
    assert constraints(findings, RULES).tsh_every_days == 4 * 7
    (finding,) = (f for f in findings if f.code == "pregnant-moving-to-lt4")
    assert "every 4 weeks until mid-gestation and once near 30 weeks" in finding.action


# American Thyroid Association 2017 pregnancy guideline (from memory): on levothyroxine, a newly
# confirmed pregnancy asks for 20-30 % more at once, such as two additional tablets weekly; after
# delivery the dose of before, and TSH at about 6 weeks.
def test_a_pregnancy_on_levothyroxine_without_a_tsh_names_what_the_guideline_advises() -> None:
    old = (tsh("1.8", -29), pulse(70))
    finding = raised(patient(pregnant=True, measurements=old), TO_LT4)["pregnant-on-levothyroxine"]
    assert "20-30 %" in finding.action
    assert finding.action.startswith("Draw TSH today")
    known_tsh = patient(pregnant=True, measurements=(tsh("1.8", -28), pulse(70)))
    assert "pregnant-on-levothyroxine" not in raised(known_tsh, TO_LT4)


def test_after_a_pregnancy_the_dose_of_before_it_is_named_and_tsh_in_six_weeks() -> None:
    ended = patient(made_for_pregnancy=True, pregnant=False)
    finding = raised(ended, TO_LT4)["pregnancy-ended"]
    assert "taken before the pregnancy" in finding.action
    assert "TSH 6 weeks after" in finding.action
    still = patient(
        made_for_pregnancy=True, pregnant=False, conditions=known("hypothyroidism-in-pregnancy")
    )
    assert "pregnancy-ended" not in raised(still, TO_LT4)


# European Thyroid Association 2018 on central hypothyroidism, doi 10.1159/000491388 (from memory):
# adrenal insufficiency is ruled out, or treated, before levothyroxine.
@pytest.mark.parametrize("intent", [TO_DESICCATED, TO_LT3])
def test_before_hormone_rises_in_pituitary_disease_the_adrenals_are_looked_at(
    intent: Intent,
) -> None:
    pituitary = with_conditions("central-hypothyroidism")
    finding = raised(pituitary, intent)["adrenal-reserve-unknown"]
    assert finding.severity is Severity.HOLD
    assert "adrenal reserve" in finding.action
    assert "adrenal-reserve-unknown" not in raised(pituitary, TO_LT4)  # nothing rises
    both = with_conditions("central-hypothyroidism", "adrenal-insufficiency")
    assert "adrenal-reserve-unknown" not in raised(both, intent)  # stopped already


# Hauge et al., Expert Opin Drug Metab Toxicol 2021, doi 10.1080/17425255.2021.1955856: 33 % more
# exposure to levothyroxine with semaglutide tablets.
@ANY_TARGET
def test_semaglutide_asks_for_a_tsh_where_it_is_the_tablet(intent: Intent) -> None:
    found = raised(patient(medicines=known("semaglutide")), intent)
    assert "33 %" in found["oral-semaglutide"].statement
    assert "TSH 6 weeks after" in found["oral-semaglutide"].action
    assert "antidiabetics" in found


# Virili et al., Endocr Rev 2019;40:118 (from memory): coeliac disease and bypass surgery.
@pytest.mark.parametrize("condition", ["coeliac-disease", "bariatric-surgery"])
@ANY_TARGET
def test_a_gut_that_absorbs_less_is_told_of(condition: str, intent: Intent) -> None:
    assert "malabsorption" in raised(with_conditions(condition), intent)


# Am Fam Physician 2017;95:710-716: treat TSH below 0.1 mIU/L in those older than 65 or with
# heart disease or osteoporosis. Here such a patient never passes without a hold.
@pytest.mark.parametrize(
    ("age", "condition", "code"),
    [
        (66, "hypothyroidism", "age-65-or-over"),
        (50, "coronary-disease", "coronary-disease"),
        (50, "osteoporosis", "osteoporosis"),
    ],
)
def test_a_suppressed_tsh_matters_most_with_age_heart_disease_and_osteoporosis(
    age: int, condition: str, code: str
) -> None:
    facts = patient(
        age_years=age,
        conditions=known("hypothyroidism", condition),
        measurements=(tsh("0.09"),),
    )
    found = raised(facts, TO_LT4)
    assert found["tsh-low"].severity is Severity.HOLD
    assert found[code].severity is Severity.HOLD


# Liothyronine label: maintenance 25-75 µg a day.
@pytest.mark.parametrize(("lt3_ug", "held"), [(25, False), (75, False), (80, True)])
def test_lt3_maintenance_is_25_to_75_ug(lt3_ug: int, held: bool) -> None:
    assert ("t3-above-75" in guarded("liothyronine", lt3_ug)) is held


# Desiccated thyroid labels: "Failure to respond to doses of 195 mg suggests lack of compliance
# or malabsorption" (65 mg per grain); 180 mg/day where a grain is 60 mg, as quoted in a dosage
# reference.
@pytest.mark.parametrize(
    ("family", "mg", "held"),
    [
        ("desiccated-thyroid-60", 180, False),
        ("desiccated-thyroid-60", 195, True),
        ("desiccated-thyroid-65", 195, False),
        ("desiccated-thyroid-65", "211.25", True),
    ],
)
def test_desiccated_thyroid_past_three_grains_suggests_another_cause(
    family: str, mg: str | int, held: bool
) -> None:
    assert ("desiccated-above-usual" in guarded(family, mg)) is held


# Levothyroxine label (secondary): above 200 µg a day seldom needed; above 300 µg suggests poor
# compliance, malabsorption or an interaction.
@pytest.mark.parametrize(("lt4_ug", "held"), [(200, False), (300, False), (325, True)])
def test_lt4_past_300_ug_suggests_another_cause(lt4_ug: int, held: bool) -> None:
    assert ("lt4-above-300" in guarded("levothyroxine", lt4_ug)) is held


# Levothyroxine label, administration: "at least 4 hours before or after drugs known to
# interfere with ... absorption"; a consumer reference of desiccated thyroid lists iron,
# aluminium, magnesium, calcium carbonate, sucralfate, colestipol and cholestyramine at 4 hours.
@ANY_TARGET
@pytest.mark.parametrize(
    "binder", ["iron", "aluminium", "magnesium", "calcium", "sucralfate", "bile-acid-resin"]
)
def test_binders_are_kept_four_hours_apart(intent: Intent, binder: str) -> None:
    found = raised(patient(medicines=known(binder)), intent)
    assert "at least 4 hours apart" in found["binders"].instruction


# Liothyronine label, drug interactions: 7.2 antidiabetic therapy, 7.3 oral anticoagulants,
# 7.4 digitalis glycosides, 7.6 ketamine, 7.7 sympathomimetics. Levothyroxine monograph:
# sertraline, carbamazepine, phenytoin, rifampicin, amiodarone, lithium, proton pump inhibitors.
@pytest.mark.parametrize(
    ("medicine", "code"),
    [
        ("insulin", "antidiabetics"),
        ("oral-antidiabetic", "antidiabetics"),
        ("warfarin", "warfarin"),
        ("digoxin", "digoxin"),
        ("ketamine", "ketamine"),
        ("sympathomimetic", "sympathomimetics"),
        ("sertraline", "need-may-rise"),
        ("carbamazepine", "need-may-rise"),
        ("phenytoin", "need-may-rise"),
        ("rifampicin", "need-may-rise"),
        ("oestrogen", "need-may-rise"),
        ("proton-pump-inhibitor", "proton-pump-inhibitor"),
        ("amiodarone", "amiodarone"),
        ("lithium", "lithium"),
    ],
)
@ANY_TARGET
def test_the_labels_interactions_are_said_for_every_target(
    medicine: str, code: str, intent: Intent
) -> None:
    assert code in raised(patient(medicines=known(medicine)), intent)


# thyroid.org 2022: 3-5 days at 10 mg a day; 2 days otherwise (secondary).
def test_biotin_is_stopped_before_bloods() -> None:
    action = raised(patient(medicines=known("biotin")))["biotin"].action
    assert "2 days before bloods, 5 at 10 mg" in action


# Desiccated thyroid label: 15 mg (16.25 mg) to start where cardiovascular impairment is
# suspected, "extreme caution"; liothyronine label 5.1 and 8.5: older people and heart disease.
@pytest.mark.parametrize("intent", [TO_DESICCATED, TO_LT3])
def test_heart_disease_and_age_start_with_the_smallest_step(intent: Intent) -> None:
    for facts in (with_conditions("heart-failure"), patient(age_years=65)):
        demanded = constraints(before_plan(facts, intent, RULES), RULES)
        assert demanded.slowly  # the cautious pace rises by the smallest increment


# American Geriatrics Society Beers Criteria, as quoted in a dosage reference: avoid
# desiccated thyroid at 65 or older.
def test_desiccated_thyroid_is_to_be_avoided_from_65_on() -> None:
    assert "desiccated-at-65" in raised(patient(age_years=65))
    assert "desiccated-at-65" not in raised(patient(age_years=65), TO_LT3)


# Desiccated thyroid is porcine (label); patient information: "allergic to ... pork".
def test_an_allergy_to_pork_stops_desiccated_thyroid() -> None:
    assert raised(patient(allergies=known("pork")))["allergy-pork"].severity is Severity.STOP


# Dosage reference: "has not been found by the US FDA to be safe and effective and the product
# labeling has not been approved".
def test_desiccated_thyroid_is_said_to_be_unapproved_in_the_us() -> None:
    assert "not an approved product in the US" in raised(CLEAR)["desiccated-unapproved"].statement


# Orlistat label, change of February 2009 (as the FDA lists it): "should be taken at least 4
# hours apart". Medsafe Prescriber Update 2022;43(2):20: "an interval of six hours".
# Pharmacotherapy 2006;26:881: apart by 12 hours. Levothyroxine label: 4 hours from bile acid
# sequestrants (from memory).
@pytest.mark.parametrize(
    ("medicine", "code", "hours"),
    [
        ("orlistat", "orlistat", "at least 4 hours apart from: orlistat"),
        ("ciprofloxacin", "ciprofloxacin", "at least 6 hours apart from: ciprofloxacin"),
        ("raloxifene", "raloxifene", "12 hours from a morning dose"),
        ("bile-acid-resin", "binders", "at least 4 hours apart from: bile acid resin"),
    ],
)
@ANY_TARGET
def test_what_hinders_absorption_is_kept_apart_by_its_hours(
    medicine: str, code: str, hours: str, intent: Intent
) -> None:
    finding = raised(patient(medicines=known(medicine)), intent)[code]
    assert hours in finding.instruction
    assert finding.severity is Severity.NOTE


# WHO ATC index: C10AC holds colestyramine, colestipol, colextran, colesevelam.
@pytest.mark.parametrize("code", ["C10AC01", "C10AC02", "C10AC03", "C10AC04"])
def test_bile_acid_resins_are_known_as_a_class(code: str) -> None:
    assert MEDICINES.key_of_code(ATC, code) == "bile-acid-resin"


# Levothyroxine label: phenobarbital among the drugs that raise clearance (from memory); a review,
# PMC10166268, table 2: "acceleration of catabolism of LT4 in the liver ... phenobarbital".
def test_phenobarbital_may_raise_the_need() -> None:
    assert "need-may-rise" in raised(patient(medicines=known("phenobarbital")))


# Imatinib label: hypothyroidism "in thyroidectomy patients undergoing levothyroxine replacement.
# Closely monitor TSH levels in such patients"; de Groot et al., Clin Pharmacol Ther 2005;78:433:
# all 8 patients after thyroidectomy, and none of 3 with the gland in place.
@ANY_TARGET
def test_a_tyrosine_kinase_inhibitor_waits_for_whoever_treats_the_cancer(intent: Intent) -> None:
    finding = raised(patient(medicines=known("tyrosine-kinase-inhibitor")), intent)
    assert finding["tyrosine-kinase-inhibitor"].severity is Severity.HOLD
    assert "TSH 6 weeks after" in finding["tyrosine-kinase-inhibitor"].action


# Block-and-replace: a full dose of carbimazole with levothyroxine beside it (reviews of Graves'
# disease). Beside replacement without an overactive thyroid it has no use: common practice.
@ANY_TARGET
def test_an_antithyroid_medicine_beside_the_hormone_is_asked_about(intent: Intent) -> None:
    finding = raised(patient(medicines=known("antithyroid")), intent)["antithyroid"]
    assert finding.severity is Severity.HOLD
    assert finding.action.startswith("Ask why")


# RxNorm as a pharmacogenetic consortium's list of drugs has it: carbimazole 2020, methimazole
# 6835, propylthiouracil 8794, ciprofloxacin 2551, sunitinib 357977, nilotinib 662281; other
# public lists: imatinib 282388, phenobarbital 8134. ATC: imatinib L01EA01 (L01XE01 until 2021),
# raloxifene G03XC01, orlistat A08AB01, phenobarbital N03AA02.
@pytest.mark.parametrize(
    ("system", "code", "key"),
    [
        *((RXNORM, code, "antithyroid") for code in ("2020", "6835", "8794")),
        (RXNORM, "2551", "ciprofloxacin"),
        *((RXNORM, c, "tyrosine-kinase-inhibitor") for c in ("357977", "662281", "282388")),
        (RXNORM, "8134", "phenobarbital"),
        (ATC, "L01EA01", "tyrosine-kinase-inhibitor"),
        (ATC, "L01XE01", "tyrosine-kinase-inhibitor"),
        (ATC, "G03XC01", "raloxifene"),
        (ATC, "A08AB01", "orlistat"),
        (RXNORM, "1991302", "semaglutide"),
        (ATC, "A10BJ06", "semaglutide"),
        (ATC, "A10BJ02", "oral-antidiabetic"),
        (ATC, "N03AA02", "phenobarbital"),
        (ATC, "H03BB01", "antithyroid"),
    ],
)
def test_the_codes_of_these_medicines_lead_to_their_rules(system: str, code: str, key: str) -> None:
    assert MEDICINES.key_of_code(system, code) == key


# Eye and ear drops of ciprofloxacin (S01AE03, S02AA15, from memory) do not meet the tablet.
@pytest.mark.parametrize("code", ["S01AE03", "S02AA15"])
def test_drops_of_ciprofloxacin_are_of_no_concern(code: str) -> None:
    assert MEDICINES.key_of_code(ATC, code) is None


# Levothyroxine label: adjust by 12.5 to 25 micrograms. 125 is the dose that the crossover trial of
# PMC10522160 began from (125 or 150 micrograms). The factors themselves are our judgement.
def test_a_need_is_a_usual_dose_one_or_two_of_the_labels_steps_away() -> None:
    need = load_catalogue().policy.need
    usual, step, largest = Fraction(125), Fraction("12.5"), Fraction(25)
    assert need[TodaysTsh.HIGH] * usual - usual == usual - need[TodaysTsh.LOW] * usual == step
    assert need[TodaysTsh.FRANKLY_HIGH] * usual - usual == largest
    assert usual - need[TodaysTsh.SUPPRESSED] * usual == largest


# Levothyroxine label: TSH 6 to 8 weeks after a change of dose (secondary).
@pytest.mark.parametrize(("weeks", "counts"), [(5, False), (6, True), (8, True)])
def test_a_tsh_speaks_of_a_dose_from_six_weeks_after_its_change(weeks: int, counts: bool) -> None:
    facts = patient(measurements=(tsh("12", 0),), regimen_changed_days_ago=7 * weeks)
    assert (SHORTAGE in raised(facts)) is counts


# ATA/AACE 2012, from memory: TSH above 10 mIU/L is treated. American Thyroid Association
# (secondary): biotin stops 2 days before bloods, since it makes TSH read falsely low.
def test_a_tsh_above_ten_is_treated_first_and_one_on_biotin_tells_nothing() -> None:
    assert SHORTAGE in raised(with_labs(tsh("10.5")))
    low = patient(measurements=(tsh("0.2"),), medicines=known("biotin"))
    assert need_reading(low, RULES.before[SHORTAGE]).says is None


# Full replacement is about 1.6 micrograms/kg (ATA 2014, secondary): no one who takes it waits.
@pytest.mark.parametrize("kg", [45, 70, 110])
def test_full_replacement_by_weight_is_never_held_as_high_by_weight(kg: int) -> None:
    full = replace(plan(dose("levothyroxine", str(kg * 1.6))), comparison=CHARTS)
    facts = replace(CLEAR, weight_kg=Fraction(kg))
    assert "plan-high-by-weight" not in {f.code for f in after_plan(full, facts, RULES)}


# NHS England, Liothyronine: advice for prescribers: started by a consultant endocrinologist only.
def test_liothyronine_alone_waits_for_a_specialist() -> None:
    finding = raised(CLEAR, TO_LT3)["lt3-alone"]
    assert finding.severity is Severity.HOLD
    assert "endocrinologist" in finding.action
    assert "lt3-alone" not in raised(CLEAR, TO_DESICCATED)


# ETA 2012, Eur Thyroid J 1:55: "discontinued if no improvement is experienced after 3 months".
def test_a_combination_is_reviewed_after_three_months_and_stopped_without_benefit() -> None:
    combined = replace(plan(dose("liothyronine", 5)), target=Target.LT4_LT3)
    (review,) = (f for f in after_plan(combined, CLEAR, RULES) if f.code == "combination-review")
    assert review.day == combined.checkpoint.day + 91
    assert "go back to levothyroxine alone" in review.action
    others = after_plan(plan(dose("liothyronine", 5)), CLEAR, RULES)
    assert "combination-review" not in {finding.code for finding in others}
