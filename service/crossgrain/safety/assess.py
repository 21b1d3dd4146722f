"""The two moments at which the rules are asked: before there is a plan, and of the plan.

Nothing is decided here but what was raised and what could not be checked. Stops suppress
the series, and `constraints` bind the planner; both are for the caller to honour.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from crossgrain.dosing.plan import Plan
from crossgrain.dosing.targets import DESICCATED_TARGETS, Target
from crossgrain.safety.facts import Facts, Sex
from crossgrain.safety.findings import Finding, most_severe_first
from crossgrain.safety.intent import T3_TARGETS, Constraints, Demand, Intent, constraints_from
from crossgrain.safety.missing import LACKS
from crossgrain.safety.registry import AFTER, BEFORE
from crossgrain.safety.rule import Hit, PlanCase, Rule, RuleCase, RuleTable, worded


def _may_be_postmenopausal(case: RuleCase) -> bool:
    """Anyone not recorded as male, and anyone whose conditions say so or are not there."""
    facts = case.facts
    return (
        facts.sex is not Sex.MALE
        or facts.conditions is None
        or any(known.key == "post-menopausal" for known in facts.conditions)
    )


GATES: Mapping[str, Callable[[RuleCase], bool]] = {
    "always": lambda _: True,
    "any-rise": lambda case: case.intent.any_rise,
    "t3-target": lambda case: case.intent.target in T3_TARGETS,
    "lt3-alone-target": lambda case: case.intent.target is Target.LIOTHYRONINE,
    "lt4-target": lambda case: case.intent.target is Target.LEVOTHYROXINE,
    "desiccated-target": lambda case: case.intent.target in DESICCATED_TARGETS,
    "may-be-postmenopausal": _may_be_postmenopausal,
    "takes-lt4": lambda case: case.facts.regimen.pure_t4_ug > 0,
}


@dataclass(frozen=True, slots=True)
class Unchecked:
    """A rule that could not be answered, and which data it lacked."""

    code: str
    lacks: tuple[str, ...]


def before_plan(facts: Facts, intent: Intent, rules: RuleTable) -> tuple[Finding, ...]:
    """What speaks against the move, and what could not be checked; most severe first."""
    case = RuleCase(facts, intent)
    applying = _applying(case, rules)
    raised = _raised(case, applying)
    found = tuple(_finding(rules.before[code], hit) for code, hit in raised.items())
    lacking = _unchecked(case, rules, applying, raised)
    return most_severe_first(found + _as_findings(lacking, rules))


def after_plan(plan: Plan, facts: Facts, rules: RuleTable) -> tuple[Finding, ...]:
    """The guards on the result: doses and predictions outside what is usual or labelled."""
    case = PlanCase(facts, plan)
    hits = ((rule, AFTER[code](case, rule)) for code, rule in rules.after.items())
    return most_severe_first(tuple(_finding(rule, hit) for rule, hit in hits if hit))


def unchecked(facts: Facts, intent: Intent, rules: RuleTable) -> tuple[Unchecked, ...]:
    """The rules that apply, were not raised, and lacked data; in the file's order."""
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
        for code, rule in applying.items()
        if code not in raised
        if (lacks := tuple(need for need in rule.needs if need in lacking))
    )


def _as_findings(entries: tuple[Unchecked, ...], rules: RuleTable) -> tuple[Finding, ...]:
    """One finding per missing datum, naming the rules that went unchecked for want of it."""
    return tuple(
        worded(missing, missing.code, Hit(fills={"codes": ", ".join(codes)}))
        for need, missing in rules.missing.items()
        if (codes := [entry.code for entry in entries if need in entry.lacks])
    )


def _finding(rule: Rule, hit: Hit) -> Finding:
    return worded(rule, rule.code, hit)
