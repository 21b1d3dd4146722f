"""``$compare-bases``: what a regimen is worth on every basis, and its target there. No plan."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from typing import Any

from crossgrain.core.propose import in_the_midst, nothing_taken
from crossgrain.dosing.comparison import compare
from crossgrain.dosing.plan import BasisRow
from crossgrain.dosing.targets import DESICCATED_TARGETS, Target, TargetDose
from crossgrain.names.errors import DomainError
from crossgrain.names.identity import FhirVersion
from crossgrain.operations.desk import Desk, day_asked, mixture_asked, record_in
from crossgrain.operations.faults import refused_by_domain
from crossgrain.operations.parameters import Given, call_from, read_options
from crossgrain.reading.record import Record
from crossgrain.safety.rule import Finding
from crossgrain.writing.elements import quantity
from crossgrain.writing.rationale import basis_head, evidence_part
from crossgrain.writing.rationale_parts import (
    BASIS_HEAD,
    EVIDENCE,
    PartDefinition,
    many,
    maybe,
    one,
)

EXPRESSION = one("expression", "string", "FHIRPath of the element")
QUESTION = one("question", "string", "What is asked")
COMPARISON_PARTS = (
    one("outcome", "code", "compared, or data-required where questions stand in the way"),
    one("as-of", "date", "The day that the record was read"),
    one("target", "code", "What is compared"),
    many("question", "What must be answered first", EXPRESSION, QUESTION),
    many("to-confirm", "What was read from text", EXPRESSION, QUESTION),
    many(
        "not-read",
        "What was passed over and could matter",
        EXPRESSION,
        one("why", "string", "Why it was passed over"),
    ),
    maybe(
        "plan-running",
        "string",
        "A plan is under way, so that these are doses in its midst, or those of its last supply",
    ),
    PartDefinition(
        "daily-hormone",
        "",
        0,
        "1",
        "What is taken now; in the midst of a plan, what its last supply was until yesterday",
        (
            one("t4", "Quantity", "T4 a day, microgram"),
            one("t3", "Quantity", "T3 a day, microgram"),
        ),
    ),
    many(
        "basis",
        "What one basis makes of it",
        *BASIS_HEAD,
        maybe("refused", "string", "Why a chart gives no answer here"),
        maybe("lt4-equivalent", "Quantity", "LT4-equivalent of what is taken now"),
        maybe("target-lt4", "Quantity", "Levothyroxine a day, microgram"),
        maybe("target-lt3", "Quantity", "Liothyronine a day, microgram"),
        maybe("target-desiccated-thyroid", "Quantity", "Labelled grains a day"),
        EVIDENCE,
    ),
    maybe(
        "grain-families",
        "string",
        "How the two families of desiccated thyroid tablets are counted, where it is taken or"
        " compared",
    ),
    one("caution", "string", "Who decides"),
)


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

Part = dict[str, Any]


def compare_bases(
    desk: Desk, body: dict[str, Any], beside: Sequence[Given], version: FhirVersion
) -> dict[str, Any]:
    """The comparison as a `Parameters`: one ``basis`` per chart, or the questions first."""
    call = call_from(body, beside)
    options = read_options(call, desk.comparison_options)
    target = Target(options.one("target", Target.LEVOTHYROXINE))
    try:
        mixture = mixture_asked(options)
        record = record_in(
            desk, call, day_asked(desk, options), version, validate=options.one("validate", False)
        )
        record, running = in_the_midst(record, desk.catalogue)
        record = replace(record, questions=(*record.questions, *nothing_taken(record)))
        rows = (
            ()
            if record.questions
            else compare(record.regimen, desk.catalogue.bases, target, mixture)
        )
    except DomainError as error:
        raise refused_by_domain(error, options.place) from error
    return {"resourceType": "Parameters", "parameter": list(_parts(record, target, rows, running))}


def _parts(
    record: Record, target: Target, rows: Sequence[BasisRow], running: Finding | None
) -> Iterator[Part]:
    outcome = "data-required" if record.questions else "compared"
    yield {"name": "outcome", "valueCode": outcome}
    yield {"name": "as-of", "valueDate": record.as_of.isoformat()}
    yield {"name": "target", "valueCode": str(target)}
    for question in record.questions:
        yield _group("question", expression=question.expression, question=question.question)
    for point in record.confirm:
        yield _group("to-confirm", expression=point.expression, question=point.question)
    for unread in record.unread:
        yield _group("not-read", expression=unread.expression, why=unread.why)
    if running is not None:
        yield {"name": "plan-running", "valueString": running.statement}
    if rows:
        yield {
            "name": "daily-hormone",
            "part": [
                _quantity("t4", record.regimen.t4_ug, "ug/d"),
                _quantity("t3", record.regimen.t3_ug, "ug/d"),
            ],
        }
    yield from (_basis(row) for row in rows)
    if rows and (target in DESICCATED_TARGETS or record.regimen.grains):
        yield {"name": "grain-families", "valueString": GRAIN_FAMILIES}
    yield {"name": "caution", "valueString": CAUTION}


def _basis(row: BasisRow) -> Part:
    parts: list[Part] = [*basis_head(row)]
    if row.refused:
        parts.append({"name": "refused", "valueString": row.refused})
    if row.lt4_equivalent_ug is not None:
        parts.append(_quantity("lt4-equivalent", row.lt4_equivalent_ug, "ug/d"))
    if row.target:
        parts.extend(_target(row.target))
    if row.basis.standing:
        parts.append(evidence_part(row.basis.standing))
    return {"name": "basis", "part": parts}


def _target(dose: TargetDose) -> Iterator[Part]:
    if dose.lt4_ug:
        yield _quantity("target-lt4", dose.lt4_ug, "ug/d")
    if dose.lt3_ug:
        yield _quantity("target-lt3", dose.lt3_ug, "ug/d")
    if dose.grains:
        # A labelled grain is 60 or 65 mg by its family and never UCUM's [gr]: no code.
        value = _decimal(dose.grains)
        yield {
            "name": "target-desiccated-thyroid",
            "valueQuantity": {"value": value, "unit": "labelled grains per day"},
        }


def _quantity(name: str, amount: Fraction, code: str) -> Part:
    return {"name": name, "valueQuantity": quantity(_decimal(amount), code)}


def _decimal(amount: Fraction) -> Decimal:
    """To three decimals, without trailing zeros."""
    rounded = round(amount, 3)
    return Decimal(rounded.numerator) / Decimal(rounded.denominator)


def _group(name: str, **texts: str) -> Part:
    return {
        "name": name,
        "part": [{"name": key, "valueString": text} for key, text in texts.items()],
    }
