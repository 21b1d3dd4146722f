"""The smallest plan that the guards can look at, built by hand."""

from fractions import Fraction

from tests.unit.safety.patients import PREPARATIONS

from crossgrain.dosing.plan import (
    BasisCoverage,
    Branch,
    Checkpoint,
    Extreme,
    Forecast,
    LabReading,
    Plan,
    PriorTherapy,
)
from crossgrain.dosing.steps import LineDose, Stage, Step, SwitchPart
from crossgrain.dosing.targets import Target, TargetDose


def dose(preparation: str, amount: str | int, part: SwitchPart = SwitchPart.NEW) -> LineDose:
    """One medicine's daily dose, in its own unit."""
    return LineDose(PREPARATIONS[preparation], Fraction(amount), part, None)


def forecast(
    *,
    exposure: float = 1.0,
    lowest: float = 1.0,
    highest: tuple[float, float] = (1.0, 1.0),
    prior: PriorTherapy = PriorTherapy.OVERLAP,
) -> Forecast:
    """A forecast with this highest T3 exposure, this lowest coverage on one of two bases, and the
    highest on each."""
    calm = Extreme(1.0, 0.0)
    on_practice, on_label = (Extreme(each, 30.0) for each in highest)
    return Forecast(
        prior_therapy=prior,
        coverage=(
            BasisCoverage("practice", calm, on_practice, 1.0, secant=False),
            BasisCoverage("label", Extreme(lowest, 12.0), on_label, 1.0, secant=False),
        ),
        t3_exposure=(calm, Extreme(exposure, 20.0)),
        t3_exposure_at_end=1.0,
        t4_pool=None,
        t4_pool_end_ug=0.0,
        steady_day=42,
    )


def plan(
    *climb: LineDose,
    branch: tuple[LineDose, ...] = (),
    chosen: Forecast | None = None,
    other: Forecast | None = None,
) -> Plan:
    """A plan of one step, and of one branch where it has doses."""
    branches = (Branch(LabReading.HIGH, ("label",), "", (Step(Stage.BRANCH, 50, 90, branch),), ()),)
    return Plan(
        target=Target.DESICCATED_THYROID,
        basis_id="practice",
        pace="standard",
        prior_therapy=PriorTherapy.OVERLAP,
        comparison=(),
        aim=TargetDose(),
        aim_tablets=(),
        steps=(Step(Stage.CLIMB, 0, 49, climb),),
        checkpoint=Checkpoint(
            TargetDose(), TargetDose(), "label", 0, 42, 49, branches if branch else (), ()
        ),
        labs=(),
        forecasts=(chosen or forecast(), other or forecast(prior=PriorTherapy.STOP)),
        rationale=(),
    )
