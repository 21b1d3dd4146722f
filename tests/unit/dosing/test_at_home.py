"""What becomes of the tablets at home, over steps made by hand."""

from fractions import Fraction

import pytest
from tests.unit.dosing.switches import FIXED, LT3, LT4

from crossgrain.dosing.preparations import Preparation
from crossgrain.dosing.steps import LineDose, Stage, Step, SwitchPart
from crossgrain.dosing.supply import Fate, HomeSupply, HomeUse, Turn, Use, home_uses
from crossgrain.dosing.tablets import Piece, Tablets

NOW, ORDERED, NOT = Use.AS_NOW, Use.AS_ORDERED, Use.NOT_TAKEN


def as_now(preparation: Preparation = LT4) -> LineDose:
    return LineDose(preparation, Fraction(100), SwitchPart.OLD, None)


def of(*strengths: int, preparation: Preparation = LT4) -> LineDose:
    pieces = tuple(Piece(Fraction(strength), Fraction(1)) for strength in strengths)
    return LineDose(preparation, Fraction(sum(strengths)), SwitchPart.OLD, Tablets(pieces))


def steps(*weeks: tuple[LineDose, ...]) -> tuple[Step, ...]:
    """One step a week."""
    return tuple(
        Step(Stage.CLIMB, 7 * place, 7 * place + 6, lines) for place, lines in enumerate(weeks)
    )


def use_of(strength: int | None, *weeks: tuple[LineDose, ...]) -> HomeUse:
    """The use of levothyroxine at home."""
    supply = HomeSupply(LT4, None if strength is None else Fraction(strength))
    (found,) = home_uses([supply], steps(*weeks))
    return found


CASES = {
    "nothing changes": (100, [(as_now(),)] * 2, Fate.GOES_ON, [(0, NOW)]),
    "it ends on day one": (100, [(), ()], Fate.STOPS, [(0, NOT)]),
    "it ends later": (100, [(as_now(),), ()], Fate.STOPS, [(0, NOW), (7, NOT)]),
    "other strengths from day one": (100, [(of(75),), (of(75),)], Fate.STOPS, [(0, NOT)]),
    "its strength, in another dose": (100, [(of(100, 25),)] * 2, Fate.CHANGES, [(0, ORDERED)]),
    "the same after a week as now": (
        100,
        [(as_now(),), (of(100, 25),)],
        Fate.CHANGES,
        [(0, NOW), (7, ORDERED)],
    ),
    "put away and taken out again": (
        100,
        [(of(75),), (of(75),), (of(100),)],
        Fate.KEPT,
        [(0, NOT), (14, ORDERED)],
    ),
    "put away, taken out, done with": (
        100,
        [(as_now(),), (of(75),), (of(100),), (of(50),)],
        Fate.KEPT,
        [(0, NOW), (7, NOT), (14, ORDERED), (21, NOT)],
    ),
    "no strength is known and the medicine goes on": (
        None,
        [(of(75),), (of(50),)],
        Fate.CHANGES,
        [(0, ORDERED)],
    ),
    "no strength is known and the medicine ends": (
        None,
        [(of(75),), ()],
        Fate.STOPS,
        [(0, ORDERED), (7, NOT)],
    ),
    "another medicine has the strength": (
        50,
        [(of(50, preparation=LT3),)],
        Fate.STOPS,
        [(0, NOT)],
    ),
}


@pytest.mark.parametrize(("strength", "weeks", "fate", "turns"), CASES.values(), ids=CASES.keys())
def test_each_supply_has_one_fate_and_every_day_on_which_it_turns(
    strength: int | None,
    weeks: list[tuple[LineDose, ...]],
    fate: Fate,
    turns: list[tuple[int, Use]],
) -> None:
    found = use_of(strength, *weeks)
    assert found.fate is fate
    assert found.turns == tuple(Turn(day, use) for day, use in turns)


@pytest.mark.parametrize(
    ("weeks", "replaced"), [([(of(75),)], True), ([()], False), ([(as_now(),), (of(75),)], True)]
)
def test_what_ends_while_its_medicine_goes_on_is_told_apart(
    weeks: list[tuple[LineDose, ...]], replaced: bool
) -> None:
    assert use_of(100, *weeks).replaced is replaced


def test_a_product_that_stands_twice_in_the_record_is_named_once() -> None:
    twice = [HomeSupply(LT4, Fraction(100)), HomeSupply(FIXED), HomeSupply(LT4, Fraction(100))]
    found = home_uses(twice, steps((as_now(),)))
    assert [use.supply for use in found] == [HomeSupply(LT4, Fraction(100)), HomeSupply(FIXED)]
