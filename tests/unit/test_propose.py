"""From a record to a proposal: which target, what stops it, what binds the plan."""

from dataclasses import replace
from datetime import date
from fractions import Fraction
from itertools import pairwise

import pytest

from crossgrain.catalogue import load_catalogue
from crossgrain.core.proposal import Outcome, Proposal, SwitchRequest
from crossgrain.core.propose import propose
from crossgrain.dosing.plan import Plan, PriorTherapy
from crossgrain.dosing.regimens import DoseLine, Regimen
from crossgrain.dosing.targets import Target
from crossgrain.names.errors import Category, DomainError
from crossgrain.reading.record import MedicineEntry, Question, Record
from crossgrain.safety.facts import Facts, Known
from crossgrain.safety.judgement import Ending, Verdict

CATALOGUE = load_catalogue()
COMBINING = CATALOGUE.policy.combining
AS_OF = date(2025, 3, 3)
SERIES = SwitchRequest(AS_OF, AS_OF, Target.DESICCATED_THYROID, mixture=COMBINING.mixture())
INFERRED = SwitchRequest(AS_OF, AS_OF, mixture=COMBINING.mixture())


def entry(preparation: str, amount: int, name: str = "taken", **more: object) -> MedicineEntry:
    line = DoseLine(CATALOGUE.preparations[preparation], (Fraction(amount),), f"{name}.dosage[0]")
    kind = "MedicationRequest" if more.get("draft") else "MedicationStatement"
    base = MedicineEntry(f"{kind}/{name}", kind, f"Bundle.{name}", (line,), "active")
    return replace(base, **more)  # type: ignore[arg-type]


def record(
    *current: MedicineEntry, drafts: tuple[MedicineEntry, ...] = (), **facts: object
) -> Record:
    regimen = Regimen(tuple(line for taken in current for line in taken.lines))
    known = Facts(
        regimen,
        age_years=40,
        conditions=(Known("hypothyroidism", "Condition/c"),),
        **facts,  # type: ignore[arg-type]
    )
    return Record(AS_OF, "Patient/p", known, current, drafts)


LT4_100 = entry("levothyroxine", 100)


def drafted(preparation: str, amount: int, name: str = "order", **more: object) -> MedicineEntry:
    return entry(preparation, amount, name, draft=True, **more)


def refused(taken: Record, request: SwitchRequest) -> DomainError:
    with pytest.raises(DomainError) as caught:
        propose(taken, request, CATALOGUE)
    return caught.value


def codes(proposal: Proposal) -> set[str]:
    return {finding.code for finding in proposal.findings}


def test_a_target_named_gives_a_plan() -> None:
    proposal = propose(record(LT4_100), SERIES, CATALOGUE)
    assert proposal.outcome is Outcome.PLAN
    assert proposal.plan is not None
    assert proposal.plan.checkpoint.dose.grains == 1


def test_without_a_target_or_an_order_one_is_asked_for() -> None:
    error = refused(record(LT4_100), INFERRED)
    assert (error.category, error.field) == (Category.INVALID, "target")


def test_the_only_draft_shows_the_target_and_is_judged() -> None:
    taken = record(LT4_100, drafts=(drafted("desiccated-thyroid-60", 60),))
    proposal = propose(taken, INFERRED, CATALOGUE)
    assert proposal.target is Target.DESICCATED_THYROID
    assert proposal.judgement is not None
    assert proposal.judgement.verdict is Verdict.UNDER
    assert "order-under-dosed-switch" in codes(proposal)


def test_our_own_filed_proposal_is_never_taken_for_an_order() -> None:
    ours = drafted("desiccated-thyroid-60", 15, ours=True)
    assert refused(record(LT4_100, drafts=(ours,)), INFERRED).field == "target"


def test_several_drafts_are_asked_about() -> None:
    drafts = (drafted("desiccated-thyroid-60", 60, "a"), drafted("levothyroxine", 50, "b"))
    proposal = propose(record(LT4_100, drafts=drafts), INFERRED, CATALOGUE)
    assert proposal.outcome is Outcome.DATA_REQUIRED
    assert [q.expression for q in proposal.record.questions] == ["Bundle.a", "Bundle.b"]


def test_an_order_named_is_the_one_that_is_judged() -> None:
    drafts = (drafted("desiccated-thyroid-60", 120, "a"), drafted("levothyroxine", 50, "b"))
    request = replace(INFERRED, orders=("MedicationRequest/a",))
    proposal = propose(record(LT4_100, drafts=drafts), request, CATALOGUE)
    assert proposal.target is Target.DESICCATED_THYROID
    assert proposal.judgement is not None
    assert proposal.judgement.numbers.order.grains == 2


def test_an_order_that_is_not_in_the_record_is_an_error() -> None:
    request = replace(INFERRED, orders=("MedicationRequest/other",))
    assert refused(record(LT4_100), request).field == "order"


def test_an_order_and_a_target_that_disagree_are_an_error() -> None:
    taken = record(LT4_100, drafts=(drafted("desiccated-thyroid-60", 60),))
    request = replace(INFERRED, target=Target.LIOTHYRONINE, orders=("MedicationRequest/order",))
    error = refused(taken, request)
    assert (error.category, error.field) == (Category.CONFLICT, "target")


def test_lt3_beside_lt4_may_be_added_or_replace_it_so_it_is_asked() -> None:
    taken = record(LT4_100, drafts=(drafted("liothyronine", 5),))
    proposal = propose(taken, INFERRED, CATALOGUE)
    assert proposal.outcome is Outcome.DATA_REQUIRED
    assert "added" in proposal.record.questions[0].question


def test_lt3_that_replaces_lt4_by_its_own_word_is_a_switch() -> None:
    order = drafted("liothyronine", 25, replaced="MedicationStatement/taken")
    proposal = propose(record(LT4_100, drafts=(order,)), INFERRED, CATALOGUE)
    assert proposal.target is Target.LIOTHYRONINE
    assert proposal.judgement is not None
    assert proposal.judgement.ending is Ending.ENDS


def test_an_old_medicine_that_outlives_the_order_is_duplicate_therapy() -> None:
    running = entry("levothyroxine", 100, last_day=90)
    taken = record(running, drafts=(drafted("desiccated-thyroid-60", 120),))
    proposal = propose(taken, INFERRED, CATALOGUE)
    assert proposal.judgement is not None
    assert proposal.judgement.ending is Ending.RUNS
    assert proposal.judgement.verdict is Verdict.DUPLICATE


def test_a_question_in_the_record_comes_before_any_plan() -> None:
    asked = replace(record(LT4_100), questions=(Question("Bundle.x", "How much?"),))
    proposal = propose(asked, SERIES, CATALOGUE)
    assert (proposal.outcome, proposal.plan) == (Outcome.DATA_REQUIRED, None)


def test_nothing_taken_is_asked_about() -> None:
    proposal = propose(record(), SERIES, CATALOGUE)
    assert proposal.outcome is Outcome.DATA_REQUIRED


def test_a_stop_leaves_no_plan() -> None:
    taken = record(LT4_100)
    facts = replace(taken.facts, conditions=(Known("adrenal-insufficiency", "Condition/a"),))
    proposal = propose(replace(taken, facts=facts), SERIES, CATALOGUE)
    assert (proposal.outcome, proposal.plan) == (Outcome.STOP, None)


def test_cardiac_disease_makes_the_plan_a_slow_overlap_whatever_was_asked() -> None:
    taken = record(LT4_100)
    facts = replace(
        taken.facts, conditions=(*(taken.facts.conditions or ()), Known("heart-failure", "c"))
    )
    request = replace(SERIES, pace="brisk", prior_therapy=PriorTherapy.STOP)
    plan = propose(replace(taken, facts=facts), request, CATALOGUE).plan
    assert plan is not None
    assert (plan.pace, plan.prior_therapy) == ("cautious", PriorTherapy.OVERLAP)
    first = plan.steps[0]
    assert first.days == 28
    assert [line.amount for line in first.lines if line.part == "new"] == [
        15
    ]  # half of it is not orderable


def test_pregnancy_moves_to_lt4_at_no_less_than_the_largest_sourced_target() -> None:
    taken = record(entry("desiccated-thyroid-60", 120))
    facts = replace(taken.facts, pregnant=True)
    request = replace(SERIES, target=Target.LEVOTHYROXINE)
    plan = propose(replace(taken, facts=facts), request, CATALOGUE).plan
    assert plan is not None
    assert plan.checkpoint.dose.lt4_ug == 200  # label: two grains
    days = [draw.day for draw in plan.labs]
    assert all(later - day <= 28 for day, later in pairwise(days))


def test_the_strength_family_that_is_taken_is_the_one_that_is_ordered() -> None:
    taken = record(entry("desiccated-thyroid-65", 260))
    request = replace(SERIES, target=Target.DESICCATED_LT3)
    plan = propose(taken, request, CATALOGUE).plan
    assert plan is not None
    families = {
        line.preparation.id
        for step in plan.steps
        for line in step.lines
        if line.preparation.mg_per_grain
    }
    assert families == {"desiccated-thyroid-65"}


def test_the_regimen_already_taken_is_not_a_switch() -> None:
    error = refused(record(LT4_100), replace(SERIES, target=Target.LEVOTHYROXINE))
    assert (error.category, error.field) == (Category.NOTHING_TO_DO, "target")


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"basis_id": "ddd"}, "basis"),
        ({"basis_id": "none-such"}, "basis"),
        ({"pace": "none-such"}, "pace"),
    ],
)
def test_an_option_out_of_place_is_named(change: dict[str, str], field: str) -> None:
    assert refused(record(LT4_100), replace(SERIES, **change)).field == field  # type: ignore[arg-type]


def ordered(plan: Plan) -> set[tuple[str, Fraction]]:
    """Products of the series and of every branch."""
    ways = [plan.prescriptions, *(branch.prescriptions for branch in plan.checkpoint.branches)]
    return {(made.preparation.id, made.strength) for way in ways for made in way}


def test_only_tablets_in_stock_are_ordered_or_the_plan_is_refused() -> None:
    stock = tuple(("desiccated-thyroid-60", Fraction(mg)) for mg in (30, 15))
    plan = propose(record(LT4_100), replace(SERIES, stock=stock), CATALOGUE).plan
    assert plan is not None
    grains = {strength for key, strength in ordered(plan) if key == "desiccated-thyroid-60"}
    assert grains == {15, 30}
    only_60 = replace(SERIES, stock=(("desiccated-thyroid-60", Fraction(60)),))
    error = refused(record(LT4_100), only_60)
    assert (error.field, error.category) == ("stock", Category.OUT_OF_RANGE)
    assert "no stocked strength of desiccated thyroid" in error.message


def test_the_tablets_at_home_are_those_of_the_current_orders_and_are_used_first() -> None:
    at_home = replace(LT4_100, strength=Fraction(50))
    plan = propose(record(at_home), SERIES, CATALOGUE).plan
    other = propose(record(replace(LT4_100, strength=Fraction(100))), SERIES, CATALOGUE).plan
    assert plan is not None
    assert other is not None
    assert ("levothyroxine", Fraction(50)) in ordered(plan)
    assert plan.taper is not None
    assert plan.taper.chosen.bought <= 1
    assert ordered(plan) != ordered(other)
