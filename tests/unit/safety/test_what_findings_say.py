"""What a finding names: the resource that raised it, and the numbers that it rests on."""

from dataclasses import replace

import pytest
from tests.unit.safety.patients import (
    CLEAR,
    RULES,
    TO_LT3,
    TO_LT4,
    known,
    patient,
    pulse,
    raised,
    regimen,
    tsh,
    with_conditions,
    with_labs,
)
from tests.unit.safety.test_every_rule import EXAMPLES

from crossgrain.dosing.regimens import Regimen
from crossgrain.safety.facts import Analyte, Facts, Intent, Measurement, Sex

PATIENT, TSH = ("Patient",), ("Observation/tsh",)


@pytest.mark.parametrize(
    ("code", "origins"),
    [
        ("under-18", PATIENT),
        ("hypothyroidism-not-established", ()),
        ("hypothyroidism-unconfirmed", TSH),
        ("compounded-product", ("levothyroxine-line",)),
        ("desiccated-unapproved", ()),
        ("adrenal-insufficiency", ("Known/adrenal-insufficiency",)),
        (
            "adrenal-insufficiency-treated",
            ("Known/adrenal-insufficiency", "Known/glucocorticoid"),
        ),
        ("regimen-changed-recently", ("levothyroxine-line",)),
        ("tsh-suppressed", TSH),
        ("tsh-low", TSH),
        ("tsh-high", TSH),
        ("age-65-or-over", PATIENT),
        ("heart-rate-high", ("Observation/pulse",)),
        ("osteoporosis", ("Known/osteoporosis",)),
        ("postmenopausal-tsh-low", PATIENT + TSH),
        ("pregnant-t3-target", PATIENT),
        ("pregnant-moving-to-lt4", PATIENT),
        ("planning-pregnancy-t3-target", ("Known/planning-pregnancy",)),
        ("allergy-to-target", ("Known/liothyronine",)),
        ("lt4-high-today", ("levothyroxine-line",)),
    ],
)
def test_a_finding_names_the_resource_that_raised_it(code: str, origins: tuple[str, ...]) -> None:
    example = EXAMPLES[code]
    assert raised(example.fires, example.intent)[code].origins == origins


@pytest.mark.parametrize(
    ("code", "facts", "intent", "says"),
    [
        ("under-18", patient(age_years=17), TO_LT4, "The patient is 17: under 18,"),
        ("age-65-or-over", patient(age_years=70), TO_LT3, "The patient is 70: at 65 and over"),
        ("tsh-suppressed", with_labs(tsh("0.09")), TO_LT3, "TSH is 0.09 mIU/L (30 days ago),"),
        ("tsh-low", with_labs(tsh("0.39")), TO_LT4, "TSH is 0.39 mIU/L (30 days ago), below"),
        ("tsh-high", with_labs(tsh("4.1")), TO_LT4, "TSH is 4.1 mIU/L (30 days ago), above"),
        ("binders", patient(medicines=known("iron", "calcium")), TO_LT4, "Iron and calcium are"),
        ("binders", patient(medicines=known("iron")), TO_LT4, "Iron is taken: that binds"),
        (
            "tsh-suppression-goal",
            patient(goals=known("tsh-suppression-goal")),
            TO_LT4,
            "The record holds TSH suppression goal: where",
        ),
        (
            "heart-rate-high",
            patient(measurements=(tsh("2"), pulse(101))),
            TO_LT3,
            "Resting heart rate is 101 per minute (10 days ago), above 100 per minute.",
        ),
        (
            "osteoporosis",
            with_conditions("osteoporosis"),
            TO_LT3,
            "The record holds osteoporosis, and hormone may rise: a low TSH costs bone.",
        ),
        (
            "osteoporosis",
            patient(conditions=known("osteoporosis"), measurements=(tsh("0.3"),)),
            TO_LT4,
            "The record holds osteoporosis, and TSH is 0.3 mIU/L (30 days ago): a low",
        ),
        (
            "postmenopausal-tsh-low",
            patient(age_years=55, measurements=(tsh("0.39"),)),
            TO_LT4,
            "TSH is 0.39 mIU/L (30 days ago), below range, past the menopause",
        ),
        (
            "regimen-changed-recently",
            patient(regimen_changed_days_ago=41),
            TO_LT4,
            "Today's regimen was changed 41 days ago, under 42 days:",
        ),
        (
            "lt4-high-today",  # label: above 200 µg seldom needed; 2 µg/kg common practice
            patient(regimen=regimen(levothyroxine=175)),
            TO_LT4,
            "Levothyroxine today is 175 micrograms (2.5 micrograms/kg) a day, above 200 micrograms"
            " or 2 micrograms/kg:",
        ),
        (
            "lt4-high-today",
            patient(regimen=regimen(levothyroxine=225), weight_kg=None),
            TO_LT4,
            "Levothyroxine today is 225 micrograms a day, above 200 micrograms or 2 micrograms/kg:",
        ),
        (
            "compounded-product",
            EXAMPLES["compounded-product"].fires,
            TO_LT4,
            "Liothyronine, sustained release is taken, a compounded product:",
        ),
        (
            "binders",
            patient(medicines=known("calcium", "phosphate-binder")),
            TO_LT4,
            "Calcium and phosphate binder are taken: that binds thyroid hormone",
        ),
    ],
)
def test_a_finding_states_the_numbers_that_it_rests_on(
    code: str, facts: Facts, intent: Intent, says: str
) -> None:
    assert raised(facts, intent)[code].statement.startswith(says)


def test_a_recorded_menopause_is_named_in_place_of_the_age() -> None:
    facts = patient(
        conditions=known("hypothyroidism", "post-menopausal"), measurements=(tsh("0.3"),)
    )
    assert raised(facts)["postmenopausal-tsh-low"].origins == ("Known/post-menopausal", *TSH)


@pytest.mark.parametrize("key", ["pregnant", "hypothyroidism-in-pregnancy"])
def test_a_pregnancy_on_the_condition_list_is_named_there(key: str) -> None:
    assert raised(with_conditions(key), TO_LT3)["pregnant-t3-target"].origins == (f"Known/{key}",)


def test_every_tsh_above_range_is_named_where_the_diagnosis_is_not() -> None:
    high = Measurement(Analyte.TSH, tsh("12").value, -900, "Observation/old")
    facts = patient(conditions=(), indications=(), measurements=(high, tsh("2"), tsh("4.1")))
    found = raised(facts)["hypothyroidism-unconfirmed"]
    assert found.origins == ("Observation/old", "Observation/tsh")


@pytest.mark.parametrize(("value", "established"), [("4.0", False), ("4.1", True)])
def test_a_tsh_counts_as_raised_above_four_or_the_laboratorys_own_limit(
    value: str, established: bool
) -> None:
    """TSH 0.4 to 4.0 unless the laboratory gives its range."""
    facts = patient(conditions=(), indications=(), measurements=(tsh(value),))
    assert ("hypothyroidism-not-established" not in raised(facts)) is established
    wider = patient(conditions=(), indications=(), measurements=(tsh(value, high=tsh("5").value),))
    assert "hypothyroidism-not-established" in raised(wider)


@pytest.mark.parametrize("need", RULES.missing)
def test_what_was_not_checked_is_said_with_every_rule_in_plain_words(need: str) -> None:
    nothing = Facts(regimen=CLEAR.regimen, conditions=known("myocardial-infarction"))
    without = Facts(regimen=CLEAR.regimen)
    intent = Intent(TO_LT3.target, t3_rises=True, hormone_rises=True)
    found = raised(nothing if need == "infarction-date" else without, intent)
    entry, finding = RULES.missing[need], found[f"not-checked-{need}"]
    source = entry.source.replace("{fresh}", "90")
    action = entry.action.replace("{begin}", "the first dose")
    action = action.replace("{settled_in_weeks}", "6 weeks")
    assert (finding.action, finding.source, finding.origins) == (action, source, ())
    said = finding.statement.rstrip(".").rsplit(": ", 1)[1].split(", ")
    rules = (*RULES.before.values(), *RULES.after.values())
    asked = [rule.looked_for for rule in rules if need in rule.needs]
    assert said
    assert said == [words for words in asked if words in said]
    assert all(f"{{{name}}}" not in finding.statement for name in entry.numbers)


def test_in_the_midst_of_a_plan_no_first_dose_is_waited_with_but_the_next_rise() -> None:
    sick = patient(conditions=known("palpitations"), measurements=(pulse(70),))
    asked, going_on = raised(sick), raised(replace(sick, in_series=True))
    for code in ("new-palpitations", "not-checked-recent-tsh"):
        assert asked[code].action.endswith(" before the first dose.")
        assert going_on[code].action.endswith(" before any dose is raised.")
    assert going_on.keys() <= asked.keys()
    assert not any("first dose" in each.action for each in going_on.values())


def test_ninety_days_are_said_where_no_tsh_is_recent() -> None:
    found = raised(patient(measurements=(pulse(70),)))["not-checked-recent-tsh"]
    assert found.statement.startswith(
        "No final TSH within 90 days tells whether it is low, in range or high."
    )
    assert RULES.missing["recent-tsh"].numbers["fresh"].is_ours


def test_a_man_at_any_age_is_not_past_the_menopause_by_age() -> None:
    facts = patient(age_years=90, sex=Sex.MALE, measurements=(tsh("0.3"),))
    assert "postmenopausal-tsh-low" not in raised(facts)
    unknown = patient(age_years=90, sex=None, measurements=(tsh("0.3"),))
    assert "postmenopausal-tsh-low" not in raised(unknown)


def test_a_menopause_on_the_condition_list_counts_whatever_sex_is_recorded() -> None:
    facts = patient(
        sex=Sex.MALE,
        conditions=known("hypothyroidism", "post-menopausal"),
        measurements=(tsh("0.3"),),
    )
    assert "postmenopausal-tsh-low" in raised(facts)


def test_a_diagnosis_that_rests_on_tsh_alone_is_told_from_none_at_all() -> None:
    without = {"indications": (), "conditions": ()}
    high, normal = (patient(**without, measurements=(tsh(v),)) for v in ("12", "2"))
    pair = {"hypothyroidism-unconfirmed", "hypothyroidism-not-established"}
    assert pair & set(raised(high)) == {"hypothyroidism-unconfirmed"}
    assert pair & set(raised(normal)) == {"hypothyroidism-not-established"}


def test_without_a_condition_list_nothing_is_said_of_the_diagnosis_but_that() -> None:
    facts = patient(conditions=None, indications=(), measurements=(tsh("12"),))
    found = raised(facts)
    assert not {"hypothyroidism-unconfirmed", "hypothyroidism-not-established"} & set(found)
    assert "a confirmed diagnosis of hypothyroidism" in found["not-checked-conditions"].statement


def test_every_compounded_product_is_named_once() -> None:
    (line,) = EXAMPLES["compounded-product"].fires.regimen.lines
    other = replace(line.preparation, name="thyroid capsule")
    lines = (line, replace(line, preparation=other), line)
    found = raised(patient(regimen=Regimen(lines)))["compounded-product"]
    assert found.statement.startswith(
        "Liothyronine, sustained release, thyroid capsule is taken, a compounded product"
    )


def test_thyrotoxicosis_is_said_once_as_a_stop_where_hormone_rises_and_else_not() -> None:
    facts = with_conditions("thyrotoxicosis")
    pair = {"thyrotoxicosis", "thyrotoxicosis-no-rise"}
    assert pair & set(raised(facts, TO_LT3)) == {"thyrotoxicosis"}
    assert pair & set(raised(facts, TO_LT4)) == {"thyrotoxicosis-no-rise"}


@pytest.mark.parametrize("goal", ["central-hypothyroidism", "tsh-suppression-goal"])
def test_a_low_tsh_is_not_held_against_today_where_tsh_is_no_guide(goal: str) -> None:
    assert "tsh-low" in raised(with_labs(tsh("0.3")), TO_LT4)
    facts = patient(conditions=known("hypothyroidism", goal), measurements=(tsh("0.3"),))
    assert "tsh-low" not in raised(facts, TO_LT4)


def test_a_stale_free_t4_is_no_guide_in_central_hypothyroidism() -> None:
    free_t4 = Measurement(Analyte.FREE_T4, tsh("13").value, -91, "Observation/ft4")
    facts = patient(conditions=known("central-hypothyroidism"), measurements=(free_t4,))
    statement = raised(facts)["central-hypothyroidism"].statement
    assert statement.endswith("TSH is no guide. Of free T4, none is recent.")
