"""What the chart shows of one plan, before anything is drawn."""

from dataclasses import dataclass, replace
from datetime import date, timedelta

from crossgrain.catalogue import Catalogue
from crossgrain.core.proposal import Proposal
from crossgrain.dosing.forecast import coverage_weights
from crossgrain.dosing.kinetics import PoolWeights, intake_of
from crossgrain.dosing.plan import LineDose, Plan, PriorTherapy, Step, SwitchPart
from crossgrain.names.printing import short
from crossgrain.sheet.traces import Trace, modes, trace
from crossgrain.writing.labels import NAMES


@dataclass(frozen=True, slots=True)
class Dose:
    """A block in a strip of doses: from day to day, both included."""

    first_day: int
    last_day: int
    words: str


@dataclass(frozen=True, slots=True)
class Charted:
    """A plan as the chart takes it in.

    Attributes
    ----------
    start : the date of day 0
    traces : the plan's own prior therapy first, then the other where there is one
    leanest, most_generous : the bases on which the patient runs lowest and highest
    old, new : the strips of doses
    labs : days of the draws
    checkpoint_day : the day on which the wait for labs begins
    lowest_coverage, highest_t3 : the limits past which a finding is raised
    """

    start: date
    traces: dict[PriorTherapy, Trace]
    leanest: str
    most_generous: str
    old: tuple[Dose, ...]
    new: tuple[Dose, ...]
    labs: tuple[int, ...]
    checkpoint_day: int
    lowest_coverage: float
    highest_t3: float

    @property
    def own(self) -> Trace:
        """The plan as proposed."""
        return next(iter(self.traces.values()))

    @property
    def other(self) -> Trace | None:
        """What the prior therapy that was not chosen would do."""
        return list(self.traces.values())[1] if len(self.traces) > 1 else None

    def day(self, number_of_day: int) -> date:
        """The date of a day of the plan."""
        return self.start + timedelta(days=number_of_day)


def charted(proposal: Proposal, plan: Plan, catalogue: Catalogue) -> Charted:
    """Follow both prior therapies, and lay the doses and labs beside them."""
    regimen = proposal.record.regimen
    old = intake_of(regimen)
    by_lowest = sorted(plan.forecasts[0].coverage, key=lambda found: found.lowest.value)
    leanest, most_generous = by_lowest[0].basis_id, by_lowest[-1].basis_id

    def weights(basis_id: str) -> PoolWeights:
        basis = catalogue.basis(basis_id)
        return coverage_weights(basis.weights_at(basis.lt4_equivalent(regimen)), old)

    rules = catalogue.rules.after
    return Charted(
        start=proposal.request.start,
        traces={
            mode.prior_therapy: trace(
                catalogue.kinetics, old, mode, weights(leanest), weights(most_generous)
            )
            for mode in modes(plan)
        },
        leanest=leanest,
        most_generous=most_generous,
        old=_strip(plan.steps, SwitchPart.OLD),
        new=_strip(plan.steps, SwitchPart.NEW, SwitchPart.SHARED),
        labs=tuple(draw.day for draw in plan.labs),
        checkpoint_day=plan.checkpoint.day,
        lowest_coverage=float(rules["coverage-low"].number("lowest")),
        highest_t3=float(rules["t3-exposure-high"].number("highest")),
    )


def _strip(steps: tuple[Step, ...], *parts: SwitchPart) -> tuple[Dose, ...]:
    """The doses of some of the medicines, periods of equal doses as one."""
    blocks: list[Dose] = []
    for step in steps:
        words = _doses([line for line in step.lines if line.part in parts])
        if blocks and blocks[-1].words == words:
            blocks[-1] = replace(blocks[-1], last_day=step.last_day)
        else:
            blocks.append(Dose(step.first_day, step.last_day, words))
    return tuple(block for block in blocks if block.words)


def _doses(lines: list[LineDose]) -> str:
    """What is taken a day; each medicine named where there are several."""
    order = list(NAMES)
    return " + ".join(
        (f"{NAMES[line.preparation.kind]} " if len(lines) > 1 else "")
        + short(line.amount, line.preparation.unit)
        for line in sorted(lines, key=lambda line: order.index(line.preparation.kind))
    )
