"""What every resource of one answer carries: patient, dates, names, and who asked."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from typing import Any

from crossgrain.dosing.plan import Plan
from crossgrain.fhir.identity import PLAN_SYSTEM, RESOURCE_SYSTEM, stable_id, urn
from crossgrain.fhir.proposal import Outcome, Proposal
from crossgrain.fhir.read.codes import CodeTables
from crossgrain.fhir.read.record import MedicineEntry, Question
from crossgrain.fhir.write.narrative import narrative, paragraph, plain
from crossgrain.fhir.write.plan_name import plan_name
from crossgrain.fhir.write.words import CAUTION, date_words
from crossgrain.safety.findings import Finding, Severity, most_severe_first

Resource = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Scope:
    """Which set of requests one belongs to: the series, or one branch of the checkpoint.

    `condition` is empty for the series; a branch repeats its own on every request.
    """

    name: str
    intent: str
    condition: str = ""


SERIES = Scope("series", "proposal")


@dataclass(frozen=True, slots=True)
class Letterhead:
    """The constants of one answer. Build it with `letterhead_for`."""

    proposal: Proposal
    codes: CodeTables
    service_version: str
    name: str
    plan_id: str
    care_plan_urn: str
    authored: str
    encounter: str | None
    requester: str | None
    findings: tuple[Finding, ...]
    """Most severe first: their places in this order name their resources."""

    @property
    def plan(self) -> Plan | None:
        """The plan, unless the answer is a question or a stop."""
        return self.proposal.plan if self.proposal.outcome is Outcome.PLAN else None

    @property
    def instant(self) -> str:
        """The day that the record was read, as an instant."""
        return f"{self.authored}T00:00:00Z"

    def day(self, number: int) -> date:
        """The calendar date of a day of the plan."""
        return date.fromordinal(self.proposal.request.start.toordinal() + number)

    def iso(self, number: int) -> str:
        """The same, as FHIR writes it."""
        return self.day(number).isoformat()

    def words(self, number: int) -> str:
        """The same, as a person reads it."""
        return date_words(self.day(number))

    @property
    def holds(self) -> list[Finding]:
        """What must be done before anything here is started."""
        return [finding for finding in self.findings if finding.severity is Severity.HOLD]

    def issue_urn(self, place: int) -> str:
        """The DetectedIssue of the finding in that place."""
        return urn(self.id_of(f"DetectedIssue|{place}"))

    def hold_urns(self) -> list[str]:
        """The DetectedIssues of the holds."""
        places = enumerate(self.findings)
        return [self.issue_urn(i) for i, found in places if found.severity is Severity.HOLD]

    def id_of(self, what: str) -> str:
        """The stable id of one resource of this answer."""
        return stable_id(f"{self.name}|{what}")

    def head(self, resource_type: str, what: str, text: dict[str, str]) -> Resource:
        """Type, id, narrative and business identifier."""
        resource_id = self.id_of(what)
        return {
            "resourceType": resource_type,
            "id": resource_id,
            "text": text,
            "identifier": [{"system": RESOURCE_SYSTEM, "value": resource_id}],
        }

    def request(self, resource_type: str, what: str, scope: Scope, says: Iterable[str]) -> Resource:
        """The head of a request: tied to the plan and the care plan, a draft to be judged."""
        lines = list(says)
        body = self.head(resource_type, what, narrative(*map(paragraph, (*lines, CAUTION))))
        group = "requisition" if resource_type == "ServiceRequest" else "groupIdentifier"
        body["basedOn"] = [{"reference": self.care_plan_urn}]
        body[group] = {"system": PLAN_SYSTEM, "value": self.plan_id}
        body["status"] = "draft"
        body["intent"] = scope.intent
        body["for" if resource_type == "Task" else "subject"] = self.subject()
        if self.encounter:
            body["encounter"] = {"reference": self.encounter}
        body["authoredOn"] = self.authored
        if self.requester and resource_type != "RequestGroup":
            body["requester"] = {"reference": self.requester}
        return body

    def subject(self) -> Resource:
        """The patient, by the input's own reference."""
        return {"reference": self.proposal.record.patient_reference}

    def notes(self, scope: Scope, says: Iterable[str] = ()) -> list[Resource]:
        """The condition, what must happen before, what must be said, and the caution."""
        texts = [f"Only if: {scope.condition}."] if scope.condition else []
        texts += [before_start(hold) for hold in self.holds]
        texts += [to_confirm(question) for question in self.proposal.record.confirm]
        texts += [said for said in says if said]
        return [{"text": plain(text)} for text in (*texts, CAUTION)]


def before_start(hold: Finding) -> str:
    """A hold as it stands on every request."""
    return f"Not to be started before this is done: {hold.action} ({hold.statement})"


def to_confirm(question: Question) -> str:
    """What was read from text, as it stands on every request."""
    return f"To be confirmed, since it was read from text: {question.question}"


def letterhead_for(proposal: Proposal, service_version: str, codes: CodeTables) -> Letterhead:
    """Gather what every resource of the answer to `proposal` carries."""
    name = plan_name(proposal)
    encounter, requester = carried_over(proposal)
    return Letterhead(
        proposal=proposal,
        codes=codes,
        service_version=service_version,
        name=name,
        plan_id=stable_id(f"{name}|plan"),
        care_plan_urn=urn(stable_id(f"{name}|CarePlan")),
        authored=proposal.request.as_of.isoformat(),
        encounter=encounter,
        requester=requester,
        findings=most_severe_first(proposal.findings),
    )


def judged_orders(proposal: Proposal) -> tuple[MedicineEntry, ...]:
    """The foreign drafts that the request names, or all where it names none."""
    foreign = [entry for entry in proposal.record.drafts if not entry.ours]
    named = [entry for entry in foreign if entry.reference in proposal.request.orders]
    return tuple(named or foreign)


def carried_over(proposal: Proposal) -> tuple[str | None, str | None]:
    """Encounter and requester of the orders under judgement, else of the medicines taken.

    Each is carried only where all that give one agree: choosing would be inventing.
    """
    sources = (judged_orders(proposal), proposal.record.current)
    return (
        _agreed([{e.encounter for e in entries if e.encounter} for entries in sources]),
        _agreed([{e.requester for e in entries if e.requester} for entries in sources]),
    )


def _agreed(candidates: list[set[str]]) -> str | None:
    for references in candidates:
        if references:
            return references.pop() if len(references) == 1 else None
    return None
