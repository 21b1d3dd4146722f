"""What was asked, and what the service made of it: all that an answer is written from."""

from dataclasses import field
from datetime import date
from enum import StrEnum
from fractions import Fraction

from crossgrain.dosing.plan import Plan, PriorTherapy
from crossgrain.dosing.targets import Mixture, Target
from crossgrain.names.values import frozen
from crossgrain.reading.record import Record
from crossgrain.safety.checks import Baseline, Checks
from crossgrain.safety.facts import Constraints
from crossgrain.safety.judgement import OrderJudgement
from crossgrain.safety.results import TshLimits
from crossgrain.safety.rule import Finding

DEFAULT_FAMILY = "desiccated-thyroid-60"
"""The strength family that is proposed where nothing shows one."""


class Outcome(StrEnum):
    """How an answer ends; the command line's exit code follows it."""

    PLAN = "plan"
    STOP = "stop"
    DATA_REQUIRED = "data-required"


@frozen
class SwitchRequest:
    """What the caller asks for, defaults filled in.

    `target` is ``None`` when it is to be inferred from one draft order. `as_of` is the day
    that the record is read, `start` is day 0 of the plan. `desiccated_family` is the
    preparation to propose; ``None`` where it is that of the order, or of what is taken.
    `another_product` asks for another product of desiccated thyroid, of whichever family.
    """

    as_of: date
    start: date
    mixture: Mixture = field(kw_only=True)
    target: Target | None = None
    basis_id: str = "practice"
    pace: str = "standard"
    prior_therapy: PriorTherapy = PriorTherapy.OVERLAP
    desiccated_family: str | None = None
    another_product: bool = False
    weekly_pattern: bool = False
    """Whether LT4 is to come in whole tablets, two of which may share the days of a week."""
    lt3_doses: int | None = None
    """In how many doses a day LT3 is taken at the most; ``None`` for as many as is usual."""
    orders: tuple[str, ...] = ()
    stock: tuple[tuple[str, Fraction], ...] = ()
    """The tablets that can be dispensed, by preparation id and strength; of a preparation that is
    not named, every strength."""
    requester: str = ""
    """Who asks for the orders, by reference; empty where the call does not say."""
    recorded: str = ""
    """When the answer is recorded, as FHIR writes an instant; empty for the start of `as_of`."""


@frozen
class Proposal:
    """What the service makes of a record: everything that an answer is written from."""

    request: SwitchRequest
    target: Target | None
    record: Record
    findings: tuple[Finding, ...]
    plan: Plan | None
    tsh: TshLimits
    """The patient's own limits, by which the branches of the plan are chosen."""
    checks: Checks = field(default_factory=dict)
    """What the findings want measured on the way, by part of the plan."""
    baseline: Baseline = field(default_factory=Baseline)
    """Which results stand, so that they are not drawn again; and what the first dose waits for."""
    judgement: OrderJudgement | None = None
    """The verdict on the draft order that was named or found."""
    family: str = DEFAULT_FAMILY
    """The strength family of desiccated thyroid that was planned with."""
    tables: str = "none"
    """Which charts and tablets it was computed from."""
    limits: Constraints = field(default_factory=Constraints)
    """What the findings demanded of the planner."""

    @property
    def outcome(self) -> Outcome:
        """Data required before a stop, a stop before a plan."""
        if self.record.questions:
            return Outcome.DATA_REQUIRED
        return Outcome.PLAN if self.plan else Outcome.STOP
