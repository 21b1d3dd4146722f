"""What a hold still binds at a visit after the first.

Day one is over, and hormone is taken: a check that has not been made is a reason not to raise a
dose, and none to go on with too much. So a hold binds what rises, and what falls beside it. A
lowering, and a dose that stays, wait for nothing; and a hold whose remedy is what the visit does is
a note.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

from crossgrain.catalogue import Catalogue
from crossgrain.core.standing import Standing
from crossgrain.dosing.onward import Act
from crossgrain.dosing.plan import TOO_MUCH, Plan
from crossgrain.dosing.regimens import Regimen
from crossgrain.dosing.steps import Step
from crossgrain.dosing.targets import dose_of
from crossgrain.safety.checks import SERIES
from crossgrain.safety.facts import hormone_rises
from crossgrain.safety.rule import Finding, Rule, SettledBy, Severity, rule_of


def rises_in(plan: Plan, today: Regimen, catalogue: Catalogue) -> Mapping[str, int]:
    """The first day on which a dose rises, by part of the plan; one in which none does is left out.

    Parameters
    ----------
    today : what is taken before the plan; a branch goes on from the plan's last step
    """
    branches = plan.checkpoint.branches
    parts = {SERIES: (today, plan.steps)} | {
        str(branch.reading): (plan.steps[-1].regimen, branch.steps) for branch in branches
    }
    found = {
        name: next(_rises(steps, before, catalogue), None)
        for name, (before, steps) in parts.items()
    }
    return {name: day for name, day in found.items() if day is not None}


def _rises(steps: Iterable[Step], before: Regimen, catalogue: Catalogue) -> Iterator[int]:
    """The days from which more T3 is taken than before, or on some basis more in all."""
    bases, rounding = catalogue.bases, catalogue.policy.tolerance
    for step in steps:
        more_t3 = step.t3_ug > before.t3_ug
        if more_t3 or hormone_rises(before, dose_of(step.regimen), bases, rounding):
            yield step.first_day


def settled(finding: Finding, standing: Standing, plan: Plan, catalogue: Catalogue) -> Finding:
    """A finding as it stands once the visit has its answer: a note where that settles it."""
    rule = rule_of(finding, catalogue.rules)
    if finding.severity is not Severity.HOLD or not isinstance(rule, Rule):
        return finding
    match rule.later.settled_by:
        case SettledBy.VISIT:
            pass
        case SettledBy.LOWERING if _lowers(standing, plan):
            pass
        case _:
            return finding
    action = rule.later.settled or finding.action
    return replace(finding, severity=Severity.NOTE, action=action)


def _lowers(standing: Standing, plan: Plan) -> bool:
    """Whether today's dose comes down because labs, or signs, call it too much."""
    decision, today, first = standing.decision, standing.record.regimen, plan.steps[0].regimen
    too_much = decision.act is Act.STEP_BACK or decision.reading in TOO_MUCH
    falls = first.t4_ug < today.t4_ug or first.t3_ug < today.t3_ug
    return too_much and falls
