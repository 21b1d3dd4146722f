"""The checkpoint: options of which exactly one is taken when the labs are in."""

from collections.abc import Callable, Hashable, Iterable, Iterator, Sequence
from typing import Any, TypeVar

from crossgrain.dosing.plan import Branch, Checkpoint, Plan
from crossgrain.dosing.steps import OrderedCourse
from crossgrain.names.identity import urn
from crossgrain.names.values import frozen
from crossgrain.writing.checks import check_request
from crossgrain.writing.condition_notes import focus_note, left_open
from crossgrain.writing.elements import paragraphs, plain
from crossgrain.writing.lab_requests import asked_draws, draw_requests
from crossgrain.writing.letterhead import SERIES, Letterhead, Resource, Scope
from crossgrain.writing.orders import branch_tasks, medication_requests

REQUEST_GROUP = "RequestGroup"
_Measured = TypeVar("_Measured", bound=Hashable)


@frozen
class BranchOption:
    """A branch and the requests that carry it out."""

    branch: Branch
    courses: tuple[OrderedCourse, ...]
    requests: tuple[Resource, ...]

    @property
    def endings(self) -> list[str]:
        """What the branch does to orders that still stand, in words."""
        return [r["description"] for r in self.requests if r["resourceType"] == "Task"]


def options(letter: Letterhead, checkpoint: Checkpoint) -> Iterator[BranchOption]:
    """The requests of every branch, none of them yet to be followed.

    A draw is shared where its days and every word of it are the same: on the way to the labs that
    decide they are not, since what a result may change is told in the doses of the branch.
    """
    branches = checkpoint.branches
    draws = [asked_draws(letter, branch.steps, branch.labs) for branch in branches]
    scopes = [letter.option_scope(branch) for branch in branches]
    checks = [letter.checks_in(scope) for scope in scopes]
    measured = zip(
        _once(letter, branches, draws, draw_requests),
        _once(letter, branches, checks, check_request),
        strict=True,
    )
    every = zip(branches, scopes, letter.branches, measured, strict=True)
    for branch, scope, own, (drawn, checked) in every:
        yield BranchOption(
            branch,
            own,
            (
                *medication_requests(letter, scope, own, branch.prescriptions),
                *drawn,
                *checked,
                *branch_tasks(letter, scope, letter.series, branch, own),
            ),
        )


def _once(
    letter: Letterhead,
    branches: Sequence[Branch],
    measured: Sequence[Sequence[_Measured]],
    requests_for: Callable[[Letterhead, Scope, _Measured], Iterable[Resource]],
) -> Iterator[list[Resource]]:
    """The requests of each branch for what it has measured; what branches share is asked once.

    No more than one branch is taken, so that a request which names them all serves each of them.
    """
    sharing: dict[_Measured, list[Branch]] = {}
    for branch, own in zip(branches, measured, strict=True):
        for each in own:
            sharing.setdefault(each, []).append(branch)
    requests = {
        each: tuple(requests_for(letter, letter.shared_scope(sharers), each))
        for each, sharers in sharing.items()
    }
    for own in measured:
        yield [request for each in own for request in requests[each]]


def optional(choices: Iterable[BranchOption]) -> Iterable[Resource]:
    """The requests of all branches, each once."""
    every = {request["id"]: request for choice in choices for request in choice.requests}
    return every.values()


def request_group(letter: Letterhead, plan: Plan, choices: tuple[BranchOption, ...]) -> Resource:
    """The group that holds the branches."""
    words = [option_words(letter, choice) for choice in choices]
    says = [checkpoint_words(letter, plan), *words]
    body = letter.request(
        REQUEST_GROUP, REQUEST_GROUP, SERIES, paragraphs(says), waits=letter.any_waits
    )
    body |= letter.replaces(REQUEST_GROUP)
    body["note"] = letter.notes(
        focus_note(letter.proposal.tsh, letter.draw), waits=letter.any_waits
    )
    body["action"] = [
        {
            "title": "Checkpoint",
            "description": says[0],
            "timingDateTime": letter.iso(plan.checkpoint.decision_day),
            "groupingBehavior": "logical-group",
            "selectionBehavior": "exactly-one",
            "action": [_option_action(letter, choice) for choice in choices],
        }
    ]
    return body


def checkpoint_words(letter: Letterhead, plan: Plan) -> str:
    """Where the plan waits, on whose chart, and for what."""
    checkpoint = plan.checkpoint
    return (
        f"From {letter.words(checkpoint.day)} {_waits(letter, plan)}. Blood is drawn on"
        f" {letter.words(checkpoint.lab_day)}; on {letter.words(checkpoint.decision_day)} exactly"
        f" one of the options is taken. {left_open(letter.proposal.tsh, plan)}"
    )


def _waits(letter: Letterhead, plan: Plan) -> str:
    """What is taken until the labs decide, and why that and no more."""
    if plan.exchange:
        return "the new product is taken in one dose"
    if letter.going_on and not letter.going_on.to_checkpoint:
        return "this dose is kept until labs speak of it"
    return (
        "the dose waits at the checkpoint, the smallest target that any enabled basis gives"
        f" ({plan.checkpoint.set_by})"
    )


def option_words(letter: Letterhead, choice: BranchOption) -> str:
    """A branch: its condition, then what it does."""
    condition = letter.conditions[choice.branch.reading]
    return plain(f"{condition.title}. If {condition.words}: {choice.branch.statement}")


def _option_action(letter: Letterhead, choice: BranchOption) -> dict[str, Any]:
    condition = letter.conditions[choice.branch.reading]
    expression = {
        "description": condition.words,
        "language": "text/fhirpath",
        "expression": condition.expression,
    }
    return {
        "title": condition.title,
        "description": option_words(letter, choice),
        "condition": [{"kind": "applicability", "expression": expression}],
        "groupingBehavior": "logical-group",
        "selectionBehavior": "all",
        "action": [_leaf(request) for request in choice.requests],
    }


def _leaf(request: Resource) -> dict[str, Any]:
    return {"title": _title(request), "resource": {"reference": urn(request["id"])}}


def _title(request: Resource) -> str:
    if "medicationCodeableConcept" in request:
        periods = [
            instruction["timing"]["repeat"]["boundsPeriod"]
            for instruction in request["dosageInstruction"]
        ]
        product = request["medicationCodeableConcept"]["text"]
        return f"{product}, {periods[0]['start']} to {periods[-1]['end']}"
    return str(request["code"]["text"])
