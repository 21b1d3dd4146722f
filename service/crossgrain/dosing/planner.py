"""The titration planner: from a regimen and a target to a plan.

Climb to the smallest target that any enabled basis gives; wait there for labs; then take the one
branch that they lead to. The old medicine tapers as the new one climbs (`overlap`) or ends on day 0
(`stop`); both are forecast, so that the way not chosen can be compared.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from functools import reduce
from operator import or_

from crossgrain.dosing.branch_doses import Hold
from crossgrain.dosing.branches import Outline, outlines
from crossgrain.dosing.case import SwitchCase, order_line
from crossgrain.dosing.climb import Slot
from crossgrain.dosing.comparison import CrossChecks, aim_on, aimed_at, compare
from crossgrain.dosing.dose_rationale import by_need, by_weight, explain_dose
from crossgrain.dosing.draws import DRAW, series_draws
from crossgrain.dosing.exchange import Exchange
from crossgrain.dosing.kits import Kit, smallest_kit
from crossgrain.dosing.ladder import checkpoint_dose, ladder_to
from crossgrain.dosing.moves import Move, amounts_of, as_dose, medicines
from crossgrain.dosing.moves_rationale import explain_moves
from crossgrain.dosing.outlook import Timeline, forecast_for, mode_of, schedule_for
from crossgrain.dosing.plan import (
    BasisRow,
    Checkpoint,
    Forecast,
    LabDraw,
    Mode,
    Plan,
    PriorTherapy,
    Rung,
    Statement,
)
from crossgrain.dosing.preparations import Preparation
from crossgrain.dosing.regimens import DoseLine, Regimen
from crossgrain.dosing.steps import LineDose, Stage, SwitchPart, courses
from crossgrain.dosing.supply import draws, prescriptions
from crossgrain.dosing.tablets import best_day_dose, nearest_doses
from crossgrain.dosing.targets import TargetDose, dose_of
from crossgrain.dosing.wish import Tables, Wish, case_of
from crossgrain.names.errors import Category, DomainError
from crossgrain.names.printing import percent, quantity
from crossgrain.names.values import frozen


@frozen
class PlanDraft:
    """A plan, whosever it is.

    Attributes
    ----------
    plan : all of it but its rationale
    about_dose : the rationale's first part; it holds numbers in place of where doses were read,
        see `numbered`
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
        where `regimen` holds no hormone; where `basis` is unknown, for comparison only, or a chart
        that
        does not reach the dose; where `pace` is unknown; where `target` is what is taken already;
        where
        no tablets (`stock`) make such a dose.
    """
    rows = compare(regimen, tables.bases, wish.target, wish.mixture)
    draft = draft_of(numbered(regimen), wish, tables, rows)
    return finished(draft, regimen, wish, tables.cross_checks)


def numbered(regimen: Regimen) -> Regimen:
    """The doses, each with its number (0, 1, ...) in place of where it was read."""
    lines = (
        DoseLine(line.preparation, line.cycle, str(number)) for number, line in enumerate(regimen)
    )
    return Regimen(tuple(lines))


def finished(draft: PlanDraft, regimen: Regimen, wish: Wish, checks: CrossChecks) -> Plan:
    """The plan for one patient, whose doses are those that the draft was made for."""
    origins = [line.origin for line in regimen]
    rationale = (
        *(statement.read_at(origins) for statement in draft.about_dose),
        *by_weight(checks, wish.weight_kg),
        *by_need(wish.need_said, draft.plan),
        *draft.about_moves,
    )
    return replace(draft.plan, rationale=rationale)


def draft_of(regimen: Regimen, wish: Wish, tables: Tables, rows: tuple[BasisRow, ...]) -> PlanDraft:
    """Plan a switch from doses that are `numbered`; raises as `plan_switch` does.

    `rows` compare the same regimen for the same target.
    """
    # 1. What is taken, in the preparations that orders are made from, and the bases that steer.
    case = case_of(regimen, wish, tables, rows)
    if case.exchange:
        rows = aimed_at(dose_of(case.regimen), rows)
        # Two products are never taken side by side.
        wish = replace(wish, prior_therapy=PriorTherapy.STOP)
    # 2. Each basis' target as a point along the climb. At the smallest of them the climb waits for
    #    labs, so that no generous chart carries a patient past what a stricter one calls enough.
    #    Where today's dose is too much, all of them come lower; where it is too little, none rises.
    goal = _exchanged(case, case.exchange, wish, rows) if case.exchange else _goal(case, wish, rows)
    # 3. Each medicine's way from the old dose to the new.
    moving = _moving(case, goal.dose)
    # 4. The new doses by day and the old ones beside them, for both prior therapies and followed to
    #    the same day, so that the way not chosen can be compared.
    ways = _both_ways(case, moving, wish.prior_therapy)
    # 5 and 6. The branches that the labs lead to, then tablets, draws and orders.
    labs = _labs(case, wish, ways.own, ways.forecasts[0].steady_day)
    plan = plan_along(case, wish, rows, goal, ways, labs)
    return PlanDraft(plan, explain_dose(case, plan, tables.cross_checks), explain_moves(case, plan))


def plan_along(
    case: SwitchCase,
    wish: Wish,
    rows: tuple[BasisRow, ...],
    goal: "Destination",
    ways: "Ways",
    labs: tuple[LabDraw, ...],
) -> Plan:
    """The plan of doses that are settled by day, without its rationale."""
    own = ways.own
    # 5. Where the patient stands when the labs are back, and what each reading of them leads to.
    hold = hold_of(case, own, goal.on_the_way_to or goal.dose)
    readings = outlines(case.by_need, hold)
    # 6. Tablets for all of these doses together, then the draws and the orders.
    kits, in_branches = _kits(case, own, hold, readings)
    stages = [Stage.CLIMB] * (len(own.slots) - 1) + [Stage.HOLD]
    steps = case.steps(own.slots, own.old, stages, case.going_on, kits)
    return Plan(
        target=wish.target,
        basis_id=wish.basis_id,
        pace=wish.pace_id,
        prior_therapy=wish.prior_therapy,
        comparison=rows,
        aim=goal.aim,
        aim_tablets=_aim_tablets(case, goal.aim),
        steps=steps,
        checkpoint=Checkpoint(
            dose=goal.dose,
            held=as_dose(hold.kept, case.products),
            set_by=goal.set_by,
            day=own.slots[-1].first_day,
            lab_day=own.lab_day,
            decision_day=own.decision_day,
            branches=tuple(way.branch(case, hold, in_branches) for way in readings),
            ladder=goal.ladder,
        ),
        labs=labs,
        forecasts=ways.forecasts,
        rationale=(),
        other_way=ways.not_chosen,
        taper=own.choice,
        prescriptions=prescriptions(courses(steps), case.policy.supply, draws(labs)),
        exchange=case.exchange,
        weekly=wish.weekly_pattern,
        weekly_withheld=wish.weekly_withheld,
        need=case.need,
    )


@frozen
class Destination:
    """What the climb goes for: the aim, and the dose at which it waits for labs.

    `set_by` is the basis whose target that dose is, `ladder` every basis' target on the way. Where
    the climb waits earlier, as after a step back, `on_the_way_to` is the dose to which it then goes
    on.
    """

    aim: TargetDose
    dose: TargetDose
    set_by: str
    ladder: tuple[Rung, ...]
    on_the_way_to: TargetDose | None = None


def _goal(case: SwitchCase, wish: Wish, rows: tuple[BasisRow, ...]) -> Destination:
    aim = aim_on(wish.basis_id, rows)
    ladder = ladder_to(case, rows, aim, wish.mixture.ratio)
    dose, set_by = checkpoint_dose(
        case, ladder, at_least_most_generous=wish.lt4_at_least_most_generous
    )
    return Destination(aim.times(case.lowers), dose, set_by, ladder)


def _exchanged(
    case: SwitchCase, exchange: Exchange, wish: Wish, rows: tuple[BasisRow, ...]
) -> Destination:
    """Today's dose in tablets of the new product; what else is taken stays as it is."""
    aim = aim_on(wish.basis_id, rows)
    dose = replace(dose_of(case.regimen), grains=exchange.new.grains(exchange.new_mg))
    ladder = tuple(Rung(enabled.basis, aim, dose) for enabled in case.enabled)
    return Destination(aim, dose, wish.basis_id, ladder)


def _moving(case: SwitchCase, dose: TargetDose) -> tuple[Move, ...]:
    """Every medicine's way to a dose; refused where nothing would change."""
    moving = medicines(case.old, dose, case.products, case.pace)
    same = {medicine.part for medicine in moving} == {SwitchPart.SHARED} and not case.exchange
    if same and (len(moving) == 1 or all(m.start == m.goal for m in moving)):
        raise DomainError(
            Category.NOTHING_TO_DO, "target", "the record already shows the regimen asked for"
        )
    return moving


@frozen
class Ways:
    """The chosen prior therapy, day by day, and the forecasts of both.

    `not_chosen` is the other as it would be swallowed; ``None`` where there is no other.
    """

    own: Timeline
    forecasts: tuple[Forecast, Forecast]
    not_chosen: Mode | None


def _both_ways(case: SwitchCase, moving: tuple[Move, ...], chosen: PriorTherapy) -> Ways:
    if case.exchange:
        both = dict.fromkeys(PriorTherapy, schedule_for(case, moving, chosen))
    else:
        both = {mode: schedule_for(case, moving, mode) for mode in PriorTherapy}
    other = next(mode for mode in PriorTherapy if mode is not chosen)
    horizon = max(schedule.decision_day for schedule in both.values())
    forecasts = (
        forecast_for(case, chosen, both[chosen], horizon, with_band=True),
        forecast_for(case, other, both[other], horizon, with_band=False),
    )
    not_chosen = None if case.exchange else mode_of(case, other, both[other])
    return Ways(both[chosen], forecasts, not_chosen)


def hold_of(case: SwitchCase, own: Timeline, dose: TargetDose) -> Hold:
    """Where the patient stands when the labs come back."""
    amounts = {**own.slots[-1].amounts, **own.old[-1]}
    checkpoint = {p.id: amount for p, amount in amounts_of(dose, case.products)}
    return Hold(
        decision_day=own.decision_day,
        pools=own.followed.starts[-1],
        kept={key: amounts.get(key, Fraction(0)) for key in case.target_ids},
        remainder={key: a for key, a in amounts.items() if key not in case.target_ids},
        checkpoint={key: checkpoint.get(key, Fraction(0)) for key in case.target_ids},
        as_taken=frozenset(
            key for key, a in amounts.items() if key in case.going_on and a == case.old[key][1]
        ),
        home=_owned(case, own),
        proved=own.proved,
    )


def _owned(case: SwitchCase, own: Timeline) -> dict[str, frozenset[Fraction]]:
    """The strengths of each old medicine that the patient has by the time of the decision."""
    series = _doses(own.slots, own.old, case.old, set(case.going_on))
    owned = {}
    for key, (preparation, _) in case.old.items():
        home = case.home.get(key, frozenset())
        doses = frozenset(series.get(key, ()))
        limit = max((case.largest_half.get(key, Fraction(0)), *doses))
        bought = smallest_kit(preparation, doses, frozenset(), home, limit).strengths
        owned[key] = home | frozenset(bought)
    return owned


def _kits(
    case: SwitchCase, own: Timeline, hold: Hold, ways: Sequence[Outline]
) -> tuple[dict[str, Kit], dict[str, Kit]]:
    """The tablets of each medicine, chosen once for the whole series, and those of its branches.

    The branches need no further strength where that is possible. Where it is not, a branch brings
    in its own, which is ordered only if it comes to that branch.
    """
    in_series = _doses(own.slots, own.old, case.old, set(case.going_on))
    later: dict[str, set[Fraction]] = {}
    for way in ways:
        for key, more in _doses(way.slots, way.old, case.old, set(hold.as_taken)).items():
            later.setdefault(key, set()).update(more)
    kits, in_branches = {}, {}
    for key in dict.fromkeys([*in_series, *later]):
        doses, also = frozenset(in_series.get(key, ())), frozenset(later.get(key, ()))
        taken = case.largest_half.get(key, Fraction(0))
        limit = taken if case.part(key) is SwitchPart.OLD else max(taken, *doses, *also)
        home = case.home.get(key, frozenset())
        kit = smallest_kit(case.preparations[key], doses, also, home, limit)
        kits[key] = kit
        in_branches[key] = kit
        if any(kit.way(dose) is None for dose in also):
            owned = home | frozenset(kit.strengths)
            limit = max(limit, *also)  # old levothyroxine may rise again where TSH is high
            in_branches[key] = _kit_of_branches(case.preparations[key], also, doses, owned, limit)
    return kits, in_branches


def _kit_of_branches(
    preparation: Preparation,
    also: frozenset[Fraction],
    doses: frozenset[Fraction],
    owned: frozenset[Fraction],
    limit: Fraction,
) -> Kit:
    """One kit for all branches; where that is too many strengths, what each dose needs: of the
    branches only one is taken."""
    try:
        return smallest_kit(preparation, also, doses, owned, limit)
    except DomainError:
        none: frozenset[Fraction] = frozenset()
        each = [smallest_kit(preparation, frozenset({d}), none, owned, limit) for d in also]
        return Kit(preparation, reduce(or_, (kit.mask for kit in each)), limit)


def _doses(
    slots: Sequence[Slot],
    old: Sequence[Mapping[str, Fraction]],
    today: Mapping[str, tuple[Preparation, Fraction]],
    unchanged: set[str],
) -> dict[str, set[Fraction]]:
    """The doses of each medicine that must be ordered; what goes on unchanged needs no order."""
    doses: dict[str, set[Fraction]] = {}
    for slot, kept in zip(slots, old, strict=True):
        amounts = {**slot.amounts, **kept}
        unchanged = {key for key in unchanged if amounts.get(key) == today[key][1]}
        for key, amount in amounts.items():
            if amount and key not in unchanged:
                doses.setdefault(key, set()).add(amount)
    return doses


def _labs(case: SwitchCase, wish: Wish, own: Timeline, steady: int) -> tuple[LabDraw, ...]:
    late = own.lab_day > own.slots[-1].first_day + case.wait_days
    words = f"{DRAW}; put off until the model calls the pools steady" if late else DRAW
    decides = LabDraw(own.lab_day, "checkpoint", words, steady)
    return series_draws(case, own.slots, own.old, decides, wish.prior_therapy)


def _aim_tablets(case: SwitchCase, aim: TargetDose) -> tuple[LineDose, ...]:
    """The orderable doses nearest to the aim; where none is near enough, those on both sides."""
    lines = []
    for preparation, amount in amounts_of(aim, case.products):
        near = nearest_doses(preparation, amount, case.policy.tolerance)
        part = case.part(preparation.id)
        dose = best_day_dose(preparation, near.within) if near.within else None
        if near.within and dose:
            lines.append(order_line(preparation, near.within, part, dose))
        else:
            doses = " and ".join(
                f"{quantity(a, preparation.unit)}" for a in (near.below, near.above) if a
            )
            lines.append(
                LineDose(
                    preparation,
                    amount,
                    part,
                    None,
                    note=f"no tablets within {percent(case.policy.tolerance)}: {doses}",
                )
            )
    return tuple(lines)
