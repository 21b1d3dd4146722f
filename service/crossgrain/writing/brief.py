"""The answer in a few kB: what is taken when, what is drawn when, what the labs lead to.

For a caller that shows a plan and files nothing: no order stands in it, and no working. What is
left out is arithmetic and form; every stop, question, warning, condition and ending of the full
answer stands here too, in the same words.
"""

from collections.abc import Callable, Iterable
from typing import Any

from crossgrain.core.proposal import Proposal
from crossgrain.dosing.plan import Branch, LabDraw, Plan
from crossgrain.dosing.steps import LineDose, OrderedCourse, Step
from crossgrain.names.identity import FhirVersion
from crossgrain.names.values import frozen
from crossgrain.reading.code_tables import CodeTables
from crossgrain.reading.question_form import QuestionForm
from crossgrain.safety.checks import DRAWN
from crossgrain.words.doses import CAUTION, daily_dose, tablets_a_day
from crossgrain.writing.answer import acts, collection, concluded, guidance_head
from crossgrain.writing.at_home import beside_the_series
from crossgrain.writing.care_plan import digest_of
from crossgrain.writing.checkpoint import checkpoint_words
from crossgrain.writing.checks import for_patient, said_of_check
from crossgrain.writing.elements import narrative, paragraphs
from crossgrain.writing.going_on import GoingOn
from crossgrain.writing.interim import baseline_words, interim_rule, read_when
from crossgrain.writing.lab_requests import BEFORE_DOSE, not_steady
from crossgrain.writing.letterhead import SERIES, Letterhead, Resource, letterhead_for
from crossgrain.writing.orders import branch_tasks
from crossgrain.writing.parts import PartDefinition, Value, many, maybe, one, within, written
from crossgrain.writing.questionnaire import questionnaires
from crossgrain.writing.rationale import ASKED


@frozen
class _Dated:
    """Something of the plan, and what gives its days dates."""

    letter: Letterhead
    of: Any

    def on(self, day: int) -> str:
        """The date of a day of the plan."""
        return self.letter.iso(day)


@frozen
class _BranchInShort:
    """A branch of the checkpoint, and its doses."""

    letter: Letterhead
    of: Branch
    courses: tuple[OrderedCourse, ...]

    def ends(self) -> list[str]:
        """What it does to orders that still stand."""
        letter = self.letter
        scope = letter.option_scope(self.of)
        tasks = branch_tasks(letter, scope, letter.series, self.of, self.courses)
        return [task["description"] for task in tasks]

    def next_draw(self) -> str | None:
        """The day of its first draw."""
        days = [draw.day for draw in self.of.labs]
        return self.letter.iso(min(days)) if days else None


def _dated(letter: Letterhead, things: Iterable[Any]) -> list[_Dated]:
    return [_Dated(letter, each) for each in things]


def _doses(step: Step) -> list[str]:
    return [_dose(line) for line in step.lines]


def _dose(line: LineDose) -> str:
    """What is taken a day, of which tablets and when, and what must be said of it."""
    note = f" ({line.note})" if line.note and line.tablets else ""
    return f"{daily_dose(line)}: {tablets_a_day(line)}{note}"


def _measured(draw: LabDraw) -> str:
    return ", ".join(words for analyte, words in DRAWN.items() if analyte not in draw.leaves_out)


def _of_draw(at: _Dated) -> list[str]:
    draw, wording = at.of, at.letter.wording
    return [f"{draw.statement}.", *not_steady(wording, draw), *read_when(wording, draw)]


def _branches(letter: Letterhead) -> list[_BranchInShort]:
    branches = letter.plan.checkpoint.branches if letter.plan else ()
    return [
        _BranchInShort(letter, branch, courses)
        for branch, courses in zip(branches, letter.branches, strict=True)
    ]


def _verdicts(letter: Letterhead) -> list[str]:
    judged = letter.proposal.judgement
    return list(judged.verdicts) if judged else []


def _words(name: str, meaning: str, value: Value) -> PartDefinition:
    return PartDefinition(name, "string", 0, "*", meaning, value=value)


def _of_plan(get: Callable[[Letterhead, Plan], Any]) -> Value:
    """What is read from the plan; nothing where there is none."""
    return lambda letter: get(letter, letter.plan) if letter.plan else None


BRIEF_PARTS = (
    one("outcome", "code", "plan, stop or data-required", lambda at: at.proposal.outcome),
    *ASKED,
    PartDefinition(
        "verdict", "code", 0, "*", "What is said of the draft order, the one to lead with first",
        value=_verdicts,
    ),
    _words(
        "beside", "What must not be signed beside this plan",
        _of_plan(lambda at, plan: beside_the_series(at.proposal)),
    ),
    many(
        "step", "A period in which every dose stays as it is; those of the climb and the hold",
        one("first-day", "date", "Its first day", lambda at: at.on(at.of.first_day)),
        one("last-day", "date", "Its last day", lambda at: at.on(at.of.last_day)),
        _words(
            "dose", "Each medicine's daily dose, its tablets, and when they are taken",
            lambda at: _doses(at.of),
        ),
        value=_of_plan(lambda at, plan: _dated(at, plan.steps)),
    ),
    _words(
        "instruction", "What the findings add to the instruction of every order",
        _of_plan(lambda at, plan: list(at.wording.instructions)),
    ),
    *within(
        lambda at: at.going_on,
        _words("order-stands", "A filed order that goes on", lambda it: list(it.kept_in_words)),
    ),
    many(
        "act", "An order to end, or something else to be done on a day",
        one("on", "date", "The day", lambda task: task["restriction"]["period"]["start"]),
        one("says", "string", "What is done", lambda task: task["description"]),
        value=lambda at: list(acts(at)),
    ),
    many(
        "draw", "Blood to be drawn",
        PartDefinition(
            "on", "date", 1, "*", "The day, or the days",
            value=lambda at: [at.on(day) for day in at.of.days],
        ),
        one("of", "string", "What is measured", lambda at: _measured(at.of)),
        _words("says", "What it is for, and by when it is read", _of_draw),
        value=_of_plan(lambda at, plan: _dated(at, plan.labs)),
    ),
    _words(
        "of-draws", "When on its day, what stands already, what waits for results, and what those"
        " on the way may change",
        _of_plan(lambda at, plan: [
            BEFORE_DOSE, *baseline_words(at), *interim_rule(at.proposal.tsh, plan),
        ]),
    ),
    many(
        "check", "What else is measured",
        _words(
            "says", "What, on which days, why, and at which value to act",
            lambda at: list(said_of_check(at.letter, at.of)),
        ),
        one("patient", "string", "What the patient does", lambda at: for_patient(at.letter, at.of)),
        value=lambda at: _dated(at, at.checks_in(SERIES)) if at.plan else None,
    ),
    maybe(
        "checkpoint", "string", "Where the plan waits for labs, and for what",
        _of_plan(checkpoint_words),
    ),
    maybe(
        "decides-on", "date", "The day on which those labs decide",
        _of_plan(lambda at, plan: at.iso(plan.checkpoint.decision_day)),
    ),
    many(
        "branch", "What they lead to: exactly one of these",
        one("reading", "code", "The reading of the labs", lambda at: at.of.reading),
        one(
            "only-if", "string", "The same in words",
            lambda at: at.letter.conditions[at.of.reading].words,
        ),
        one("says", "string", "What is done then, and why", lambda at: at.of.statement),
        _words(
            "dose", "Where it leads: each medicine's daily dose, its tablets, and when",
            lambda at: _doses(at.of.steps[-1]),
        ),
        _words("ends", "What of the earlier orders it ends", _BranchInShort.ends),
        maybe("next-draw", "date", "When blood is drawn next", _BranchInShort.next_draw),
        value=_branches,
    ),
    many(
        "finding", "What a safety rule found; the contained OperationOutcome says it in words",
        one("code", "code", "The finding", lambda found: found.code),
        one("severity", "code", "stop, hold or note", lambda found: found.severity),
        value=lambda at: list(at.findings),
    ),
)  # fmt: skip
"""Of a `Letterhead`; what a next step says of itself stands before them."""


def brief_bundle(
    proposal: Proposal,
    *,
    version: FhirVersion,
    service_version: str,
    codes: CodeTables,
    going_on: GoingOn | None = None,
    form: QuestionForm | None = None,
) -> dict[str, Any]:
    """Write a proposal as a `collection` Bundle of the GuidanceResponse alone.

    Its output parameters are contained: `BRIEF_PARTS`, after what `going_on` says of a next step.
    It has no `result`, since no plan stands in the answer; the part `outcome` says whether there
    is one. The same arguments as `answer.answer_bundle`.
    """
    letter = letterhead_for(proposal, service_version, codes, going_on, form)
    parts = [_guidance(letter), *questionnaires(letter)]
    return collection(letter, "Bundle|brief", parts, version)


def _guidance(letter: Letterhead) -> Resource:
    says = concluded(letter, digest_of(letter, letter.plan) if letter.plan else None)
    parameters = [
        *(letter.going_on.parts if letter.going_on else ()),
        *written(BRIEF_PARTS, letter),
    ]
    working = {"resourceType": "Parameters", "id": "brief", "parameter": parameters}
    text = narrative(paragraphs((CAUTION, says)))
    return guidance_head(letter, "GuidanceResponse|brief", (says, text), working)
