"""What an answer says about a draft order, from the published table."""

from dataclasses import dataclass

from crossgrain.safety.judgement import OrderJudgement
from crossgrain.safety.order import BasisNumbers, OrderReading
from crossgrain.writing.letterhead import Wording
from crossgrain.writing.parts import PartDefinition, one, within
from crossgrain.writing.rationale_parts import RANGE, OnBasis, a_day, ratio


@dataclass(frozen=True, slots=True)
class _JudgedOnBasis:
    """An order judged on one basis."""

    wording: Wording
    of: BasisNumbers

    def reading(self, reading: OrderReading) -> OnBasis:
        """What would be taken, by one reading of the order."""
        coverage = reading.coverage
        return OnBasis(self.wording, coverage.lowest, coverage.highest, of=reading)


@dataclass(frozen=True, slots=True)
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
