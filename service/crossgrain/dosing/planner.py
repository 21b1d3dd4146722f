"""The titration planner: from a regimen and a target to a plan.

Climb to the smallest target that any enabled basis gives; wait there for labs; then one of
three branches. The old medicine tapers as the new one climbs (`overlap`) or ends on day 0
(`stop`); both are forecast, so that what was not chosen is seen.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction

from crossgrain.dosing.bases import Basis
from crossgrain.dosing.branches import DRAW, Hold, branches
from crossgrain.dosing.case import Case, Enabled, order_line
from crossgrain.dosing.comparison import aim_on, compare
from crossgrain.dosing.crosschecks import CrossChecks
from crossgrain.dosing.errors import Category, DomainError
from crossgrain.dosing.forecast import coverage_weights
from crossgrain.dosing.kinetics import KineticsTable, intake_of
from crossgrain.dosing.ladder import checkpoint_dose, ladder_to
from crossgrain.dosing.moves import Products, amounts_of, as_dose, medicines, old_amounts
from crossgrain.dosing.outlook import Schedule, forecast_for, schedule_for
from crossgrain.dosing.plan import (
    BasisRow,
    Checkpoint,
    Forecast,
    LabDraw,
    LineDose,
    Part,
    Plan,
    PriorTherapy,
    Rung,
    Stage,
    Statement,
)
from crossgrain.dosing.policy import Policy
from crossgrain.dosing.rationale import by_weight, explain_dose, explain_moves
from crossgrain.dosing.regimens import DoseLine, Regimen
from crossgrain.dosing.tablets import search_tablets
from crossgrain.dosing.targets import Mixture, Target, TargetDose
from crossgrain.dosing.wording import UNITS, number


@dataclass(frozen=True, slots=True)
class Wish:
    """What is asked of the planner, defaults filled in."""

    target: Target
    basis_id: str
    pace_id: str
    prior_therapy: PriorTherapy
    mixture: Mixture = field(default_factory=Mixture)
    lt4_at_least_most_generous: bool = False
    """In pregnancy: LT4 starts at no less than the largest sourced target."""
    tsh_every_days: int | None = None
    weight_kg: Fraction | None = None
    """For the reference column: full replacement by weight."""


@dataclass(frozen=True, slots=True)
class Tables:
    """What the planner works from."""

    bases: tuple[Basis, ...]
    products: Products
    kinetics: KineticsTable
    policy: Policy
    cross_checks: CrossChecks


@dataclass(frozen=True, slots=True)
class Draft:
    """A plan, whosever it is.

    Attributes
    ----------
    plan : all of it but its rationale
    about_dose : the rationale's first part; for the places that doses were read from it has
        their numbers, see `numbered`
    about_moves : its second part
    """

    plan: Plan
    about_dose: tuple[Statement, ...]
    about_moves: tuple[Statement, ...]


def plan_switch(regimen: Regimen, wish: Wish, tables: Tables) -> Plan:
    """Plan a switch.

    Raises
    ------
    DomainError
        `regimen` holds no hormone; `basis` unknown, for comparison only, or a chart that does
        not reach the dose; `pace` unknown; `target` is what is taken already; `stock` makes
        no such dose.
    """
    rows = compare(regimen, tables.bases, wish.target, wish.mixture)
    draft = draft_of(numbered(regimen), wish, tables, rows)
    return finished(draft, regimen, wish.weight_kg, tables.cross_checks)


def numbered(regimen: Regimen) -> Regimen:
    """The doses with their number for the place that they were read from: 0, 1, ..."""
    lines = (
        DoseLine(line.preparation, line.cycle, str(number)) for number, line in enumerate(regimen)
    )
    return Regimen(tuple(lines))


def finished(
    draft: Draft, regimen: Regimen, weight_kg: Fraction | None, checks: CrossChecks
) -> Plan:
    """The plan for one patient, of the very doses that the draft was made for."""
    origins = [line.origin for line in regimen]
    rationale = (
        *(statement.read_at(origins) for statement in draft.about_dose),
        *by_weight(checks, weight_kg),
        *draft.about_moves,
    )
    return replace(draft.plan, rationale=rationale)


def draft_of(regimen: Regimen, wish: Wish, tables: Tables, rows: tuple[BasisRow, ...]) -> Draft:
    """Plan a switch from doses that are `numbered`; raises as `plan_switch` does.

    `rows` are the comparison of the same regimen for the same target.
    """
    case = _case(regimen, wish, tables, rows)
    aim = aim_on(wish.basis_id, rows)
    ladder = ladder_to(case, rows, aim)
    dose, set_by = checkpoint_dose(
        case, ladder, at_least_most_generous=wish.lt4_at_least_most_generous
    )
    moving = medicines(case.old, dose, case.products, case.pace)
    same = {medicine.part for medicine in moving} == {Part.SHARED}
    if same and (len(moving) == 1 or all(m.start == m.goal for m in moving)):
        raise DomainError(
            Category.NOTHING_TO_DO, "target", "the record already shows the regimen asked for"
        )
    both = {mode: schedule_for(case, moving, mode) for mode in PriorTherapy}
    other = next(mode for mode in PriorTherapy if mode is not wish.prior_therapy)
    own = both[wish.prior_therapy]
    horizon = max(schedule.decision_day for schedule in both.values())
    forecasts = (
        forecast_for(case, wish.prior_therapy, own, horizon, with_band=True),
        forecast_for(case, other, both[other], horizon, with_band=False),
    )
    checkpoint = _checkpoint(case, own, dose, set_by, ladder)
    stages = [Stage.CLIMB] * (len(own.slots) - 1) + [Stage.HOLD]
    plan = Plan(
        target=wish.target,
        basis_id=wish.basis_id,
        pace=wish.pace_id,
        prior_therapy=wish.prior_therapy,
        comparison=rows,
        aim=aim,
        aim_tablets=_aim_tablets(case, aim),
        steps=case.steps(own.slots, own.old, stages, case.old),
        checkpoint=checkpoint,
        labs=_labs(case, wish, own, forecasts[0]),
        forecasts=forecasts,
        rationale=(),
    )
    return Draft(plan, explain_dose(case, plan, tables.cross_checks), explain_moves(case, plan))


def _case(regimen: Regimen, wish: Wish, tables: Tables, rows: Sequence[BasisRow]) -> Case:
    products = tables.products
    old = old_amounts(regimen, products)
    if not old:
        raise DomainError(Category.INVALID, "regimen", "no thyroid hormone is taken")
    old_intake = intake_of(regimen)
    by_id = {basis.id: basis for basis in tables.bases}
    enabled = []
    for row in rows:
        if row.sets_checkpoint and row.lt4_equivalent_ug and row.target:
            basis = by_id[row.basis_id]
            weights = basis.weights_at(row.lt4_equivalent_ug)
            per_pool = coverage_weights(weights, old_intake)
            enabled.append(Enabled(basis, row.lt4_equivalent_ug, weights, per_pool))
    ordered = (products.levothyroxine, products.liothyronine, products.desiccated_thyroid)
    return Case(
        regimen=regimen,
        target=wish.target,
        products=products,
        pace=tables.policy.pace(wish.pace_id),
        policy=tables.policy,
        kinetics_table=tables.kinetics,
        enabled=tuple(enabled),
        old_intake=old_intake,
        old=old,
        preparations={p.id: p for p in (*(p for p, _ in old.values()), *ordered)},
    )


def _checkpoint(
    case: Case,
    own: Schedule,
    dose: TargetDose,
    set_by: str,
    ladder: tuple[Rung, ...],
) -> Checkpoint:
    amounts = {**own.slots[-1].amounts, **own.old[-1]}
    hold = Hold(
        decision_day=own.decision_day,
        pools=own.followed.starts[-1],
        kept={key: amounts[key] for key in case.target_ids},
        remainder={key: a for key, a in amounts.items() if key not in case.target_ids},
        checkpoint={p.id: amount for p, amount in amounts_of(dose, case.products)},
        as_taken=frozenset(
            key for key, a in amounts.items() if key in case.old and a == case.old[key][1]
        ),
    )
    return Checkpoint(
        dose=dose,
        held=as_dose(hold.kept, case.products),
        set_by=set_by,
        day=own.slots[-1].first_day,
        lab_day=own.lab_day,
        decision_day=own.decision_day,
        branches=branches(case, hold, ladder),
        ladder=ladder,
    )


def _labs(case: Case, wish: Wish, own: Schedule, forecast: Forecast) -> tuple[LabDraw, ...]:
    late = own.lab_day > own.slots[-1].first_day + case.wait_days
    words = f"{DRAW}; put off until the model calls the pools steady" if late else DRAW
    every = wish.tsh_every_days
    between = range(every, own.lab_day, every) if every else ()
    early = "; the pools are not yet steady"
    return (
        LabDraw(0, "baseline", "TSH, free T4 and free T3 before the first changed dose"),
        *(
            LabDraw(
                day,
                "monitoring",
                f"TSH every {every} days{early if day < forecast.steady_day else ''}",
                forecast.steady_day,
            )
            for day in between
        ),
        LabDraw(own.lab_day, "checkpoint", words, forecast.steady_day),
    )


def _aim_tablets(case: Case, aim: TargetDose) -> tuple[LineDose, ...]:
    """The orderable doses nearest to the aim; where none is near enough, both neighbours."""
    lines = []
    for preparation, amount in amounts_of(aim, case.products):
        search = search_tablets(preparation, amount, case.policy.tolerance)
        part = case.part(preparation.id)
        if search.within:
            lines.append(order_line(preparation, search.within.amount, part))
        else:
            near = [t.amount for t in (search.below, search.above) if t]
            doses = " and ".join(f"{number(a)} {UNITS[preparation.unit]}" for a in near)
            lines.append(
                LineDose(
                    preparation,
                    amount,
                    part,
                    None,
                    note=f"no tablets within {number(case.policy.tolerance * 100)} %: {doses}",
                )
            )
    return tuple(lines)
