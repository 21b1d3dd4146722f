"""Which filed orders change a dose on a day to come."""

from datetime import date, timedelta
from fractions import Fraction

import pytest
from tests.unit.test_already_ordered import CATALOGUE, DAY_ONE, FILED
from tests.unit.test_propose import entry

from crossgrain.core.changes_ahead import DoseChange, changes_ahead
from crossgrain.dosing.regimens import DoseLine, Regimen
from crossgrain.reading.series_mark import OrderedStep

DESICCATED = CATALOGUE.preparations["desiccated-thyroid-60"]


def taken(lt4: int, grains_mg: int) -> Regimen:
    desiccated = DoseLine(DESICCATED, (Fraction(grains_mg),), "d")
    return Regimen((*entry("levothyroxine", lt4).lines, *((desiccated,) if grains_mg else ())))


def changing(day: int, today: Regimen) -> list[DoseChange]:
    return list(changes_ahead(FILED, today, DAY_ONE + timedelta(day), CATALOGUE.preparations))


def by_order(day: int, today: Regimen, *, rises: bool) -> dict[OrderedStep, int]:
    """The orders that rise, or that fall, each with the day of the plan on which it does."""
    return {
        each.order.mark.ordered: (each.day - DAY_ONE).days
        for each in changing(day, today)
        if each.rises is rises and each.order.mark.ordered is not None
    }


def rising(day: int, today: Regimen) -> dict[OrderedStep, int]:
    return by_order(day, today, rises=True)


def given(order: OrderedStep, day: date) -> Fraction:
    return sum((d.daily for d in order.doses if d.first_day <= day <= d.last_day), Fraction(0))


def test_the_plan_climbs_from_15_mg_a_quarter_grain_at_a_time() -> None:
    orders = [one.mark.ordered for one in FILED if one.mark.ordered]
    own = [o for o in orders if o.preparation_id == DESICCATED.id]
    by_day = [sum(given(o, DAY_ONE + timedelta(day)) for o in own) for day in (0, 14, 28, 42)]
    assert by_day == [15, 30, 45, 60]


@pytest.mark.parametrize(("taken_mg", "day"), [(44, 42), (45, 42), (46, 42), (59, 42), (60, 56)])
def test_an_order_rises_on_the_first_day_on_which_there_is_more_than_today(
    taken_mg: int, day: int
) -> None:
    found = rising(29, taken(150, taken_mg))
    assert min(found.values()) == (29 if taken_mg < 45 else day)


def test_an_order_that_is_followed_rises_where_its_own_part_grows() -> None:
    found = rising(20, taken(150, 30))
    followed = [order for order in found if order.first_day <= DAY_ONE + timedelta(20)]
    assert [found[order] for order in followed] == [28]


def test_what_falls_waits_with_what_rises_beside_it() -> None:
    today = taken(150, 45)
    falls = by_order(29, today, rises=False)
    assert {order.preparation_id for order in rising(29, today)} == {DESICCATED.id}
    assert {order.preparation_id for order in falls} == {"levothyroxine"}
    for order, day in falls.items():
        assert 0 < given(order, DAY_ONE + timedelta(day)) < 150
        assert day == max((order.first_day - DAY_ONE).days, 29)


def test_what_falls_stands_where_nothing_rises_any_more() -> None:
    assert by_order(29, taken(150, 45), rises=False)
    assert not changing(29, taken(150, 500))


def test_a_dose_that_stays_as_it_is_does_not_wait() -> None:
    lt4 = [
        one.mark.ordered
        for one in FILED
        if one.mark.ordered and one.mark.ordered.preparation_id == "levothyroxine"
    ]
    day = (lt4[-1].first_day - DAY_ONE).days
    last = int(given(lt4[-1], lt4[-1].first_day))
    assert rising(day, taken(last, 15))
    assert lt4[-1] not in by_order(day, taken(last, 15), rises=False)
    assert lt4[-1] in by_order(day, taken(last + 1, 15), rises=False)


def test_an_order_that_is_over_raises_nothing() -> None:
    start = DAY_ONE + timedelta(29)
    ended = [one for one in FILED if one.mark.ordered and one.mark.ordered.last_day < start]
    assert not list(changes_ahead(ended, taken(150, 15), start, CATALOGUE.preparations))
