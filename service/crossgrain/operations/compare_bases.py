"""``$compare-bases``: what a regimen is worth on every basis, and its target there. No plan."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import Any

from crossgrain.core.propose import in_the_midst, nothing_taken
from crossgrain.dosing.comparison import compare
from crossgrain.dosing.plan import BasisRow
from crossgrain.dosing.targets import DESICCATED_TARGETS, Target, TargetDose
from crossgrain.names.errors import DomainError
from crossgrain.names.identity import FhirVersion
from crossgrain.names.values import frozen
from crossgrain.operations.answering import judged_with_answers
from crossgrain.operations.desk import Desk, day_asked, look_at, mixture_asked, record_in
from crossgrain.operations.faults import refused_by_domain
from crossgrain.operations.parameters import Call, Given, Options, call_from, read_options
from crossgrain.reading.question_form import Posed, QuestionForm
from crossgrain.reading.record import Record
from crossgrain.safety.rule import Finding
from crossgrain.writing.elements import quantity
from crossgrain.writing.forms import to_r5
from crossgrain.writing.parts import PartDefinition, many, maybe, one, within, written
from crossgrain.writing.questionnaire import ANSWERED, questionnaire
from crossgrain.writing.rationale_parts import BASIS_HEAD, EVIDENCE

CAUTION = (
    "Charts disagree by a factor of two. This compares them; it proposes no dose, and a"
    " licensed prescriber decides."
)
GRAIN_FAMILIES = (
    "A labelled grain is 60 mg in one family of desiccated thyroid tablets and 65 mg in the other"
    " and is counted the same here; if content went by weight instead, a grain of 65 mg would hold"
    " 8 % more. Milligrams of one family are not those of the other: a move between them is a plan"
    " of its own."
)


@frozen
class RegimenCompared:
    """What is answered: the record as it was read, and its regimen on every basis.

    `rows` is empty where questions stand in the way, which `form` and `questionnaire`
    hold; `running` is a plan that is under way.
    """

    record: Record
    target: Target
    rows: tuple[BasisRow, ...]
    running: Finding | None
    form: QuestionForm | None = None
    questionnaire: dict[str, Any] | None = None

    @property
    def asked(self) -> list[Posed]:
        """What stands in the way."""
        return list(self.form.posed) if self.form else []


def _decimal(amount: Fraction) -> Decimal:
    """To three decimals, without trailing zeros."""
    rounded = round(amount, 3)
    return Decimal(rounded.numerator) / Decimal(rounded.denominator)


def _daily(amount: Fraction | None) -> dict[str, Any] | None:
    return quantity(_decimal(amount), "ug/d") if amount is not None else None


def _grains(dose: TargetDose) -> dict[str, Any] | None:
    """A labelled grain is 60 or 65 mg by its family and never UCUM's [gr]: no code."""
    if not dose.grains:
        return None
    return {"value": _decimal(dose.grains), "unit": "labelled grains per day"}


EXPRESSION = one("expression", "string", "FHIRPath of the element", lambda it: it.expression)
QUESTION = one("question", "string", "What is asked", lambda it: it.question)
COMPARISON_PARTS = (
    one(
        "outcome",
        "code",
        "compared, or data-required where questions stand in the way",
        lambda made: "data-required" if made.record.questions else "compared",
    ),
    one(
        "as-of",
        "date",
        "The day that the record was read",
        lambda made: made.record.as_of.isoformat(),
    ),
    one("target", "code", "What is compared", lambda made: made.target),
    many(
        "question",
        "What must be answered first",
        one("expression", "string", "FHIRPath of the element", lambda it: it.question.expression),
        one("question", "string", "What is asked", lambda it: it.question.question),
        one("id", "string", "Its name in the questionnaire", lambda it: it.id),
        value=lambda made: made.asked,
    ),
    maybe(
        "questionnaire",
        "Questionnaire",
        "The same as a form, which answers answer",
        lambda made: made.questionnaire,
    ),
    ANSWERED,
    many(
        "to-confirm",
        "What was read from text",
        EXPRESSION,
        QUESTION,
        value=lambda made: list(made.record.confirm),
    ),
    many(
        "not-read",
        "What was passed over and could matter",
        EXPRESSION,
        one("why", "string", "Why it was passed over", lambda it: it.why),
        value=lambda made: list(made.record.unread),
    ),
    maybe(
        "plan-running",
        "string",
        "A plan is under way, so that these are doses in its midst, or those of its last supply",
        lambda made: made.running and made.running.statement,
    ),
    PartDefinition(
        "daily-hormone",
        "",
        0,
        "1",
        "What is taken now; in the midst of a plan, what its last supply was until yesterday",
        (
            one("t4", "Quantity", "T4 a day, microgram", lambda taken: _daily(taken.t4_ug)),
            one("t3", "Quantity", "T3 a day, microgram", lambda taken: _daily(taken.t3_ug)),
        ),
        lambda made: made.record.regimen if made.rows else None,
    ),
    many(
        "basis",
        "What one basis makes of it",
        *BASIS_HEAD,
        maybe(
            "refused", "string", "Why a chart gives no answer here", lambda row: row.refused or None
        ),
        maybe(
            "lt4-equivalent",
            "Quantity",
            "LT4-equivalent of what is taken now",
            lambda row: _daily(row.lt4_equivalent_ug),
        ),
        *within(
            lambda row: row.target,
            maybe(
                "target-lt4",
                "Quantity",
                "Levothyroxine a day, microgram",
                lambda dose: _daily(dose.lt4_ug or None),
            ),
            maybe(
                "target-lt3",
                "Quantity",
                "Liothyronine a day, microgram",
                lambda dose: _daily(dose.lt3_ug or None),
            ),
            maybe("target-desiccated-thyroid", "Quantity", "Labelled grains a day", _grains),
        ),
        EVIDENCE,
        value=lambda made: list(made.rows),
    ),
    maybe(
        "grain-families",
        "string",
        "How the two families of desiccated thyroid tablets are counted, where it is taken or"
        " compared",
        lambda made: (
            GRAIN_FAMILIES
            if made.rows and (made.target in DESICCATED_TARGETS or made.record.regimen.grains)
            else None
        ),
    ),
    one("caution", "string", "Who decides", lambda made: CAUTION),
)


def compare_bases(
    desk: Desk, body: dict[str, Any], beside: Sequence[Given], version: FhirVersion
) -> dict[str, Any]:
    """The comparison as a `Parameters`: one ``basis`` per chart, or the questions first."""
    call = call_from(body, beside)
    options = read_options(call, desk.comparison_options)
    target = Target(options.one("target", Target.LEVOTHYROXINE))
    as_of = day_asked(desk, options)
    judged = judged_with_answers(
        call,
        lambda one_call: _compared(desk, one_call, options, target, as_of, version),
        lambda made: made.record.questions,
        lambda one_call: look_at(desk, one_call, options, as_of, version),
    )
    made = replace(judged.made, form=judged.form)
    if judged.form:
        form = questionnaire(judged.form, as_of.isoformat())
        made = replace(made, questionnaire=to_r5(form) if version is FhirVersion.R5 else form)
    return {"resourceType": "Parameters", "parameter": written(COMPARISON_PARTS, made)}


def _compared(
    desk: Desk,
    call: Call,
    options: Options,
    target: Target,
    as_of: date,
    version: FhirVersion,
) -> RegimenCompared:
    try:
        mixture = mixture_asked(options, desk.catalogue.policy.combining)
        record = record_in(desk, call, options, as_of, version)
        record, running = in_the_midst(record, desk.catalogue)
        record = replace(record, questions=(*record.questions, *nothing_taken(record)))
        rows = (
            ()
            if record.questions
            else compare(record.regimen, desk.catalogue.bases, target, mixture)
        )
    except DomainError as error:
        raise refused_by_domain(error, options.place) from error
    return RegimenCompared(record, target, rows, running)
