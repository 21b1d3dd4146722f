"""The visit after the first: where the patient stands, the one answer, and what it changes.

Pure; used by the API and the command line alike. A next step is an ordinary plan from today on, so
all that is written of a plan is written of it; only what is filed already, and stays as it is, is
not written again.
"""

from collections.abc import Mapping, Sequence
from dataclasses import field, replace
from fractions import Fraction

from crossgrain.catalogue import Catalogue
from crossgrain.core.already_ordered import only_changed
from crossgrain.core.course_so_far import about_today, facts_in
from crossgrain.core.filed_ends import as_ended
from crossgrain.core.filed_plan import FiledPlan, Replaced, Submitted
from crossgrain.core.hold_at_visit import rises_in, settled
from crossgrain.core.meanwhile import NOTHING_WAITS, Meanwhile, until_settled
from crossgrain.core.proposal import DEFAULT_FAMILY, Proposal, SwitchRequest
from crossgrain.core.propose import CAUTIOUS
from crossgrain.core.short_supply import Shortage, shortages
from crossgrain.core.standing import Standing, UnknownStanding, standing_of
from crossgrain.dosing.onward import Act, plan_onward
from crossgrain.dosing.plan import Plan
from crossgrain.dosing.targets import dose_of
from crossgrain.dosing.underway import LabsAwaited
from crossgrain.names.values import frozen
from crossgrain.reading.record import Question, Record
from crossgrain.safety.assess import after_plan, before_plan
from crossgrain.safety.checks import checks_of
from crossgrain.safety.facts import Intent, hormone_rises
from crossgrain.safety.labs_since import days_off_biotin
from crossgrain.safety.results import tsh_limits
from crossgrain.safety.rule import Finding, Severity, any_stop, most_severe_first
from crossgrain.safety.visit import (
    Decision,
    Lateness,
    Position,
    Precedence,
    Stock,
    decide,
)

COVERAGE_HIGH = "coverage-high"
_ON_COVERAGE = {"coverage-low", "overt-hypothyroidism", COVERAGE_HIGH}
"""The rules on how low or how high a plan leads."""
TSH_SUPPRESSED = "tsh-suppressed"
"""The rule that stops any rise; a plan that rises all the same is stopped by it here too."""


@frozen
class NextStep:
    """What a visit ends with.

    Attributes
    ----------
    standing : where the patient is, with the one answer; ``None`` where that cannot be told
    proposal : the record, the findings, the questions, and the plan from today on; it has none
        where the answer is to ask or to stop
    replaced : what is filed already: what of it stands, and what does not
    changes : whether anything is to be filed at all
    cites_given : whether it names what stands in no record, only in the plan of the call
    meanwhile : where it asks or stops, what becomes of the doses until that is settled
    rises : the parts of the plan in which a dose rises, by name, and the first day of it: that, and
        no more, waits for what is on hold
    """

    standing: Standing | None
    proposal: Proposal
    replaced: Replaced
    changes: bool
    cites_given: bool = False
    meanwhile: Meanwhile = NOTHING_WAITS
    rises: Mapping[str, int] = field(default_factory=dict)


def next_step(sent: Submitted, request: SwitchRequest, catalogue: Catalogue) -> NextStep:
    """Settle what is done next.

    Parameters
    ----------
    request : the day, and what is asked for where no plan runs

    Raises
    ------
    DomainError
        where the request itself cannot be served: an unknown basis or pace, a stock that makes no
        such dose.
    """
    catalogue.basis(request.basis_id)
    catalogue.policy.pace(request.pace)
    standing = standing_of(sent.record, sent.history, sent.given, request, catalogue)
    visit = _Visit(sent, request, catalogue, FiledPlan.of(sent, request, catalogue))
    if isinstance(standing, UnknownStanding):
        return visit.asking(standing, standing.questions)
    match standing.decision.act:
        case Act.ASK:
            return visit.asking(standing, (_question(standing),))
        case Act.STOP:
            return visit.stopping(standing, standing.findings)
        case _:
            return visit.planning(standing)


@frozen
class _Visit:
    """What a next step is made from."""

    sent: Submitted
    request: SwitchRequest
    catalogue: Catalogue
    filed: FiledPlan

    def asking(
        self, where: Standing | UnknownStanding, questions: tuple[Question, ...]
    ) -> NextStep:
        """Nothing is decided before the questions are answered, and nothing rises until then.

        What is filed stands; of it, what rises is not to begin, nor what falls beside it.
        """
        record: Record = self.sent.record
        found: tuple[Finding, ...] = ()
        if isinstance(where, Standing):
            record, found = where.record, where.findings
        record = replace(record, questions=questions)
        return self._without_plan(where, record, found, self.filed.waits(record))

    def stopping(self, standing: Standing, found: tuple[Finding, ...]) -> NextStep:
        """The climb ends: today's dose goes on, and what has not begun is withdrawn."""
        if not any_stop(found):
            found = (*found, _stop(standing.decision))
        replaced = self.filed.withdrawn(standing.record)
        return self._without_plan(standing, standing.record, found, replaced)

    def planning(self, standing: Standing) -> NextStep:
        """The plan from today on, and what it changes."""
        plan, day_one = self._plan(standing), self.request.start
        short = shortages(plan, standing.underway)
        if self._asks_for_tablets(standing, short):
            asks = self._without_tablets(standing, short)
            return self.asking(asks, (_question(asks),))
        found = self._findings(standing, plan)
        if any_stop(found):
            return self.stopping(standing, found)
        found = (*found, *(each.finding(day_one) for each in short))
        of_short = {each.line.preparation.id for each in short}
        replaced = self.filed.replaced_by(plan, standing.record, of_short)
        supply = self.catalogue.policy.supply
        plan = replace(plan, prescriptions=only_changed(plan, day_one, replaced.kept, supply))
        changes = self._changes(standing, plan, replaced)
        if not changes:
            replaced = replace(replaced, ends=())  # they stand as they are
        t3_now = standing.record.regimen.t3_ug
        proposal = replace(
            self._proposal(standing, standing.record, found),
            target=plan.target,
            plan=plan,
            checks=checks_of(found, self.catalogue.rules, plan, t3_now),
            limits=standing.limits,
        )
        return NextStep(
            standing,
            proposal,
            replaced,
            changes=changes,
            cites_given=self.filed.cites_given(replaced),
            rises=rises_in(plan, standing.record.regimen, self.catalogue),
        )

    def _asks_for_tablets(self, standing: Standing, short: Sequence[Shortage]) -> bool:
        """Whether nothing but the stock that was named is in the way of the plan's own dates."""
        named = {preparation_id for preparation_id, _ in self.request.stock}
        by_dates = standing.decision.stage is Precedence.SCHEDULE
        return by_dates and any(each.line.preparation.id in named for each in short)

    def _without_tablets(self, standing: Standing, short: Sequence[Shortage]) -> Standing:
        """The same patient, where what is answered first is which tablets can be had."""
        visit = replace(standing.visit, stock=Stock.NONE)
        decision = decide(visit, self.catalogue.decisions)
        found = (each.said(self.request.start) for each in short)
        says = " ".join((decision.says, *found))
        return replace(standing, visit=visit, decision=replace(decision, says=says))

    def _plan(self, standing: Standing) -> Plan:
        """The plan from today on, in the tablets in which it is filed already."""
        decision = standing.decision
        plan = plan_onward(
            standing.underway,
            decision.act,
            self.catalogue.plans[standing.family].tables,
            reading=decision.reading,
            hold_days=decision.hold_days,
            awaited=self._awaited(standing),
            freeze_old=decision.freeze_old,
            slower=self._slower(standing),
        )
        plan = self.filed.in_its_tablets(plan)
        goes_on = decision.act is Act.CONTINUE and standing.visit.schedule is Lateness.ON_TIME
        return self.filed.on_filed_days(plan) if goes_on else plan

    def _awaited(self, standing: Standing) -> LabsAwaited | None:
        """The labs for which a hold waits, drawn once no biotin spoils them."""
        draw = standing.decision.draw
        if draw is None:
            return None
        return LabsAwaited(draw, days_off_biotin(standing.record.facts, self.catalogue.rules))

    def _slower(self, standing: Standing) -> Fraction:
        """How many times as long the steps become where what is new asks for the cautious pace."""
        facts = standing.facts
        asked = standing.decision.stage is Precedence.FINDING and standing.limits.slowly
        if not asked or facts is None:
            return Fraction(1)
        pace = self.catalogue.policy.pace
        return Fraction(pace(CAUTIOUS).interval_days, pace(facts.pace).interval_days)

    def _without_plan(
        self,
        where: Standing | UnknownStanding,
        record: Record,
        found: tuple[Finding, ...],
        replaced: Replaced,
    ) -> NextStep:
        standing = where if isinstance(where, Standing) else None
        return NextStep(
            standing,
            self._proposal(standing, record, found),
            replaced,
            changes=bool(replaced.ended or replaced.waiting or replaced.ends),
            cites_given=self.filed.cites_given(replaced),
            meanwhile=until_settled(
                where,
                self._as_ended(record, replaced),
                replaced.stayed,
                self.catalogue,
                ends_as_meant=standing is not None and not (replaced.waiting or any_stop(found)),
            ),
        )

    def _as_ended(self, record: Record, replaced: Replaced) -> Record:
        """The record with what the acts that go on standing are to end."""
        return as_ended(record, (e for e in self.filed.ends_of(record) if e not in replaced.ends))

    def _proposal(
        self, standing: Standing | None, record: Record, found: tuple[Finding, ...]
    ) -> Proposal:
        return Proposal(
            request=self._asked(standing),
            target=standing.target if standing else None,
            record=record,
            findings=most_severe_first(found),
            plan=None,
            tsh=tsh_limits(record.facts, self.catalogue.rules),
            family=standing.family if standing else DEFAULT_FAMILY,
            tables=self.catalogue.tables_version,
        )

    def _asked(self, standing: Standing | None) -> SwitchRequest:
        """The request; a plan that runs goes on by what it was made with."""
        facts = standing.facts if standing else None
        if facts is None:
            return self.request
        return replace(
            self.request,
            basis_id=facts.basis_id,
            pace=facts.pace,
            prior_therapy=facts.prior_therapy,
            mixture=facts.mixture,
            weekly_pattern=facts.weekly,
            lt3_doses=facts.lt3_doses,
            another_product=facts.another_product,
        )

    # --- findings --------------------------------------------------------------------------------

    def _findings(self, standing: Standing, plan: Plan) -> tuple[Finding, ...]:
        """What the rules say of the patient and of the plan from today on."""
        facts = facts_in(standing.record.facts, standing.facts)
        rules = self.catalogue.rules
        found = before_plan(facts, self._intent(standing, plan), rules)
        of_plan = (_of_the_way(each, plan, standing) for each in after_plan(plan, facts, rules))
        every = (*map(self._answered, found), *filter(None, of_plan))
        return tuple(settled(each, standing, plan, self.catalogue) for each in every)

    def _answered(self, finding: Finding) -> Finding:
        """A stop that only day one can heed is shown, and holds nothing back here."""
        if finding.code in self.catalogue.alarms.elsewhere - {TSH_SUPPRESSED}:
            return replace(finding, severity=Severity.NOTE)
        return finding

    def _intent(self, standing: Standing, plan: Plan) -> Intent:
        today, bases = standing.record.regimen, self.catalogue.bases
        rounding = self.catalogue.policy.tolerance
        doses = [dose_of(step.regimen) for step in plan.steps]
        return Intent(
            plan.target,
            t3_rises=any(step.t3_ug > today.t3_ug for step in plan.steps),
            hormone_rises=any(hormone_rises(today, dose, bases, rounding) for dose in doses),
            beside=standing.underway.beside,
        )

    def _changes(self, standing: Standing, plan: Plan, replaced: Replaced) -> bool:
        """Whether anything of what is filed is to change."""
        return bool(
            plan.prescriptions
            or replaced.ended
            or replaced.waiting
            or replaced.draws
            or any(end.waits_already for end in replaced.ends)
            or self.filed.draws_unasked(plan, replaced)
            or not replaced.care_plans
            or standing.decision.act is not Act.CONTINUE
        )


def _of_the_way(finding: Finding, plan: Plan, standing: Standing) -> Finding | None:
    """A finding on how low or how high the plan leads, as far as it is the plan that leads there.

    Where coverage is furthest today, the way there is over; and past the checkpoint it is labs
    that say what is enough.
    """
    if finding.code not in _ON_COVERAGE:
        return finding
    forecast = plan.forecasts[0]
    low = finding.code != COVERAGE_HIGH
    furthest = [c.lowest if low else c.highest for c in forecast.coverage]
    if all(extreme.day <= 0 for extreme in furthest):
        return None
    before_labs = standing.visit.position in {Position.CLIMB, Position.WAITING}
    return finding if before_labs else replace(finding, severity=Severity.NOTE)


def _question(standing: Standing) -> Question:
    """What a decision that asks has answered first."""
    decision = standing.decision
    return Question(about_today(standing.record), f"{decision.says} {decision.do}")


def _stop(decision: Decision) -> Finding:
    """The stop of the table itself, where no rule of the patient's says it."""
    return Finding(
        code=f"next-step-{decision.row}",
        title="The climb stops",
        severity=Severity.STOP,
        statement=decision.says,
        action=decision.do,
        origins=(),
        source=decision.source,
    )
