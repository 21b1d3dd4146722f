"""An answer's working as FHIR Parameters: what was asked, how it was concluded, on every basis."""

from crossgrain.writing.letterhead import Letterhead, Resource
from crossgrain.writing.order_parts import ORDER
from crossgrain.writing.parts import maybe, one, written
from crossgrain.writing.questionnaire import ANSWERED
from crossgrain.writing.rationale_parts import PLANNED

ASKED = (
    one("as-of", "date", "The day that the record was read", lambda letter: letter.authored),
    one("start", "date", "Day one of the plan", lambda letter: letter.iso(0)),
    maybe(
        "target", "code", "What the patient is to move to",
        lambda letter: letter.proposal.target or None,
    ),
    one(
        "requested-basis", "code", "The basis that the target is taken from",
        lambda letter: letter.proposal.request.basis_id,
    ),
    one(
        "pace", "code", "How fast the doses were asked to climb",
        lambda letter: letter.proposal.request.pace,
    ),
    one(
        "prior-therapy", "code", "What was asked for the old medicine",
        lambda letter: letter.proposal.request.prior_therapy,
    ),
    ANSWERED,
)  # fmt: skip
RATIONALE_PARTS = (*ASKED, ORDER, *PLANNED)
"""Of a `Letterhead`."""


def rationale(letter: Letterhead) -> Resource:
    """What was asked, how it was concluded, every basis, and both prior therapies."""
    parameters = written(ASKED, letter)
    if letter.going_on:
        parameters += letter.going_on.parts
    parameters += written((ORDER,), letter)
    parameters += written(PLANNED, letter)
    return {"resourceType": "Parameters", "id": "rationale", "parameter": parameters}
