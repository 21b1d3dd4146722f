"""What every resource of one answer carries: patient, dates, names, and who asked."""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from crossgrain.core.proposal import Outcome, Proposal
from crossgrain.dosing.plan import Branch, LabDraw, Plan
from crossgrain.dosing.steps import OrderedCourse, Step, courses
from crossgrain.names.identity import PLAN_SYSTEM, RESOURCE_SYSTEM, stable_id, urn
from crossgrain.names.values import frozen
from crossgrain.reading.code_tables import CodeTables
from crossgrain.reading.question_form import QuestionForm
from crossgrain.reading.record import Question
from crossgrain.safety.checks import DatedCheck
from crossgrain.safety.rule import Finding, Severity, most_severe_first
from crossgrain.words.doses import CAUTION, DateWords, date_words
from crossgrain.writing.at_home import carried_over, replaced_by
from crossgrain.writing.conditions import Conditions, conditions_for
from crossgrain.writing.draw_expressions import Draw, Window
from crossgrain.writing.elements import narrative, paragraphs, plain
from crossgrain.writing.going_on import GoingOn, Replaceable, references
from crossgrain.writing.origins import handed_on, reasons_for
from crossgrain.writing.series_mark import (
    copied,
    facts_going_on,
    facts_parts,
    plan_name,
    series_facts,
)


@frozen
class Wording:
    """What says nothing of whose the plan is.

    Attributes
    ----------
    first_ordinal : day 0
    instructions : what the findings add to the instruction of every order
    codes : verified codes of the products
    dated : how dates are written in sentences
    """

    first_ordinal: int
    instructions: tuple[str, ...]
    codes: CodeTables
    dated: DateWords = date_words

    def iso(self, number: int) -> str:
        """The calendar date of a day of the plan, as FHIR writes it."""
        return date.fromordinal(self.first_ordinal + number).isoformat()

    def words(self, number: int) -> str:
        """The same, as a person reads it."""
        return self.dated(date.fromordinal(self.first_ordinal + number))


Resource = dict[str, Any]


@frozen
class Scope:
    """Which set of requests one belongs to: the series, or branches of the checkpoint.

    Attributes
    ----------
    name : `SERIES.name`, or the reading of the branch, of the first where several share a request
    intent : of every request in it
    condition : when the branch is taken, where it is one branch alone
    only_if : the sentence that says so on every request; none for the series
    """

    name: str
    intent: str
    condition: str = ""
    only_if: tuple[str, ...] = ()


SERIES = Scope("series", "proposal")
CAUTION_XHTML = paragraphs([CAUTION])
"""What a blood draw or a check says, which waits for nothing."""


@frozen
class Letterhead:
    """The constants of one answer. Build it with `letterhead_for`.

    Nothing in it can be changed, and what it gives to a resource is made for that resource: no
    two places of an answer, and no two answers, hold the same object.
    """

    proposal: Proposal
    plan: Plan | None
    """The plan, unless the answer is a question or a stop."""
    wording: Wording
    service_version: str
    plan_id: str
    facts: tuple[Resource, ...]
    """What the extension of every order says of the plan; none where there is no plan."""
    care_plan_urn: str
    authored: str
    encounter: str | None
    requester: str | None
    reasons: Resource
    """Why hormone is ordered: the element of an order that says so, or none."""
    findings: tuple[Finding, ...]
    """Most severe first: their places in this order name their resources."""
    issue_urns: tuple[str, ...]
    """The DetectedIssue of each finding."""
    replaced: Mapping[str, Sequence[Replaceable]]
    """Medicine → what an order for it replaces."""
    series: tuple[OrderedCourse, ...]
    """The doses of the unconditional steps; none where there is no plan."""
    branches: tuple[tuple[OrderedCourse, ...], ...]
    """Those of each branch of the checkpoint, in its order."""
    conditions: Conditions
    """When each branch of the checkpoint applies, by the patient's own limits."""
    draw: Draw
    """The draw that decides between them."""
    standing: tuple[str, ...]
    """What every order of a dose says that waits: what must be done before, and `every_order`."""
    every_order: tuple[str, ...]
    """What every order of a dose says: what to confirm, the caution."""
    going_on: GoingOn | None = None
    """Given where the answer goes on from a plan, or from a dose, as the next step."""
    form: QuestionForm | None = None
    """What the record leaves open."""

    @property
    def patient(self) -> Resource:
        """Reference to the patient, by the input's own reference."""
        return {"reference": self.proposal.record.patient_reference}

    @property
    def holds(self) -> list[Resource]:
        """References to the DetectedIssues of the holds."""
        return [
            {"reference": issue}
            for finding, issue in zip(self.findings, self.issue_urns, strict=True)
            if finding.severity is Severity.HOLD
        ]

    @property
    def series_parts(self) -> tuple[Resource, ...]:
        """The same, for one more resource."""
        return tuple(map(copied, self.facts))

    @property
    def day_one(self) -> date:
        """Day 0 of the plan."""
        return self.proposal.request.start

    @property
    def read_on(self) -> int:
        """The day of the plan on which the record was read: 0, or before it."""
        return (self.proposal.request.as_of - self.day_one).days

    @property
    def tied_to(self) -> str:
        """The care plan that requests are based on: the answer's own, or the one that stands."""
        return self.care_plan_urn if self.plan or not self.going_on else self.going_on.running

    def option_scope(self, branch: Branch) -> Scope:
        """The set of requests that a branch of the checkpoint is made of."""
        condition = self.conditions[branch.reading].words
        return Scope(branch.reading, "option", condition, (f"Only if: {condition}.",))

    def shared_scope(self, branches: Sequence[Branch]) -> Scope:
        """What several branches of the checkpoint have in common; of one alone, its own."""
        if len(branches) == 1:
            return self.option_scope(branches[0])
        titles = [self.conditions[branch.reading].title for branch in branches]
        if len(branches) == len(self.conditions):
            said = "Whichever option is taken at the checkpoint."
        else:
            said = f"Only if one of these options is taken at the checkpoint: {'; '.join(titles)}."
        return Scope(branches[0].reading, "option", only_if=(said,))

    def steps_in(self, scope: Scope) -> tuple[Sequence[Step], str]:
        """The steps that the orders of a scope carry out, and the branch that they belong to."""
        if self.plan is None:
            return (), ""
        for branch in self.plan.checkpoint.branches:
            if branch.reading == scope.name:
                return branch.steps, str(branch.reading)
        return self.plan.steps, ""

    def draws_in(self, scope: Scope) -> tuple[LabDraw, ...]:
        """The draws that belong to a scope."""
        if self.plan is None:
            return ()
        branches = self.plan.checkpoint.branches
        return next((b.labs for b in branches if b.reading == scope.name), self.plan.labs)

    def checks_in(self, scope: Scope) -> tuple[DatedCheck, ...]:
        """What findings want measured in a scope."""
        return self.proposal.checks.get(scope.name, ())

    @property
    def instant(self) -> str:
        """When the answer was recorded: as the caller says, else the start of the day of reading.

        Never by a clock, so that the same call has the same bytes.
        """
        return self.proposal.request.recorded or f"{self.authored}T00:00:00Z"

    def iso(self, number: int) -> str:
        """The calendar date of a day of the plan, as FHIR writes it."""
        return self.wording.iso(number)

    def words(self, number: int) -> str:
        """The same, as a person reads it."""
        return self.wording.words(number)

    def id_of(self, what: str) -> str:
        """The stable id of one resource of this answer."""
        return resource_id(self.plan_id, what)

    def head(self, resource_type: str, what: str, text: dict[str, str]) -> Resource:
        """Type, id, narrative and business identifier."""
        own_id = self.id_of(what)
        return {
            "resourceType": resource_type,
            "id": own_id,
            "text": text,
            "identifier": [{"system": RESOURCE_SYSTEM, "value": own_id}],
        }

    def waits(self, scope: Scope, last_day: int) -> bool:
        """Whether what is to be done until a day waits for what is on hold.

        At a visit after the first that is what rises, and what falls beside it.
        """
        if self.going_on is None:
            return True
        rises = self.going_on.rises.get(scope.name)
        return rises is not None and last_day >= rises

    @property
    def any_waits(self) -> bool:
        """Whether anything of the answer does."""
        return self.going_on is None or bool(self.going_on.rises)

    def says(self, *, waits: bool) -> tuple[str, ...]:
        """What an order of a dose says of every other too."""
        return self.standing if waits else self.every_order

    def request(
        self, resource_type: str, what: str, scope: Scope, own_xhtml: str, *, waits: bool = False
    ) -> Resource:
        """The head of a request: tied to the plan and the care plan, a draft to be judged.

        `own_xhtml` opens the narrative; what every request says closes it. `waits` is for one of a
        dose that waits for what is on hold.
        """
        of_draw = resource_type == "ServiceRequest"
        says = CAUTION_XHTML if of_draw else paragraphs(self.says(waits=waits))
        body = self.head(resource_type, what, narrative(own_xhtml, says))
        group = "requisition" if resource_type == "ServiceRequest" else "groupIdentifier"
        if tied_to := self.tied_to:
            body["basedOn"] = [{"reference": tied_to}]
        body[group] = {"system": PLAN_SYSTEM, "value": self.plan_id}
        body["status"] = "draft"
        body["intent"] = scope.intent
        body["for" if resource_type == "Task" else "subject"] = self.patient
        if self.encounter:
            body["encounter"] = {"reference": self.encounter}
        body["authoredOn"] = self.authored
        if self.requester and resource_type != "RequestGroup":
            body["requester"] = {"reference": self.requester}
        if resource_type in {"MedicationRequest", "ServiceRequest"}:
            body |= handed_on(self.reasons)
        return body

    def replaces(self, resource_type: str) -> Resource:
        """The element by which a resource names the filed ones whose place it takes."""
        filed = self.going_on.replaces.get(resource_type, ()) if self.going_on else ()
        return {"replaces": references(filed)} if filed else {}

    def notes(self, *own: str, waits: bool) -> list[Resource]:
        """What is particular to a resource, then what every order of a dose says."""
        return _annotations(*own, *self.says(waits=waits))


def notes_of_draw(*own: str) -> list[Resource]:
    """What is particular to a blood draw or a check, and the caution.

    It waits for nothing: much of what a dose waits for is a draw.
    """
    return _annotations(*own, CAUTION)


def _annotations(*texts: str) -> list[Resource]:
    return [{"text": plain(text)} for text in texts if text]


def before_start(hold: Finding, *, going_on: bool) -> str:
    """A hold as it stands on every request that waits for it."""
    waits = "No dose rises, and none falls beside it," if going_on else "Not to be started"
    return f"{waits} before this is done: {hold.action} ({hold.statement})"


def to_confirm(question: Question) -> str:
    """What the prescriber must confirm, as it stands on every request."""
    return f"To be confirmed: {question.question}"


def holds_in_words(proposal: Proposal, *, going_on: bool) -> tuple[str, ...]:
    """What must be done first."""
    holds = (f for f in proposal.findings if f.severity is Severity.HOLD)
    return tuple(plain(before_start(hold, going_on=going_on)) for hold in holds)


def every_order_says(proposal: Proposal) -> tuple[str, ...]:
    """What is to be confirmed, and who decides."""
    return tuple(plain(text) for text in (*map(to_confirm, proposal.record.confirm), CAUTION))


def letterhead_for(
    proposal: Proposal,
    service_version: str,
    codes: CodeTables,
    going_on: GoingOn | None = None,
    form: QuestionForm | None = None,
    dated: DateWords = date_words,
) -> Letterhead:
    """Gather what every resource of the answer to `proposal` carries, or a page about it."""
    plan = proposal.plan
    series = courses(plan.steps) if plan else ()
    branches = tuple(courses(b.steps) for b in plan.checkpoint.branches) if plan else ()
    own_name = plan_name(proposal, series, branches)
    if going_on:
        own_name = "|".join((own_name, going_on.title, *going_on.identity))
    plan_id = stable_id(plain(own_name))
    care_plan_urn = urn(resource_id(plan_id, "CarePlan"))
    encounter, requester = carried_over(proposal)
    every_order = every_order_says(proposal)
    findings = most_severe_first(proposal.findings)
    issue_urns = tuple(
        urn(resource_id(plan_id, issue_name(place))) for place in range(len(findings))
    )
    wording = Wording(
        proposal.request.start.toordinal(),
        tuple(dict.fromkeys(f.instruction for f in findings if f.instruction)),
        codes,
        dated,
    )
    draw = _draw_of(plan, wording)
    return Letterhead(
        proposal=proposal,
        plan=plan if proposal.outcome is Outcome.PLAN else None,
        wording=wording,
        service_version=service_version,
        plan_id=plan_id,
        facts=_facts(proposal, plan_id, going_on),
        care_plan_urn=care_plan_urn,
        authored=proposal.request.as_of.isoformat(),
        encounter=encounter,
        requester=requester,
        reasons=reasons_for(proposal),
        findings=findings,
        issue_urns=issue_urns,
        replaced=going_on.before
        if going_on
        else replaced_by(proposal.record, plan.exchange if plan else None),
        series=series,
        branches=branches,
        conditions=conditions_for(proposal.tsh, plan, draw) if plan else {},
        draw=draw,
        standing=(*holds_in_words(proposal, going_on=going_on is not None), *every_order),
        every_order=every_order,
        going_on=going_on,
        form=form,
    )


def _draw_of(plan: Plan | None, wording: Wording) -> Draw:
    """The draw of the checkpoint, until the day on which it is read."""
    labs = wording.codes.labs
    if plan is None:
        return Draw(labs)
    days = plan.checkpoint.lab_day, plan.checkpoint.decision_day
    return Draw(labs, Window(*map(wording.iso, days)))


def _facts(proposal: Proposal, plan_id: str, going_on: GoingOn | None) -> tuple[Resource, ...]:
    """What the extension of every order says of the plan, where there is one."""
    plan = proposal.plan
    if plan is None:
        return ()
    if going_on is None or going_on.act is None:
        return facts_parts(series_facts(proposal, plan, plan_id))
    facts = facts_going_on(
        proposal,
        plan,
        plan_id,
        going_on.facts,
        going_on.act,
        awaits_draw=going_on.awaits_draw,
    )
    return facts_parts(facts)


def resource_id(plan_id: str, what: str) -> str:
    """The stable id of one resource of a plan."""
    return stable_id(f"{plan_id}|{what}")


def issue_name(place: int) -> str:
    """What the DetectedIssue of the finding in that place is called."""
    return f"DetectedIssue|{place}"
