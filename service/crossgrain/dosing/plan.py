"""The shape of a plan: its steps, a checkpoint, its branches, the labs, what is forecast."""

from collections.abc import Sequence
from enum import StrEnum
from fractions import Fraction

from crossgrain.dosing.bases import Basis
from crossgrain.dosing.exchange import Exchange
from crossgrain.dosing.kinetics import ConstantIntake
from crossgrain.dosing.regimens import Regimen
from crossgrain.dosing.steps import LineDose, Prescription, Step
from crossgrain.dosing.taper import Choice
from crossgrain.dosing.targets import Target, TargetDose
from crossgrain.names.values import frozen


class PriorTherapy(StrEnum):
    """What happens to the old medicine while the new one climbs."""

    OVERLAP = "overlap"  # it tapers
    STOP = "stop"  # it ends on day 0


class LabReading(StrEnum):
    """What the labs and the patient say at the checkpoint."""

    VERY_HIGH = "tsh-very-high"
    HIGH = "tsh-high"
    HIGH_FREE_T3 = "tsh-high-free-t3-high"  # T3 is not to rise
    IN_RANGE = "tsh-in-range"
    SYMPTOMS = "symptoms-in-range"  # of too fast a climb, which the labs do not bear out
    LOW = "tsh-low"
    VERY_LOW = "tsh-very-low"


TOO_MUCH = frozenset({LabReading.LOW, LabReading.VERY_LOW})
"""What labs say of a dose that they call too much."""


@frozen
class LabDraw:
    """Bloods to take.

    `modelled_steady_day` is the day from which the model calls the pools steady; a draw
    before it says so in `statement`.
    """

    day: int
    purpose: str  # baseline | interim | checkpoint | after-branch | confirmation | maintenance
    statement: str
    modelled_steady_day: int | None = None
    repeat_days: tuple[int, ...] = ()
    """Further days for the same draw (maintenance)."""
    read_before: int | None = None
    """The step that the results of an interim draw may hold; ``None`` where none follows it."""
    leaves_out: tuple[str, ...] = ()
    """What is known already: the names of the analytes that need not be drawn."""

    @property
    def days(self) -> tuple[int, ...]:
        """Every day on which it is drawn."""
        return tuple(sorted({self.day, *self.repeat_days}))


@frozen
class Extreme:
    """A lowest or highest value and the day on which it is reached."""

    value: float
    day: float


@frozen
class BasisCoverage:
    """Coverage on one basis: modelled hormone over that of the old regimen, both weighed."""

    basis_id: str
    lowest: Extreme
    highest: Extreme
    at_end: float
    secant: bool


@frozen
class Band:
    """What the band of parameters makes of two numbers of a forecast, each from its least to its
    most.

    `lowest_coverage` is on the basis on which the patient runs lowest.
    """

    lowest_coverage: tuple[float, float]
    highest_t3_exposure: tuple[float, float]


@frozen
class Forecast:
    """What the model predicts from day 0 to the end of the checkpoint hold.

    `t4_pool` is the lowest and the highest T4 pool over the old one, or ``None`` where the old
    regimen held no T4 (then only `t4_pool_end_ug` is given, µg). `t3_exposure` is the whole T3 pool
    over the old one. `steady_day` is the first day from which both pools stay within
    `Policy.steady_within` of the level to which they tend.
    """

    prior_therapy: PriorTherapy
    coverage: tuple[BasisCoverage, ...]
    t3_exposure: tuple[Extreme, Extreme]
    t3_exposure_at_end: float
    t4_pool: tuple[Extreme, Extreme] | None
    t4_pool_end_ug: float
    steady_day: int
    band: "Band | None" = None
    """Given for the plan's own prior therapy."""
    of_need: tuple[BasisCoverage, ...] = ()
    """Coverage of what is needed, where that is not the old regimen: see `dosing.need`."""

    @property
    def lowest(self) -> BasisCoverage:
        """The basis on which the patient runs lowest."""
        return min(self.coverage, key=lambda c: c.lowest.value)


@frozen
class Mode:
    """One prior therapy as it is swallowed: everything, and the old medicine's part of it alone."""

    prior_therapy: PriorTherapy
    whole: tuple[ConstantIntake, ...]
    old: tuple[ConstantIntake, ...]


@frozen
class Branch:
    """What to do for one reading of the checkpoint labs.

    `basis_ids` are the bases that such labs leave open, on which the branch is sized. `labs`
    are after the branch, with maintenance.
    """

    reading: LabReading
    basis_ids: tuple[str, ...]
    statement: str
    steps: tuple[Step, ...]
    labs: tuple[LabDraw, ...]
    prescriptions: tuple[Prescription, ...] = ()


@frozen
class Rung:
    """A dose at which some basis calls the patient fully replaced."""

    basis: Basis
    target: TargetDose
    on_grid: TargetDose
    """Rounded down to the increments of the climb."""

    @property
    def basis_id(self) -> str:
        """The basis' id."""
        return self.basis.id


@frozen
class Checkpoint:
    """Where the climb waits for labs.

    `day` is when its dose is reached, `lab_day` when bloods are drawn, `decision_day` when a branch
    starts. `held` is what is taken of the target's medicines meanwhile: more than `dose` where a
    medicine in both regimens has not come all the way down. `set_by` is the basis whose target is
    smallest along the climb; `ladder` holds the bases' targets in climbing order.
    """

    dose: TargetDose
    held: TargetDose
    set_by: str
    day: int
    lab_day: int
    decision_day: int
    branches: tuple[Branch, ...]
    ladder: tuple[Rung, ...]

    @property
    def held_above(self) -> bool:
        """Whether more is taken at the checkpoint than its dose."""
        return self.held != self.dose

    @property
    def is_smallest(self) -> bool:
        """Whether its dose is the smallest target of all, as it always is but in pregnancy."""
        return self.dose == self.ladder[0].on_grid


@frozen
class BasisRow:
    """The comparison on one basis: what the old regimen is worth, and its target."""

    basis: Basis
    lt4_equivalent_ug: Fraction | None
    target: TargetDose | None
    refused: str = ""
    """Why a table chart gives no answer here."""

    @property
    def basis_id(self) -> str:
        """The basis' id."""
        return self.basis.id

    @property
    def sets_checkpoint(self) -> bool:
        """Whether the basis steers plans, or stands for comparison only."""
        return self.basis.sets_checkpoint


@frozen
class Statement:
    """One link of the rationale: what was concluded, how, from what, and on whose word."""

    title: str
    arithmetic: str
    inputs: tuple[str, ...]
    source: str

    def read_at(self, origins: Sequence[str]) -> "Statement":
        """The same, where `inputs` are numbers of dose lines, with the places they stand for.

        A line that was read nowhere, as in a calculation by hand, is left out.
        """
        if not self.inputs:
            return self
        places = (origins[int(number)] for number in self.inputs)
        return Statement(self.title, self.arithmetic, tuple(filter(None, places)), self.source)


@frozen
class Begins:
    """Where a plan begins that goes on with one under way.

    Attributes
    ----------
    regimen : what was taken before day one, which coverage is measured against
    taken : what was taken from then until the plan begins
    """

    regimen: Regimen
    taken: tuple[ConstantIntake, ...]

    @property
    def days(self) -> float:
        """Since day one."""
        return sum(period.days for period in self.taken)


@frozen
class Plan:
    """A proposed switch.

    `steps` are unconditional (climb, then hold). `forecasts` holds the plan's own prior
    therapy first, then the other, so that what was not chosen is seen.
    """

    target: Target
    basis_id: str
    pace: str
    prior_therapy: PriorTherapy
    comparison: tuple[BasisRow, ...]
    aim: TargetDose
    """The chosen basis' target, exact; less than that where less is needed."""
    aim_tablets: tuple[LineDose, ...]
    """The orderable doses nearest to `aim`."""
    steps: tuple[Step, ...]
    checkpoint: Checkpoint
    labs: tuple[LabDraw, ...]
    forecasts: tuple[Forecast, Forecast]
    rationale: tuple[Statement, ...]
    other_way: Mode | None = None
    """The prior therapy that was not chosen; ``None`` where there is no other."""
    taper: Choice | None = None
    """How the old medicine's taper was chosen; ``None`` where it stops."""
    prescriptions: tuple[Prescription, ...] = ()
    """The unconditional steps as they are prescribed and fetched."""
    exchange: Exchange | None = None
    """Given where one product of desiccated thyroid takes the place of another."""

    weekly: bool = False
    """Whether LT4 is given in whole tablets, two of which may share the days of a week."""
    weekly_withheld: bool = False
    """Whether that was asked for and is not done, because of the patient's risk."""
    need: Fraction = Fraction(1)
    """What the patient needs, as a part of the old regimen, by today's TSH."""
    begins: "Begins | None" = None
    """Given where a plan under way goes on; without it the pools begin steady."""

    @property
    def ended_products(self) -> frozenset[str]:
        """The product lines whose supply at home is done with, though their medicine goes on."""
        return self.exchange.ended if self.exchange else frozenset()

    @property
    def ways(self) -> tuple[Forecast, ...]:
        """The forecasts that tell of different ways.

        Only one where a plan under way goes on, and where one product replaces another, for these
        are never taken together.
        """
        return self.forecasts[:1] if self.exchange or self.begins else self.forecasts
