"""What holds of the safety rules for every patient, and of every judged order."""

from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.unit.safety.patients import BASES, KINETICS, RULES, regimen

from crossgrain.dosing.targets import Target
from crossgrain.safety.assess import before_plan, constraints, unchecked
from crossgrain.safety.facts import (
    T3_TARGETS,
    Analyte,
    Constraints,
    Facts,
    Intent,
    Known,
    Measurement,
    Sex,
)
from crossgrain.safety.judgement import Ending, Verdict, judge_order
from crossgrain.safety.order import order_numbers
from crossgrain.safety.rule import Severity

RULED = {**RULES.before, **RULES.after}

KEYS = {
    name: sorted({key for rule in RULES.before.values() if name in rule.needs for key in rule.keys})
    for name in ("conditions", "medicines", "allergies", "goals", "indications")
}
KEYS["conditions"] += ["adrenal-insufficiency", "pregnant"]
KEYS["medicines"] += ["glucocorticoid"]
KEYS["allergies"] += ["levothyroxine", "liothyronine", "desiccated-thyroid"]
REMOVABLE = [
    *("age_years", "weight_kg", "measurements", "conditions", "allergies", "medicines"),
    *("pregnant", "regimen_changed_days_ago", "sex", "goals", "indications", "stopped"),
]
RISKS = sorted(
    {key for rule in RULES.before.values() if rule.demands for key in rule.keys}
    | {"osteoporosis", "palpitations", "adrenal-insufficiency", "thyrotoxicosis"}
)

days = st.none() | st.integers(-400, 5)
targets = st.sampled_from(sorted(Target))


@st.composite
def intents(draw: st.DrawFn) -> Intent:
    target = draw(targets)
    rises = target in T3_TARGETS and draw(st.booleans())
    return Intent(target, t3_rises=rises, hormone_rises=draw(st.booleans()))


def lists(name: str) -> st.SearchStrategy[tuple[Known, ...] | None]:
    entry = st.builds(Known, st.sampled_from(KEYS[name]), st.just(name), days, st.booleans())
    return st.none() | st.lists(entry, max_size=4).map(tuple)


results = st.builds(
    Measurement,
    st.sampled_from([Analyte.TSH, Analyte.FREE_T4, Analyte.HEART_RATE]),
    st.fractions(Fraction(1, 100), 150, max_denominator=100),
    days,
    st.just("Observation"),
    st.sampled_from(["", "<", ">", "<=", ">="]),
    preliminary=st.booleans(),
)


stopped = st.none() | st.builds(Known, st.just("liothyronine"), st.just("stopped"), days).map(
    lambda known: (known,)
)


@st.composite
def patients(draw: st.DrawFn) -> Facts:
    """Any record, but one in which only a woman of child-bearing age is pregnant."""
    age = draw(st.none() | st.integers(0, 100))
    sex = draw(st.none() | st.sampled_from(Sex))
    may_be = sex is not Sex.MALE and (age is None or 12 <= age <= 55)
    kinds = st.sampled_from(["levothyroxine", "liothyronine", "desiccated_thyroid_60"])
    return Facts(
        regimen=regimen(**{draw(kinds): draw(st.integers(5, 300))}),
        age_years=age,
        weight_kg=draw(st.none() | st.fractions(30, 200, max_denominator=10)),
        measurements=draw(st.none() | st.lists(results, max_size=4).map(tuple)),
        conditions=draw(lists("conditions")),
        allergies=draw(lists("allergies")),
        medicines=draw(lists("medicines")),
        pregnant=draw(st.none() | st.booleans())
        if may_be
        else draw(st.sampled_from([None, False])),
        regimen_changed_days_ago=draw(st.none() | st.integers(0, 400)),
        sex=sex,
        goals=draw(lists("goals")),
        indications=draw(lists("indications")),
        stopped=draw(
            st.none()
            | st.lists(
                st.builds(Known, st.just("liothyronine"), st.just("s"), days), max_size=2
            ).map(tuple)
        ),
    )


def codes(facts: Facts, intent: Intent) -> set[str]:
    """The rules that were raised; what was merely not checked is left out."""
    found = before_plan(facts, intent, RULES)
    return {finding.code for finding in found if finding.code in RULES.before}


def demanded(facts: Facts, intent: Intent) -> Constraints:
    return constraints(before_plan(facts, intent, RULES), RULES)


@given(patients(), intents(), st.sampled_from(REMOVABLE))
def test_removing_data_never_removes_a_finding_without_listing_it(
    facts: Facts, intent: Intent, field: str
) -> None:
    less = replace(facts, **{field: None})
    listed = {entry.code for entry in unchecked(less, intent, RULES)}
    assert codes(facts, intent) <= codes(less, intent) | listed


@given(patients(), intents())
def test_whatever_was_not_checked_is_said_in_a_finding(facts: Facts, intent: Intent) -> None:
    found = {finding.code: finding for finding in before_plan(facts, intent, RULES)}
    for entry in unchecked(facts, intent, RULES):
        assert entry.code not in found
        for need in entry.lacks:
            assert RULED[entry.code].looked_for in found[f"not-checked-{need}"].statement


@given(patients(), intents(), st.sampled_from(RISKS), days)
def test_adding_a_risk_never_loosens_what_is_demanded(
    facts: Facts, intent: Intent, risk: str, day: int | None
) -> None:
    more = replace(facts, conditions=(*(facts.conditions or ()), Known(risk, "new", day)))
    assert demanded(more, intent).as_tight_as(demanded(facts, intent))


@given(patients(), intents(), st.sampled_from(RISKS), days)
def test_adding_a_risk_never_takes_a_stop_away(
    facts: Facts, intent: Intent, risk: str, day: int | None
) -> None:
    """But for the want of any diagnosis, which a first condition list may settle or raise."""
    if facts.conditions is None:
        facts = replace(facts, conditions=())
    more = replace(facts, conditions=(*(facts.conditions or ()), Known(risk, "new", day)))
    stops = {code for code, rule in RULES.before.items() if rule.severity is Severity.STOP}
    assert codes(facts, intent) & stops <= codes(more, intent) & stops


@given(patients(), intents(), st.integers(65, 100))
def test_growing_old_never_loosens_what_is_demanded(facts: Facts, intent: Intent, age: int) -> None:
    younger = replace(facts, age_years=min(facts.age_years or 40, age))
    assert demanded(replace(facts, age_years=age), intent).as_tight_as(demanded(younger, intent))


@given(patients(), intents())
def test_every_template_is_filled_and_the_most_severe_leads(facts: Facts, intent: Intent) -> None:
    order = [Severity.STOP, Severity.HOLD, Severity.NOTE]
    found = before_plan(facts, intent, RULES)
    assert [f.severity for f in found] == sorted((f.severity for f in found), key=order.index)
    assert len({f.code for f in found}) == len(found)
    for finding in found:
        assert not set("{}") & set(finding.statement + finding.action + finding.instruction)


medicine = st.sampled_from(["levothyroxine", "liothyronine", "desiccated_thyroid_60"])
amounts = st.integers(4, 300)


@given(medicine, amounts, medicine, amounts)
def test_coverage_ends_at_the_charts_ratio(
    old: str, old_amount: int, new: str, new_amount: int
) -> None:
    now, order = regimen(**{old: old_amount}), regimen(**{new: new_amount})
    for basis in order_numbers(now, order, BASES, KINETICS, days=1000).bases:
        for reading in (basis.switched, basis.both):
            covered, ratio = reading.coverage, float(reading.ratio)
            assert covered.at_end == pytest.approx(ratio, rel=1e-9)
            assert covered.lowest.value <= min(1.0, ratio) * (1 + 1e-9)
            assert covered.highest.value >= max(1.0, ratio) * (1 - 1e-9)


@given(medicine, amounts)
def test_an_order_for_what_is_taken_fits(taken: str, amount: int) -> None:
    now = regimen(**{taken: amount})
    numbers = order_numbers(now, now, BASES, KINETICS, days=84)
    for basis in BASES:
        judged = judge_order(numbers, basis.id, Ending.UNKNOWN, RULES)
        assert judged.verdicts == (Verdict.FITS,)
        assert judged.disputes == ()


@given(medicine, amounts, medicine, amounts, st.integers(1, 200))
def test_more_of_an_order_never_turns_over_dosed_into_less(
    old: str, old_amount: int, new: str, amount: int, more: int
) -> None:
    now = regimen(**{old: old_amount})
    small, large = (
        judge_order(
            order_numbers(now, regimen(**{new: dose}), BASES, KINETICS, days=84),
            "practice",
            Ending.ENDS,
            RULES,
        )
        for dose in (amount, amount + more)
    )
    if Verdict.OVER in small.verdicts:
        assert Verdict.OVER in large.verdicts
    if Verdict.T3_JUMP in small.verdicts:
        assert Verdict.T3_JUMP in large.verdicts
    if Verdict.UNDER in large.verdicts:
        assert {Verdict.UNDER, Verdict.OVER} & set(small.verdicts)
