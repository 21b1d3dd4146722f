"""What is to be said of the orders of a session: nothing, a question, or a judgement.

Silence is the rule. An order is not a switch where nothing was taken before, and a new dose of
what is taken already is a titration: of it only a dose too high at once, a jump in T3, or that a
plan runs of which it is no step, is said. An order that fits is passed over, unless a safety rule
stops or holds it.
"""

from collections.abc import Iterator
from dataclasses import replace
from datetime import date

from crossgrain.catalogue import Catalogue
from crossgrain.core.judge import judge
from crossgrain.core.proposal import Proposal, SwitchRequest
from crossgrain.core.propose import propose
from crossgrain.core.series import (
    drafts_outside_a_series,
    marks_of,
    running_plan,
    with_last_supply,
)
from crossgrain.core.shape import exchanges_product
from crossgrain.dosing.targets import TARGET_OF, Target
from crossgrain.names.errors import DomainError
from crossgrain.names.values import frozen
from crossgrain.reading.record import MedicineEntry, Question, Record
from crossgrain.safety.assess import before_plan
from crossgrain.safety.facts import Intent
from crossgrain.safety.judgement import OrderJudgement, Verdict, order_findings
from crossgrain.safety.order import switched_regimen
from crossgrain.safety.rule import Finding, RuleTable, Severity, most_severe_first

_EITHER_WAY = {Verdict.OVER, Verdict.T3_JUMP, Verdict.BESIDE_PLAN}
"""What holds of an order whether it replaces what is taken, changes it, or is added to it."""
_FITS = f"order-{Verdict.FITS}"
_NOT_CHECKED = "not-checked-"
EXCHANGED = "product-exchanged"


@frozen
class Advice:
    """What is known of the orders under judgement.

    Attributes
    ----------
    orders : every thyroid hormone order of the session, judged together
    questions : what must be answered before a series can be proposed
    judgement : the verdict
    concerns : what is to be said, most severe first; empty where nothing is
    not_checked : rules that lacked their data
    proposal : the series instead of the order, where there is one
    """

    record: Record
    orders: tuple[MedicineEntry, ...]
    questions: tuple[Question, ...] = ()
    judgement: OrderJudgement | None = None
    concerns: tuple[Finding, ...] = ()
    not_checked: tuple[Finding, ...] = ()
    proposal: Proposal | None = None

    @property
    def offers_series(self) -> bool:
        """Whether there is a plan, and the order as written does not do without it."""
        if not self.proposal or not self.proposal.plan or not self.judgement:
            return False
        return self.judgement.verdict is not Verdict.FITS


def orders_in(record: Record, session: frozenset[str]) -> tuple[MedicineEntry, ...]:
    """The thyroid hormone orders of the session, those of a series of ours among them.

    A draft that only stands in the record is not about to be signed.
    """
    return tuple(entry for entry in record.drafts if entry.reference in session)


def advise(
    record: Record,
    catalogue: Catalogue,
    as_of: date,
    basis_id: str,
    session: frozenset[str],
    prescriber: str = "",
) -> Advice:
    """Judge the orders of a session, by their references in the record, taken together.

    `prescriber` is who asks for the series that is offered instead.
    """
    orders = orders_in(record, session)
    record = with_last_supply(record, catalogue.rules, orders)
    if record.questions:
        return Advice(record, orders, questions=record.questions)
    if not orders or not (record.regimen.t4_ug or record.regimen.t3_ug):
        return Advice(record, orders)
    try:
        judgement = judge(record, orders, basis_id, catalogue)
    except DomainError:  # no chart that steers a plan reaches the doses
        return Advice(record, orders)
    if not drafts_outside_a_series(record, orders, catalogue):
        judgement = replace(judgement, verdicts=(Verdict.FITS,), disputes=())
        return Advice(
            record,
            orders,
            judgement=judgement,
            concerns=tuple(_of_steps(record, orders, judgement, catalogue)),
        )
    if judgement.numbers.changes_a_line and not exchanges_product(record.regimen, orders):
        judgement = _in_a_plan(record, judgement, catalogue)
        concerns = tuple(_either_way(judgement, catalogue.rules))
        if marks_of(record, orders):  # a step that was changed is no mere titration
            steps = _of_steps(record, orders, judgement, catalogue)
            concerns = most_severe_first((*concerns, *steps))
        return Advice(record, orders, judgement=judgement, concerns=concerns)
    request = replace(_request(orders, as_of, basis_id, catalogue), requester=prescriber)
    return _of_switch(record, orders, judgement, request, catalogue)


def _in_a_plan(record: Record, judgement: OrderJudgement, catalogue: Catalogue) -> OrderJudgement:
    """The judgement on an order that is no step, with that a plan runs whose doses it changes."""
    now = record.regimen
    then = switched_regimen(now, judgement.numbers.order)
    stays = (then.t4_ug, then.t3_ug) == (now.t4_ug, now.t3_ug)
    if stays or running_plan(record, catalogue) is None:
        return judgement
    others = [verdict for verdict in judgement.verdicts if verdict is not Verdict.FITS]
    return replace(judgement, verdicts=(*others, Verdict.BESIDE_PLAN))


def _of_steps(
    record: Record,
    orders: tuple[MedicineEntry, ...],
    judgement: OrderJudgement,
    catalogue: Catalogue,
) -> Iterator[Finding]:
    """What stops or holds the steps of a series; how fast they climb was settled before."""
    numbers = judgement.numbers
    targets = [one.mark.facts.target for one in marks_of(record, orders)]
    kinds = frozenset(line.preparation.kind for order in orders for line in order.lines)
    new = kinds - record.regimen.kinds or kinds
    # Of a mixture that is no target, every rule about T3 is asked but the one of LT3 alone.
    target = targets[0] if targets else TARGET_OF.get(new, Target.DESICCATED_LT3)
    rises = numbers.t3_rise(runs=False) > 0
    more = any(b.switched.highest > 1 for b in numbers.bases if b.steers)
    intent = Intent(target, t3_rises=rises, hormone_rises=rises or more)
    facts = replace(record.facts, in_series=True)
    for finding in before_plan(facts, intent, catalogue.rules):
        if finding.severity is not Severity.NOTE and not finding.code.startswith(_NOT_CHECKED):
            yield finding


def _request(
    orders: tuple[MedicineEntry, ...], as_of: date, basis_id: str, catalogue: Catalogue
) -> SwitchRequest:
    references = tuple(order.reference for order in orders)
    return SwitchRequest(
        as_of=as_of,
        start=as_of,
        mixture=catalogue.policy.combining.mixture(),
        basis_id=basis_id,
        orders=references,
    )


def _either_way(judgement: OrderJudgement, rules: RuleTable) -> Iterator[Finding]:
    numbers = judgement.numbers
    rises = numbers.t3_switched_ug > numbers.t3_now_ug
    said = {f"order-{each}" for each in _EITHER_WAY if rises or each is not Verdict.T3_JUMP}
    return (finding for finding in order_findings(judgement, rules) if finding.code in said)


def _of_switch(
    record: Record,
    orders: tuple[MedicineEntry, ...],
    judgement: OrderJudgement,
    request: SwitchRequest,
    catalogue: Catalogue,
) -> Advice:
    try:
        proposal = propose(record, request, catalogue)
    except DomainError:  # the order stands judged, with no series to put in its place
        found: tuple[Finding, ...] = order_findings(judgement, catalogue.rules)
        concerns = tuple(_concerns(found, judgement, catalogue.rules))
        return Advice(record, orders, judgement=judgement, concerns=concerns)
    if proposal.record.questions:
        concerns = tuple(_either_way(judgement, catalogue.rules))
        return Advice(record, orders, proposal.record.questions, judgement, concerns)
    return Advice(
        record,
        orders,
        judgement=judgement,
        concerns=tuple(_concerns(proposal.findings, judgement, catalogue.rules)),
        not_checked=tuple(f for f in proposal.findings if f.code.startswith(_NOT_CHECKED)),
        proposal=proposal,
    )


def _concerns(
    findings: tuple[Finding, ...], judgement: OrderJudgement, rules: RuleTable
) -> Iterator[Finding]:
    """Of an order that fits only what stops or holds it; else all that was checked."""
    fits = judgement.verdict is Verdict.FITS
    for finding in findings:
        if finding.code == _FITS or finding.code.startswith(_NOT_CHECKED):
            continue
        if finding.code == EXCHANGED:  # never the same in silence
            yield finding
            continue
        if fits and (finding.severity is Severity.NOTE or finding.code in rules.after):
            continue  # a note is no reason to interrupt, and a rule of the plan not the order's
        yield finding
