"""What the GuidanceResponse and the CarePlan both say of a plan, put into words once."""

from dataclasses import dataclass

from crossgrain.dosing.plan import Plan
from crossgrain.dosing.wording import dose_words
from crossgrain.words.doses import TARGET_WORDS, taken
from crossgrain.writing.letterhead import Letterhead
from crossgrain.writing.narrative import plain
from crossgrain.writing.plan_words import findings_block, forecast_list


@dataclass(frozen=True, slots=True)
class Digest:
    """The plan in short.

    Attributes
    ----------
    title : from what to what
    summary : the plan in two sentences
    findings, forecasts : blocks of XHTML
    """

    title: str
    summary: str
    findings: str
    forecasts: str


def digest_of(letter: Letterhead, plan: Plan) -> Digest:
    """Put a plan in short."""
    title = _title(letter, plan)
    return Digest(
        title=title,
        summary=plain(_summary(letter, plan, title)),
        findings=findings_block(letter),
        forecasts=forecast_list(letter.wording, plan.ways),
    )


def _title(letter: Letterhead, plan: Plan) -> str:
    now = taken(letter.proposal.record.regimen) or "no thyroid hormone"
    return f"Move from {now} to {TARGET_WORDS[plan.target]}"


def _summary(letter: Letterhead, plan: Plan, title: str) -> str:
    checkpoint = plan.checkpoint
    held = f", held at {dose_words(checkpoint.held)}," if checkpoint.held_above else ""
    return (
        f"{title}, starting on {letter.words(0)}: on the basis {plan.basis_id} the"
        f" target is {dose_words(plan.aim)} a day. The dose goes to the checkpoint of"
        f" {dose_words(checkpoint.dose)} a day{held} and waits there for labs on"
        f" {letter.words(checkpoint.lab_day)}."
    )
