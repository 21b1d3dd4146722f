"""What holds of every proposal: stops and series exclude each other, risks only slow a plan."""

from dataclasses import replace
from datetime import date
from fractions import Fraction

from hypothesis import given
from hypothesis import strategies as st
from tests.budget import examples
from tests.properties.test_safety import RISKS, patients

from crossgrain.catalogue import load_catalogue
from crossgrain.core.proposal import Outcome, Proposal, SwitchRequest
from crossgrain.core.propose import propose
from crossgrain.dosing.plan import Plan, PriorTherapy
from crossgrain.dosing.targets import Target
from crossgrain.names.errors import Category, DomainError
from crossgrain.reading.record import MedicineEntry, Record
from crossgrain.safety.facts import Facts, Known
from crossgrain.safety.rule import Severity

CATALOGUE = load_catalogue()
AS_OF = date(2025, 3, 3)
requests = st.builds(
    SwitchRequest,
    st.just(AS_OF),
    st.just(AS_OF),
    target=st.sampled_from(sorted(Target)),
    basis_id=st.sampled_from(["practice", "label", "trial", "content"]),
    pace=st.sampled_from(["standard", "brisk", "cautious"]),
    prior_therapy=st.sampled_from(sorted(PriorTherapy)),
    mixture=st.just(CATALOGUE.policy.combining.mixture()),
)


def answer(facts: Facts, request: SwitchRequest) -> Proposal | None:
    """The proposal, or ``None`` where there is nothing to switch."""
    taken = MedicineEntry(
        "MedicationStatement/m", "MedicationStatement", "Bundle.m", facts.regimen.lines, "active"
    )
    try:
        return propose(Record(AS_OF, "Patient/p", facts, (taken,)), request, CATALOGUE)
    except DomainError as error:
        assert error.category in {Category.NOTHING_TO_DO, Category.OUT_OF_RANGE}  # noqa: PT017
        return None


@examples(150)
@given(patients(), requests)
def test_a_stop_and_a_series_never_come_together(facts: Facts, request: SwitchRequest) -> None:
    proposal = answer(facts, request)
    if proposal is None:
        return
    stops = [f for f in proposal.findings if f.severity is Severity.STOP]
    assert bool(stops) == (proposal.plan is None)
    assert (proposal.outcome is Outcome.STOP) == bool(stops)


def climbing_t3(plan: Plan, day: int) -> Fraction:
    """T3 in the medicines of the target on a day, µg."""
    step = next(s for s in plan.steps if s.first_day <= day <= s.last_day)
    return sum(
        (line.preparation.t3_ug(line.amount) for line in step.lines if line.part != "old"),
        Fraction(0),
    )


@examples(120)
@given(patients(), requests, st.sampled_from(RISKS))
def test_a_further_risk_never_raises_t3_faster_or_further(
    facts: Facts, request: SwitchRequest, risk: str
) -> None:
    request = replace(request, prior_therapy=PriorTherapy.OVERLAP)
    with_risk = replace(facts, conditions=(*(facts.conditions or ()), Known(risk, "Condition/x")))
    before, after = answer(facts, request), answer(with_risk, request)
    if before is None or after is None or before.plan is None or after.plan is None:
        assert not (before and after and before.plan is None and after.plan)
        return
    last = min(before.plan.steps[-1].last_day, after.plan.steps[-1].last_day)
    for day in range(0, last + 1, 7):
        rise = climbing_t3(after.plan, day)
        assert rise <= max(climbing_t3(before.plan, day), facts.regimen.t3_ug)
