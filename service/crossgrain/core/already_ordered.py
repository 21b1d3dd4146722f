"""Which orders of a plan are in force already, so that a next step writes only what changes.

An order that is filed is kept where, on every day from today on for which it is meant, the plan
from today gives the same tablets in the same doses, and all else that is taken of the medicine on
that day is ordered too. All others are replaced, however little they differ.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence, Set
from dataclasses import replace
from datetime import date, timedelta
from fractions import Fraction

from crossgrain.dosing.plan import Plan
from crossgrain.dosing.policy import Supply
from crossgrain.dosing.steps import DoseUse, LineDose, OrderedCourse, Prescription, courses
from crossgrain.dosing.supply import draws, prescriptions
from crossgrain.dosing.tablets import Piece, Tablets
from crossgrain.names.values import frozen
from crossgrain.reading.filed import OVER
from crossgrain.reading.record import MarkedOrder
from crossgrain.reading.series_mark import OrderedDose, OrderedStep

Product = tuple[str, Fraction]
"""Preparation id and strength of one tablet."""
Stock = Sequence[tuple[str, Fraction]]
"""The tablets that can be dispensed: preparation id and strength."""
Doses = tuple[tuple[Fraction, int], ...]
"""The doses of one product on one day: amount a day, in how many equal parts."""


def ordered_doses(use: DoseUse, day_one: date) -> Iterator[OrderedDose]:
    """One for each instruction that the order gives for this use."""
    line, piece = use.course.line, use.piece
    first = day_one + timedelta(use.course.first_day)
    last = day_one + timedelta(use.course.last_day)
    if not line.times:
        yield OrderedDose(piece.count * piece.strength, line.doses_per_day, first, last)
        return
    for count in line.counts(piece):
        if count:
            yield OrderedDose(count * piece.strength, 1, first, last)


@frozen
class OrderInForce:
    """A filed order that the plan from today leaves as it is.

    Attributes
    ----------
    reference : how the input refers to it
    ordered : what it orders
    """

    reference: str
    ordered: OrderedStep

    @property
    def product(self) -> Product:
        """What it is for."""
        return self.ordered.preparation_id, self.ordered.strength


def as_filed(plan: Plan, marked: Iterable[MarkedOrder], stock: Stock) -> Plan:
    """The plan's series in the tablets in which filed orders give the same doses already.

    The planner picks tablets for the doses that are left, and may pick others than those that the
    patient has. Only what is dispensed no more, as `stock` says, is not ordered again.
    """
    made = _as_ordered(marked, stock)
    steps = tuple(
        replace(step, lines=tuple(_in_tablets(line, made) for line in step.lines))
        for step in plan.steps
    )
    return replace(plan, steps=steps)


@frozen
class _Made:
    """A day's dose of one medicine as it was ordered."""

    tablets: Tablets
    doses_per_day: int


Dose = tuple[str, Fraction]
"""Preparation id and amount a day."""


def _in_tablets(line: LineDose, made: Mapping[Dose, _Made]) -> LineDose:
    known = made.get((line.preparation.id, line.amount))
    if known is None:
        return line
    return replace(
        line, tablets=known.tablets, doses_per_day=known.doses_per_day, note="", times=(), week=()
    )


def _as_ordered(marked: Iterable[MarkedOrder], stock: Stock) -> dict[Dose, _Made]:
    """Every dose that filed orders make of their tablets; where two ways do, the later."""
    doses = [
        (ordered.preparation_id, ordered.strength, dose)
        for one in marked
        if (ordered := one.mark.ordered) is not None and one.unchanged and is_meant(one)
        for dose in ordered.doses
    ]
    made: dict[Dose, _Made] = {}
    for medicine, _, begun in sorted(doses, key=lambda each: each[2].first_day):
        together = {
            (strength, dose)
            for other, strength, dose in doses
            if other == medicine and dose.first_day <= begun.first_day <= dose.last_day
        }
        way = _made_of(together)
        if way is not None and _is_in(stock, medicine, way.tablets.strengths):
            made[medicine, way.tablets.amount] = way
    return made


def _made_of(doses: Set[tuple[Fraction, OrderedDose]]) -> _Made | None:
    """A day's dose from tablets taken alike at each time; ``None`` where the times differ."""
    by_strength = dict(doses)
    if len(by_strength) < len(doses):
        return None  # so many of one tablet in the morning, and so many at night
    (times, *others) = {dose.times_a_day for dose in by_strength.values()}
    pieces = tuple(
        Piece(strength, by_strength[strength].daily / strength)
        for strength in sorted(by_strength, reverse=True)
    )
    if others or any((piece.count / times).denominator not in _WHOLE_OR_HALF for piece in pieces):
        return None
    return _Made(Tablets(pieces), times)


_WHOLE_OR_HALF = (1, 2)


def _is_in(stock: Stock, medicine: str, strengths: Iterable[Fraction]) -> bool:
    """Whether tablets can be dispensed; of a preparation that is not named, all can."""
    of_it = {strength for named, strength in stock if named == medicine}
    return not of_it or set(strengths) <= of_it


def is_meant(one: MarkedOrder) -> bool:
    """Whether an order is one to follow: signed, or a step of the series that is not signed yet."""
    return one.signed or (one.mark.ordered is not None and not one.mark.ordered.branch)


def orders_kept(
    plan: Plan, day_one: date, marked: Sequence[MarkedOrder]
) -> tuple[OrderInForce, ...]:
    """The filed orders that stand as they are; of two for the same, the one that is signed."""
    planned = _planned(plan, day_one)
    last = day_one + timedelta(plan.steps[-1].last_day)
    followed = [one for one in marked if one.unchanged and one.status not in OVER and is_meant(one)]
    filed = {
        plan_id: _filed(orders)
        for plan_id in {one.mark.facts.plan_id for one in followed}
        if (orders := [one for one in followed if one.mark.facts.plan_id == plan_id])
    }
    kept: dict[str, tuple[OrderInForce, frozenset[date]]] = {}
    taken: set[tuple[Product, date]] = set()
    for one in sorted(followed, key=lambda one: not one.signed):
        if one.mark.ordered is None:
            continue
        order = OrderInForce(one.reference, one.mark.ordered)
        days = _days_kept(order, filed[one.mark.facts.plan_id], planned, day_one, last)
        own = {(order.product, day) for day in days}
        if days and not own & taken:
            kept[one.reference] = order, days
            taken |= own
    return tuple(order for order, _ in _whole_medicines(kept, planned).values())


ByDay = Mapping[date, Mapping[Product, Doses]]
"""What is given on each day, in tablets."""


def _planned(plan: Plan, day_one: date) -> ByDay:
    """What the plan gives on each of its days."""
    return _by_day(
        ((course.line.preparation.id, piece.strength), dose)
        for course in courses(plan.steps)
        for piece in (course.line.tablets.pieces if course.line.tablets else ())
        for dose in ordered_doses(DoseUse(course, piece), day_one)
    )


def _filed(orders: Iterable[MarkedOrder]) -> ByDay:
    """What the orders of one plan give on each day, each of them once."""
    different = {one.mark.ordered for one in orders if one.mark.ordered is not None}
    return _by_day(
        ((ordered.preparation_id, ordered.strength), dose)
        for ordered in different
        for dose in ordered.doses
    )


def _by_day(given: Iterable[tuple[Product, OrderedDose]]) -> ByDay:
    by_day: dict[date, dict[Product, list[tuple[Fraction, int]]]] = {}
    for product, dose in given:
        for day in _every_day(dose.first_day, dose.last_day):
            doses = by_day.setdefault(day, {}).setdefault(product, [])
            doses.append((dose.daily, dose.times_a_day))
    return {
        day: {product: tuple(sorted(doses)) for product, doses in products.items()}
        for day, products in by_day.items()
    }


def _days_kept(
    order: OrderInForce, filed: ByDay, planned: ByDay, day_one: date, last: date
) -> frozenset[date]:
    """The days from today on for which an order stands as it is; none where one of them differs.

    Its words tell what else is taken of the medicine with it, so all of that must be the same.
    Past the plan's own last day it may go on with the dose that it has come to, and not change it.
    """
    days: set[date] = set()
    for dose in order.ordered.doses:
        if dose.first_day > last:
            return frozenset()
        days.update(_every_day(max(dose.first_day, day_one), min(dose.last_day, last)))
    medicine = order.ordered.preparation_id
    same = all(_of(filed, day, medicine) == _of(planned, day, medicine) for day in days)
    return frozenset(days) if same else frozenset()


def _of(by_day: ByDay, day: date, medicine: str) -> dict[Product, Doses]:
    """What is given of one medicine on a day."""
    given = by_day.get(day, {})
    return {product: doses for product, doses in given.items() if product[0] == medicine}


def _whole_medicines(
    kept: Mapping[str, tuple[OrderInForce, frozenset[date]]], planned: ByDay
) -> Mapping[str, tuple[OrderInForce, frozenset[date]]]:
    """Without the orders beside which another tablet of the same medicine is not ordered.

    A day's dose of a medicine is ordered whole or not at all, so that nobody fills half of it.
    """
    covered = {(order.product, day) for order, days in kept.values() for day in days}
    whole = {
        reference: (order, days)
        for reference, (order, days) in kept.items()
        if all(
            (product, day) in covered
            for day in days
            for product in _of(planned, day, order.ordered.preparation_id)
        )
    }
    return whole if len(whole) == len(kept) else _whole_medicines(whole, planned)


def only_changed(
    plan: Plan, day_one: date, kept: Iterable[OrderInForce], supply: Supply
) -> tuple[Prescription, ...]:
    """The prescriptions of the plan's series for the days that no kept order covers."""
    spans: dict[str, list[tuple[int, int]]] = {}
    for order in kept:
        for dose in order.ordered.doses:
            days = (dose.first_day - day_one).days, (dose.last_day - day_one).days
            spans.setdefault(order.ordered.preparation_id, []).append(days)
    left = [
        piece
        for course in courses(plan.steps)
        if course.line.tablets
        for piece in without_days(course, spans.get(course.line.preparation.id, ()))
    ]
    return prescriptions(left, supply, draws(plan.labs), ends=plan.steps[-1].last_day)


def without_days(
    course: OrderedCourse, spans: Iterable[tuple[int, int]]
) -> Iterator[OrderedCourse]:
    """The parts of a course outside of some spans of days, each given by its first and last."""
    first = course.first_day
    for begins, ends in sorted(spans):
        if first < begins and first <= course.last_day:
            yield replace(course, first_day=first, last_day=min(begins - 1, course.last_day))
        first = max(first, ends + 1)
    if first <= course.last_day:
        yield replace(course, first_day=first)


def _every_day(first: date, last: date) -> Iterator[date]:
    return (first + timedelta(number) for number in range((last - first).days + 1))
