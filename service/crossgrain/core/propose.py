"""The main job: a record and a request in, a proposal out. Pure; used by the API, the command
line and the sheet alike, so that all give the same answer."""

from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import replace
from fractions import Fraction

from crossgrain.catalogue import Catalogue
from crossgrain.core.judge import ending, judge
from crossgrain.core.proposal import DEFAULT_FAMILY, Proposal, SwitchRequest
from crossgrain.core.series import PLAN_RUNNING, running_plan, with_last_supply
from crossgrain.dosing.comparison import aim_on
from crossgrain.dosing.plan import PriorTherapy
from crossgrain.dosing.preparations import Kind
from crossgrain.dosing.targets import DESICCATED_TARGETS, TARGET_OF, Target
from crossgrain.dosing.wish import Wish
from crossgrain.names.errors import Category, DomainError
from crossgrain.reading.elements import Asks
from crossgrain.reading.record import MedicineEntry, Question, Record
from crossgrain.safety.assess import after_plan, before_plan, constraints
from crossgrain.safety.checks import baseline_of, checks_of, with_baseline
from crossgrain.safety.facts import T3_TARGETS, Constraints, Intent, RunningPlan, intent_for
from crossgrain.safety.judgement import Ending, order_findings
from crossgrain.safety.need import SHORTAGE, TodaysNeed, need_of
from crossgrain.safety.results import tsh_limits
from crossgrain.safety.rule import Finding, any_stop, most_severe_first

CAUTIOUS = "cautious"


def propose(record: Record, request: SwitchRequest, catalogue: Catalogue) -> Proposal:
    """Judge a record and plan the switch.

    Returns a proposal with questions where the record leaves a dose open, without a plan
    where a `stop` finding stands, and with a plan otherwise.

    Raises
    ------
    DomainError
        where the request itself cannot be served: see `planner.plan_switch`, and ``target``
        where none is named and no order shows one, or an order shows another.
    """
    running = running_plan(record, catalogue)
    if running is not None:
        return _in_the_midst(record, request, running, catalogue)
    orders = _orders(record, request)
    target, asked = _target(record, request, orders)
    tsh = tsh_limits(record.facts, catalogue.rules)
    open_questions = (*record.questions, *asked, *nothing_taken(record))
    if open_questions or target is None:
        return Proposal(request, target, replace(record, questions=open_questions), (), None, tsh)
    judgement = judge(record, orders, request.basis_id, catalogue) if orders else None
    on_order = order_findings(judgement, catalogue.rules) if judgement else ()
    family = _desiccated_family(record, request, target, orders)
    plans, today = catalogue.plans[family], record.regimen
    rows = plans.compare(today, target, request.mixture)
    aim = aim_on(request.basis_id, rows)
    intent = intent_for(today, target, aim, catalogue.bases, catalogue.policy.tolerance)
    found = (*on_order, *before_plan(record.facts, intent, catalogue.rules))
    plan = None
    limits = constraints(found, catalogue.rules)
    if not any_stop(found):
        need = need_of(record.facts, catalogue.rules.before[SHORTAGE], catalogue.policy)
        wish = wish_for(record, request, target, limits, need)
        catalogue.policy.pace(request.pace)  # unknown, it is an error even where not used
        plan = plans.plan_switch(today, wish)
        found = (*found, *after_plan(plan, record.facts, catalogue.rules, slowly=limits.slowly))
    starts_in = (request.start - request.as_of).days
    baseline = baseline_of(record.facts, found, catalogue.rules, starts_in)
    plan = None if plan is None or any_stop(found) else with_baseline(plan, baseline)
    return Proposal(
        request,
        target,
        record,
        most_severe_first(found),
        plan,
        tsh,
        checks_of(found, catalogue.rules, plan, today.t3_ug) if plan else {},
        baseline,
        judgement,
        family,
        catalogue.tables_version,
        limits,
    )


def _in_the_midst(
    record: Record, request: SwitchRequest, running: RunningPlan, catalogue: Catalogue
) -> Proposal:
    """A call while a plan runs: what stops it, and no question that only a plan would need."""
    catalogue.basis(request.basis_id)
    catalogue.policy.pace(request.pace)
    target = request.target or running.target
    record = with_last_supply(replace(record, questions=()), catalogue.rules, running=running)
    orders = tuple(order for order in _orders(record, request) if order.lines)
    judgement = None
    if orders and record.regimen.kinds:
        with suppress(DomainError):  # no chart reaches the doses: the plan is stopped all the same
            judgement = judge(record, orders, request.basis_id, catalogue)
    facts = replace(record.facts, running=running, in_series=True)
    intent = Intent(target, t3_rises=target in T3_TARGETS, hormone_rises=True)
    found = (
        *(order_findings(judgement, catalogue.rules) if judgement else ()),
        *before_plan(facts, intent, catalogue.rules),
    )
    tsh = tsh_limits(facts, catalogue.rules)
    stopped = most_severe_first(found)
    return Proposal(request, target, record, stopped, None, tsh, judgement=judgement)


def in_the_midst(record: Record, catalogue: Catalogue) -> tuple[Record, Finding | None]:
    """A record whose doses are to be compared, and the finding where a plan is under way.

    On a day on which the plan's supply has just ended, what was taken until then still counts.
    """
    running = running_plan(record, catalogue)
    if running is None:
        return record, None
    intent = Intent(running.target, t3_rises=False, hormone_rises=False)
    facts = replace(record.facts, running=running)
    (finding,) = (
        each for each in before_plan(facts, intent, catalogue.rules) if each.code == PLAN_RUNNING
    )
    return with_last_supply(record, catalogue.rules, running=running), finding


def wish_for(
    record: Record, request: SwitchRequest, target: Target, limits: Constraints, need: TodaysNeed
) -> Wish:
    """What was asked, as far as the findings let it be."""
    # The cautious pace rises by the smallest orderable increment, from the first step on.
    frail = limits.slowly or limits.too_much_weighs or limits.too_little_weighs
    return Wish(
        target=target,
        basis_id=request.basis_id,
        pace_id=CAUTIOUS if limits.slowly else request.pace,
        prior_therapy=PriorTherapy.OVERLAP if limits.slowly else request.prior_therapy,
        mixture=request.mixture,
        lt4_at_least_most_generous=limits.lt4_at_least_most_generous,
        tsh_every_days=limits.tsh_every_days,
        too_much_weighs=limits.too_much_weighs,
        too_little_weighs=limits.too_little_weighs,
        need=need.part,
        need_said=need.said,
        at_home=at_home_in(record),
        stock=tuple(sorted(set(request.stock))),
        another_product=request.another_product,
        weekly_pattern=request.weekly_pattern and not frail,
        weekly_withheld=request.weekly_pattern and frail,
        lt3_doses=request.lt3_doses,
        weight_kg=record.facts.weight_kg,
    )


def at_home_in(record: Record) -> tuple[tuple[str, Fraction], ...]:
    """The tablets that the patient has: those of the current orders and statements."""
    return tuple(
        dict.fromkeys(
            (entry.lines[0].preparation.id, entry.strength)
            for entry in record.current
            if entry.lines and entry.strength is not None
        )
    )


def _desiccated_family(
    record: Record, request: SwitchRequest, target: Target, orders: Sequence[MedicineEntry]
) -> str:
    """The strength family to plan with: the one asked for, else ordered, else taken.

    Another than the one taken is a move of its own; the two are never mixed.

    Raises
    ------
    DomainError
        ``conflict``, field ``desiccated-family``, where the order is of another than asked for.
    """
    taken, ordered = (family_in(entries) for entries in (record.current, orders))
    asked = request.desiccated_family
    if target not in DESICCATED_TARGETS:
        return taken or asked or DEFAULT_FAMILY
    if asked and ordered and asked != ordered and request.orders:
        raise DomainError(
            Category.CONFLICT,
            "desiccated-family",
            "the order named is of another grain family than the one asked for",
        )
    return asked or ordered or taken or DEFAULT_FAMILY


def family_in(entries: Iterable[MedicineEntry]) -> str:
    """The first family of desiccated thyroid in some orders; empty where there is none."""
    for entry in entries:
        for line in entry.lines:
            if line.preparation.kind is Kind.DESICCATED_THYROID:
                return line.preparation.id
    return ""


def _target(
    record: Record, request: SwitchRequest, orders: Sequence[MedicineEntry]
) -> tuple[Target | None, tuple[Question, ...]]:
    """The target asked for, or what the order named (or the only draft) moves to."""
    if request.target is None and not orders:
        raise DomainError(
            Category.INVALID, "target", "name a target: the record holds no order that shows one"
        )
    if not request.orders and len(orders) > 1:
        if request.target is not None:
            return request.target, ()
        return None, tuple(
            Question(
                entry.path,
                "Several thyroid hormone orders are drafts: which is to be judged?",
                Asks.ORDER,
            )
            for entry in orders
        )
    ordered = TARGET_OF.get(
        frozenset(line.preparation.kind for entry in orders for line in entry.lines)
    )
    if request.target is not None and request.orders and ordered is not request.target:
        raise DomainError(
            Category.CONFLICT, "target", "the order named is not for the target asked for"
        )
    if request.target is None and ordered is None:
        raise DomainError(
            Category.INVALID, "target", "name a target: the order does not show one of the five"
        )
    if request.target is None and _may_be_added(record, orders):
        return None, tuple(
            Question(
                entry.path,
                "Does this order replace what is taken now, or is it added to it? Name the target.",
                Asks.TARGET,
            )
            for entry in orders
        )
    return request.target or ordered, ()


def _may_be_added(record: Record, orders: Sequence[MedicineEntry]) -> bool:
    """Whether the order could as well make a combination with what is taken now."""
    ordered = {line.preparation.kind for entry in orders for line in entry.lines}
    together = frozenset(ordered | record.regimen.kinds)
    return (
        not ordered & record.regimen.kinds
        and len(together) > 1
        and together in TARGET_OF
        and ending(record, orders) is not Ending.ENDS
    )


def _orders(record: Record, request: SwitchRequest) -> tuple[MedicineEntry, ...]:
    drafts = _foreign_drafts(record)
    if not request.orders:
        return drafts
    named = tuple(entry for entry in record.drafts if entry.reference in request.orders)
    if len(named) != len(set(request.orders)):
        raise DomainError(
            Category.INVALID, "order", "an order named is not a thyroid hormone draft in the record"
        )
    return named


def _foreign_drafts(record: Record) -> tuple[MedicineEntry, ...]:
    """Drafts that are no unchanged step of ours, and no option that waits for a choice."""
    return tuple(entry for entry in record.drafts if not entry.ours and not entry.option)


def nothing_taken(record: Record) -> tuple[Question, ...]:
    """The question where a record shows no hormone that is taken, so that no number is of it."""
    if record.questions or record.regimen.t4_ug or record.regimen.t3_ug:
        return ()
    return (
        Question(
            record.root,
            "No current thyroid hormone was found. What does the patient take now, and how much?",
            Asks.NOW,
        ),
    )
