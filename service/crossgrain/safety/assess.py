"""The two moments at which the rules are asked: before there is a plan, and of the plan.

Nothing is decided here but which findings are raised and which rules could not be checked. That a
stop suppresses the series, and that `constraints` bind the planner, is for the caller to see to.
"""

from collections.abc import Callable, Mapping

from crossgrain.dosing.plan import Plan
from crossgrain.dosing.preparations import Kind
from crossgrain.dosing.targets import Target
from crossgrain.names.values import frozen
from crossgrain.safety import results
from crossgrain.safety.facts import (
    Analyte,
    Constraints,
    Demand,
    Facts,
    Intent,
    Sex,
    constraints_from,
)
from crossgrain.safety.results import is_pregnant
from crossgrain.safety.rule import (
    Finding,
    Hit,
    Missing,
    PlanCase,
    PlanPredicate,
    Predicate,
    Rule,
    RuleCase,
    RuleTable,
    most_severe_first,
    worded,
)
from crossgrain.safety.rules import doses, patient

_MYOCARDIAL_INFARCTION = "myocardial-infarction"


def _none_fresh(case: RuleCase, missing: Missing, analyte: Analyte) -> bool:
    fresh = missing.number("fresh")
    return not any(
        results.is_fresh(m, fresh) and results.tells_its_side(case.facts, m, missing)
        for m in results.of(case.facts, analyte)
    )


def _pregnancy_unknown(case: RuleCase, missing: Missing) -> bool:
    """Asked of everyone who may bear a child as far as the record tells."""
    facts = case.facts
    if facts.pregnant is not None or is_pregnant(facts) or facts.sex is Sex.MALE:
        return False
    youngest, oldest = missing.number("youngest"), missing.number("oldest")
    return facts.age_years is None or youngest <= facts.age_years <= oldest


def _infarction_undated(facts: Facts) -> bool:
    return any(
        k.key == _MYOCARDIAL_INFARCTION and k.active and k.day is None
        for k in facts.conditions or ()
    )


LACKS: Mapping[str, Callable[[RuleCase, Missing], bool]] = {
    "age": lambda case, _: case.facts.age_years is None,
    "sex": lambda case, _: case.facts.sex is None,
    "weight": lambda case, _: not case.facts.weight_kg,
    "conditions": lambda case, _: case.facts.conditions is None,
    "allergies": lambda case, _: case.facts.allergies is None,
    "medicines": lambda case, _: case.facts.medicines is None,
    "goals": lambda case, _: case.facts.goals is None,
    "indications": lambda case, _: case.facts.indications is None,
    "regimen-start": lambda case, _: (
        case.facts.regimen_changed_days_ago is None and not case.facts.in_series
    ),
    "stopped-hormone": lambda case, _: case.facts.stopped is None,
    "recent-tsh": lambda case, missing: _none_fresh(case, missing, Analyte.TSH),
    "recent-heart-rate": lambda case, missing: _none_fresh(case, missing, Analyte.HEART_RATE),
    "pregnancy-status": _pregnancy_unknown,
    "infarction-date": lambda case, _: _infarction_undated(case.facts),
}


BEFORE: Mapping[str, Predicate] = {
    **doses.SCOPE,
    **patient.ENDOCRINE,
    **patient.LABS,
    **patient.CARDIAC,
    **patient.PREGNANCY,
    **patient.INTERACTIONS,
    **doses.DOSES,
}
AFTER: Mapping[str, PlanPredicate] = doses.PLAN_PREDICATES


def _may_be_postmenopausal(case: RuleCase) -> bool:
    """Anyone not recorded as male, and anyone whose conditions say so or are not in the record."""
    facts = case.facts
    return (
        facts.sex is not Sex.MALE
        or facts.conditions is None
        or any(known.key == "post-menopausal" for known in facts.conditions)
    )


GATES: Mapping[str, Callable[[RuleCase], bool]] = {
    "always": lambda _: True,
    "any-rise": lambda case: case.intent.any_rise,
    "t3-target": lambda case: case.intent.kinds != {Kind.LEVOTHYROXINE},
    "lt3-alone-target": lambda case: case.intent.target is Target.LIOTHYRONINE,
    "lt4-target": lambda case: case.intent.kinds == {Kind.LEVOTHYROXINE},
    "desiccated-target": lambda case: Kind.DESICCATED_THYROID in case.intent.kinds,
    "may-be-postmenopausal": _may_be_postmenopausal,
    "made-for-pregnancy": lambda case: case.facts.made_for_pregnancy,
    "takes-lt4": lambda case: case.facts.regimen.pure_t4_ug > 0,
}


@frozen
class Unchecked:
    """A rule that could not be answered, and which data it lacked."""

    code: str
    lacks: tuple[str, ...]


def before_plan(facts: Facts, intent: Intent, rules: RuleTable) -> tuple[Finding, ...]:
    """What speaks against the move, and what could not be checked; most severe first."""
    case = RuleCase(facts, intent)
    applying = _applying(case, rules)
    raised = _raised(case, applying)
    found = tuple(_finding(facts, rules.before[code], hit) for code, hit in raised.items())
    lacking = _unchecked(case, rules, applying, raised)
    return most_severe_first(found + _as_findings(facts, lacking, rules))


def after_plan(
    plan: Plan, facts: Facts, rules: RuleTable, *, slowly: bool = False
) -> tuple[Finding, ...]:
    """The guards on the result: doses and predictions outside what is usual or labelled.

    `slowly` is whether findings demand that the old medicine tapers, see `Constraints`.
    """
    case = PlanCase(facts, plan, slowly)
    hits = ((rule, AFTER[code](case, rule)) for code, rule in rules.after.items())
    return most_severe_first(tuple(_finding(facts, rule, hit) for rule, hit in hits if hit))


def unchecked(facts: Facts, intent: Intent, rules: RuleTable) -> tuple[Unchecked, ...]:
    """The rules that apply, were not raised and lacked data, in the file's order.

    Those asked of the plan, which is not made yet, come last.
    """
    case = RuleCase(facts, intent)
    applying = _applying(case, rules)
    return _unchecked(case, rules, applying, _raised(case, applying))


def constraints(findings: tuple[Finding, ...], rules: RuleTable) -> Constraints:
    """What the findings demand of the planner."""
    raised = [rules.before[f.code] for f in findings if f.code in rules.before]
    weeks = [r.number("weeks") for r in raised if Demand.TSH_IN_PREGNANCY in r.demands]
    return constraints_from(
        {rule.code: rule.demands for rule in raised},
        tsh_every_days=int(min(weeks) * 7) if weeks else None,
    )


def _raised(case: RuleCase, applying: Mapping[str, Rule]) -> dict[str, Hit]:
    hits = {code: BEFORE[code](case, rule) for code, rule in applying.items()}
    return {code: hit for code, hit in hits.items() if hit is not None}


def _applying(case: RuleCase, rules: RuleTable) -> dict[str, Rule]:
    """The rules whose gate is open, by code."""
    is_open = {when: gate(case) for when, gate in GATES.items()}
    return {code: rule for code, rule in rules.before.items() if is_open[rule.when]}


def _unchecked(
    case: RuleCase, rules: RuleTable, applying: Mapping[str, Rule], raised: Mapping[str, Hit]
) -> tuple[Unchecked, ...]:
    lacking = {need for need, entry in rules.missing.items() if LACKS[need](case, entry)}
    return tuple(
        Unchecked(code, lacks)
        for code, rule in (*applying.items(), *rules.after.items())
        if code not in raised
        if (lacks := tuple(need for need in rule.needs if need in lacking))
    )


def _as_findings(
    facts: Facts, entries: tuple[Unchecked, ...], rules: RuleTable
) -> tuple[Finding, ...]:
    """One finding per missing datum, with what could not be checked for want of it, in words."""
    every = {**rules.before, **rules.after}
    return tuple(
        worded(missing, missing.code, Hit(fills={"what": ", ".join(what)}), runs=facts.has_begun)
        for need, missing in rules.missing.items()
        if (what := [every[entry.code].looked_for for entry in entries if need in entry.lacks])
    )


def _finding(facts: Facts, rule: Rule, hit: Hit) -> Finding:
    return worded(rule, rule.code, hit, runs=facts.has_begun)
