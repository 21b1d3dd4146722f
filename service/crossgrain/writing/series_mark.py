"""How a series is recognized again: its stable name, and the extension its orders carry.

Two answers share a name only if they would order the same. Otherwise a corrected proposal,
filed with ``ifNoneExist``, would silently lose to the one filed before it.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import date, timedelta
from fractions import Fraction
from typing import Any

from crossgrain.core.already_ordered import ordered_doses
from crossgrain.core.proposal import Proposal
from crossgrain.dosing.plan import LabDraw, Plan
from crossgrain.dosing.steps import OrderedCourse, Prescription, Step
from crossgrain.dosing.targets import Mixture, Target, TargetDose
from crossgrain.names.printing import exact_decimal, is_finite
from crossgrain.names.series_extension import SERIES_URL
from crossgrain.reading.series_mark import (
    LEANING,
    ActTaken,
    OrderedDose,
    OrderedStep,
    PlannedLine,
    SeriesFacts,
    acts_after,
    cycles_of,
)
from crossgrain.writing.elements import exact_quantity
from crossgrain.writing.going_on import Spell


def plan_name(
    proposal: Proposal,
    series: tuple[OrderedCourse, ...],
    branches: Sequence[tuple[OrderedCourse, ...]],
) -> str:
    """Patient, days, what was asked, what was found, and every dose and draw of the plan.

    Parameters
    ----------
    series, branches : the plan's doses, unconditional and of each branch
    """
    request, record = proposal.request, proposal.record
    mixture = request.mixture
    parts = [
        record.patient_reference,
        str(request.as_of),
        str(request.start),
        str(proposal.target),
        f"{request.basis_id} {request.pace} {request.prior_therapy}",
        f"{mixture.ratio} {mixture.guideline} {mixture.t3_share}",
        *request.orders,
        *(f"{line.preparation.id}={line.cycle}" for line in record.regimen),
        *(entry.reference for entry in record.current),
        *(f"{finding.severity} {finding.code}" for finding in proposal.findings),
        *(question.expression for question in record.questions),
    ]
    if proposal.plan:
        parts.extend(filter(None, _contents(proposal.plan, series, branches)))
    return "|".join(parts)


def _contents(
    plan: Plan, series: tuple[OrderedCourse, ...], branches: Sequence[tuple[OrderedCourse, ...]]
) -> Iterator[str]:
    yield _doses_named(series)
    yield _draws(plan.labs)
    for branch, doses in zip(plan.checkpoint.branches, branches, strict=True):
        yield branch.reading
        yield _doses_named(doses)
        yield _draws(branch.labs)


def _doses_named(courses: tuple[OrderedCourse, ...]) -> str:
    return "|".join(map(_course, courses))


def _course(course: OrderedCourse) -> str:
    line = course.line
    pieces = line.tablets.pieces if line.tablets else ()
    made_of = "+".join(f"{piece.count}x{piece.strength}" for piece in pieces)
    return (
        f"{course.first_day}-{course.last_day} {line.preparation.id} {line.amount}"
        f" {made_of} {line.doses_per_day}"
    )


def _draws(draws: tuple[LabDraw, ...]) -> str:
    return "|".join(f"{draw.purpose} {draw.day} {draw.repeat_days}" for draw in draws)


Extension = dict[str, Any]


def facts_going_on(
    proposal: Proposal,
    plan: Plan,
    plan_id: str,
    carried: SeriesFacts | None,
    act: ActTaken,
    *,
    awaits_draw: bool,
) -> SeriesFacts:
    """What every order of a next step says of the plan that it goes on from.

    What was taken before day one, what was asked for, day one and the checkpoint stay as they are,
    however often it is planned anew. Where no plan ran (`carried` is ``None``), today's dose is
    adjusted from today on. A draw that is waited for (`awaits_draw`) keeps its day: a new supply
    does not put it off, or it would never be overdue.
    """
    own = series_facts(proposal, plan, plan_id)
    if carried is None:
        return replace(own, titration=True, acts=(act,))
    decision = carried.decision if awaits_draw else own.decision
    return replace(carried, plan_id=plan_id, decision=decision, acts=acts_after(carried.acts, act))


def series_facts(proposal: Proposal, plan: Plan, plan_id: str) -> SeriesFacts:
    """What every order of the plan says of it."""
    start, checkpoint = proposal.request.start, plan.checkpoint
    return SeriesFacts(
        plan_id=plan_id,
        original=cycles_of(proposal.record.regimen),
        target=plan.target,
        basis_id=plan.basis_id,
        pace=plan.pace,
        prior_therapy=plan.prior_therapy,
        mixture=proposal.request.mixture,
        family=proposal.family,
        most_generous=not checkpoint.is_smallest,
        day_one=start,
        decision=start + timedelta(checkpoint.decision_day),
        checkpoint=checkpoint.dose,
        need=plan.need,
        tables=proposal.tables,
        lt3_doses=proposal.request.lt3_doses,
        weekly=plan.weekly,
        another_product=proposal.request.another_product,
        too_much_weighs=proposal.limits.too_much_weighs,
        too_little_weighs=proposal.limits.too_little_weighs,
    )


def planned_lines(plan: Plan, start: date, before: Sequence[Spell] = ()) -> tuple[PlannedLine, ...]:
    """What the unconditional steps of a plan come to, by product line.

    `before` are the steps of the same course that are over, as they were planned.
    """
    spells = [
        *(spell for spell in before if spell[0] < start),
        *((start + timedelta(step.first_day), _amounts(step)) for step in plan.steps),
    ]
    begins, after = spells[0][0], start + timedelta(plan.steps[-1].last_day + 1)
    keys = dict.fromkeys(key for _, amounts in spells for key in amounts)
    return tuple(
        PlannedLine(key, begins, tuple(_changes(spells, key)), (after - begins).days)
        for key in keys
    )


def _amounts(step: Step) -> dict[str, Fraction]:
    return {line.preparation.id: line.amount for line in step.lines}


def _changes(spells: Sequence[Spell], preparation_id: str) -> Iterator[tuple[int, Fraction]]:
    """From which day on how much a day."""
    taken = None
    for first_day, amounts in spells:
        daily = amounts.get(preparation_id, Fraction(0))
        if daily != taken:
            yield (first_day - spells[0][0]).days, daily
            taken = daily


def facts_parts(facts: SeriesFacts) -> tuple[Extension, ...]:
    """The parts that all resources of one plan share."""
    return (
        _valued("plan", "valueId", facts.plan_id),
        *(_original(*line) for line in facts.original),
        _valued("target", "valueCode", str(facts.target)),
        _valued("basis", "valueCode", facts.basis_id),
        _valued("pace", "valueCode", facts.pace),
        _valued("prior-therapy", "valueCode", str(facts.prior_therapy)),
        *_mixture(facts.target, facts.mixture),
        _valued("desiccated-family", "valueCode", facts.family),
        *([_valued("most-generous", "valueBoolean", True)] if facts.most_generous else ()),
        _valued("day-one", "valueDate", facts.day_one.isoformat()),
        _valued("decision", "valueDate", facts.decision.isoformat()),
        _complex("checkpoint", *_checkpoint(facts.checkpoint)),
        _valued("need", "valueDecimal", exact_decimal(facts.need)),
        _valued("tables", "valueString", facts.tables),
        *_where_asked(facts),
        *([_valued("titration", "valueBoolean", True)] if facts.titration else ()),
        *(_valued("act", "valueString", _act(act)) for act in facts.acts),
    )


def copied(part: Extension) -> Extension:
    """A part once more: no two places of an answer hold the same object.

    >>> copied({"url": "order", "extension": [{"url": "step", "valuePositiveInt": 2}]})
    {'url': 'order', 'extension': [{'url': 'step', 'valuePositiveInt': 2}]}
    """
    if "extension" in part:
        return {**part, "extension": [copied(each) for each in part["extension"]]}
    if "valueQuantity" in part:
        return {**part, "valueQuantity": {**part["valueQuantity"]}}
    return {**part}


def _where_asked(facts: SeriesFacts) -> Iterator[Extension]:
    """What only some plans are made with."""
    if facts.lt3_doses:
        yield _valued("lt3-doses", "valuePositiveInt", facts.lt3_doses)
    if facts.weekly:
        yield _valued("weekly-pattern", "valueBoolean", True)
    if facts.another_product:
        yield _valued("another-product", "valueBoolean", True)
    for code, name in LEANING.items():
        if getattr(facts, name):
            yield _valued("leaning", "valueCode", code)


def _planned(line: PlannedLine) -> str:
    doses = " ".join(f"{day}:{_exactly(daily)}" for day, daily in line.doses)
    return f"{line.preparation_id} {line.first_day.isoformat()} {doses} {line.end}"


def _act(taken: ActTaken) -> str:
    said = f"{taken.day.isoformat()} {taken.act} {taken.reason}"
    return f"{said} {taken.reading}" if taken.reading else said


def on_plan(parts: Iterable[Extension], planned: Iterable[PlannedLine]) -> list[Extension]:
    """The extension of the care plan."""
    lines = (_valued("planned", "valueString", _planned(line)) for line in planned)
    return [_complex(SERIES_URL, *parts, *lines)]


def on_order(ordered: OrderedStep, unit: str, parts: Sequence[Extension]) -> list[Extension]:
    """The extension of one order; `unit` is that of its preparation's strength."""
    branch = [_valued("branch", "valueCode", ordered.branch)] if ordered.branch else []
    return [
        _complex(
            SERIES_URL,
            *parts[:1],
            _valued("step", "valuePositiveInt", ordered.step),
            _valued("steps", "valuePositiveInt", ordered.steps),
            *branch,
            _complex(
                "order",
                _valued("preparation", "valueCode", ordered.preparation_id),
                _valued("strength", "valueQuantity", exact_quantity(ordered.strength, unit)),
                *(_valued("dose", "valueString", _dose(dose)) for dose in ordered.doses),
            ),
            *parts[1:],
        )
    ]


def _dose(dose: OrderedDose) -> str:
    days = f"{dose.first_day.isoformat()} {dose.last_day.isoformat()}"
    return f"{_exactly(dose.daily)} {dose.times_a_day} {days}"


def step_of(made: Prescription, steps: Sequence[Step], branch: str, day_one: date) -> OrderedStep:
    """What the order for one prescription says that it orders."""
    return OrderedStep(
        step=sum(step.first_day <= made.first_day for step in steps),
        steps=len(steps),
        branch=branch,
        preparation_id=made.preparation.id,
        strength=made.strength,
        doses=tuple(dose for use in made.uses for dose in ordered_doses(use, day_one)),
    )


def _valued(name: str, key: str, value: object) -> Extension:
    return {"url": name, key: value}


def _complex(url: str, *parts: Extension) -> Extension:
    return {"url": url, "extension": list(parts)}


def _original(preparation_id: str, cycle: tuple[Fraction, ...]) -> Extension:
    return _complex(
        "original",
        _valued("preparation", "valueCode", preparation_id),
        _valued("cycle", "valueString", " ".join(map(_exactly, cycle))),
    )


def _exactly(amount: Fraction) -> str:
    return f"{exact_decimal(amount):f}" if is_finite(amount) else str(amount)


def _mixture(target: Target, mixture: Mixture) -> Iterator[Extension]:
    """What composes a combination; nothing for a target that is no combination."""
    if target is Target.DESICCATED_LT3:
        yield _valued("t3-share", "valueDecimal", exact_decimal(mixture.t3_share))
    elif target is Target.LT4_LT3 and mixture.guideline:
        yield _valued("guideline", "valueBoolean", True)
    elif target is Target.LT4_LT3:
        yield _valued("ratio", "valueDecimal", exact_decimal(mixture.ratio))


def _checkpoint(dose: TargetDose) -> Iterator[Extension]:
    """The dose of a checkpoint; that of a week whose days differ may be no finite decimal."""
    for name, amount in (("levothyroxine", dose.lt4_ug), ("liothyronine", dose.lt3_ug)):
        if amount:
            yield _valued(name, "valueQuantity", exact_quantity(_no_more_than(amount), "ug/d"))
    if dose.grains:
        yield _valued("grains", "valueDecimal", exact_decimal(_no_more_than(dose.grains)))


def _no_more_than(amount: Fraction) -> Fraction:
    """The largest decimal of six places that does not pass it: a checkpoint never rises.

    >>> _no_more_than(Fraction(600, 7))
    Fraction(17142857, 200000)
    """
    return amount if is_finite(amount) else Fraction(int(amount * 10**6), 10**6)
