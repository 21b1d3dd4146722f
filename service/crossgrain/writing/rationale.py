"""An answer's working as FHIR Parameters: what was asked, how it was concluded, on every basis.

What was asked, and what is said of a draft order, stand here; `rationale_parts` has the plan.
"""

from crossgrain.names.values import frozen
from crossgrain.safety.judgement import OrderJudgement
from crossgrain.safety.order import BasisNumbers, OrderReading
from crossgrain.writing.letterhead import Letterhead, Resource, Wording
from crossgrain.writing.parts import PartDefinition, maybe, one, within, written
from crossgrain.writing.questionnaire import ANSWERED
from crossgrain.writing.rationale_parts import PLANNED, RANGE, OnBasis, a_day, ratio

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


@frozen
class _JudgedOnBasis:
    """An order judged on one basis."""

    wording: Wording
    of: BasisNumbers

    def reading(self, reading: OrderReading) -> OnBasis:
        """What would be taken, by one reading of the order."""
        coverage = reading.coverage
        return OnBasis(self.wording, coverage.lowest, coverage.highest, of=reading)


@frozen
class _OrderJudged:
    """A draft order and what is said of it."""

    wording: Wording
    judged: OrderJudgement


READING = (
    one(
        "lt4-equivalent", "Quantity", "LT4-equivalent of what would be taken",
        lambda on: a_day(on.of.lt4_ug),
    ),
    one(
        "ratio", "decimal", "That over the LT4-equivalent of the regimen taken now",
        lambda on: ratio(on.of.ratio),
    ),
    *RANGE,
)  # fmt: skip


ORDER = PartDefinition(
    "order", "", 0, "1", "The draft order, judged as written against the regimen taken now",
    (
        PartDefinition(
            "verdict", "code", 1, "*", "What is said of it, the one to lead with first",
            value=lambda order: list(order.judged.verdicts),
        ),
        one(
            "decided-on", "code", "The basis that decided", lambda order: order.judged.basis_id
        ),
        one(
            "ending", "string", "What the record says of the old medicine",
            lambda order: order.judged.ending.value,
        ),
        PartDefinition(
            "basis", "", 1, "*", "The order on one basis",
            (
                one("id", "code", "The basis", lambda on: on.of.basis_id),
                one(
                    "sets-checkpoint", "boolean", "Whether it steers a plan",
                    lambda on: on.of.steers,
                ),
                one(
                    "now", "Quantity", "LT4-equivalent of the regimen taken now",
                    lambda on: a_day(on.of.now_lt4_ug),
                ),
                one(
                    "order", "Quantity", "LT4-equivalent of the order",
                    lambda on: a_day(on.of.order_lt4_ug),
                ),
                PartDefinition(
                    "switched", "", 1, "1", "If the old medicine stops", READING,
                    lambda on: on.reading(on.of.switched),
                ),
                PartDefinition(
                    "both", "", 1, "1", "If the old medicine is left running", READING,
                    lambda on: on.reading(on.of.both),
                ),
            ),
            lambda order: [
                _JudgedOnBasis(order.wording, each) for each in order.judged.numbers.bases
            ],
        ),
        *within(
            lambda order: order.judged.numbers,
            one(
                "t3-now", "Quantity", "Swallowed T3 a day now, microgram",
                lambda numbers: a_day(numbers.t3_now_ug),
            ),
            one(
                "t3-switched", "Quantity", "Swallowed T3 a day if the old medicine stops",
                lambda numbers: a_day(numbers.t3_switched_ug),
            ),
            one(
                "t3-both", "Quantity", "Swallowed T3 a day if it is left running",
                lambda numbers: a_day(numbers.t3_both_ug),
            ),
            one(
                "t3-exposure-switched", "decimal", "Highest T3 exposure if the old medicine stops",
                lambda numbers: ratio(numbers.exposure_switched.value),
            ),
            one(
                "t3-exposure-both", "decimal", "Highest T3 exposure if it is left running",
                lambda numbers: ratio(numbers.exposure_both.value),
            ),
        ),
    ),
    lambda letter: letter.proposal.judgement
    and _OrderJudged(letter.wording, letter.proposal.judgement),
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
