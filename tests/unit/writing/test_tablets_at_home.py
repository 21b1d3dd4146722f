"""What the patient is told of the tablets at home, sentence by sentence."""

from fractions import Fraction
from typing import Any

import pytest

from crossgrain.catalogue import Catalogue, load_catalogue
from crossgrain.dosing.supply import HomeSupply, HomeUse, Turn, Use
from crossgrain.writing.at_home import home_line, home_words

NOW, ORDERED, NOT = Use.AS_NOW, Use.AS_ORDERED, Use.NOT_TAKEN
AWAY = "Take what is left to a pharmacy."


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return load_catalogue()


def day(number: int) -> str:
    return f"day {number}"


def use(catalogue: Catalogue, *turns: tuple[int, Use], **more: Any) -> HomeUse:
    strength = more.pop("strength", Fraction(150))
    supply = HomeSupply(catalogue.preparations["levothyroxine"], strength)
    whole = {"replaced": False, **more}
    return HomeUse(supply, tuple(Turn(first, way) for first, way in turns), **whole)


@pytest.mark.parametrize(
    ("turns", "more", "said"),
    [
        ([(0, NOW)], {}, "Go on as now."),
        ([(0, ORDERED)], {}, "From day 0 on, take them only as this plan says."),
        ([(0, NOT)], {}, f"From day 0 on, take no more of them. {AWAY}"),
        (
            [(0, NOW), (14, NOT)],
            {"replaced": True},
            f"From day 14 on, take no more of them. This plan has other strengths instead. {AWAY}",
        ),
        (
            [(0, NOW), (14, NOT)],
            {"replaced": True, "exchanged": True},
            "From day 14 on, take no more of them. This plan has another product of it instead."
            f" Never take both. {AWAY}",
        ),
        (
            [(0, NOW), (14, ORDERED), (28, NOT)],
            {},
            "From day 14 on, take them only as this plan says. From day 28 on, take no more of"
            f" them. {AWAY}",
        ),
        (
            [(0, NOT), (28, ORDERED)],
            {},
            "From day 0 on, do not take them. Put them away. You need them again from day 28 on.",
        ),
        (
            [(0, NOW)],
            {"strength": None},
            "Go on as now.",
        ),
        (
            [(0, NOW), (14, ORDERED)],
            {"strength": None},
            "From day 14 on, take only the tablets that this plan names. Keep a box from home only"
            " if this plan names its strength. Take the others to a pharmacy.",
        ),
        (
            [(0, NOT)],
            {"strength": None},
            f"From day 0 on, take no more of it. {AWAY}",
        ),
    ],
)
def test_what_to_do_with_a_box_at_home_is_said_with_its_day(
    catalogue: Catalogue, turns: list[tuple[int, Use]], more: dict[str, Any], said: str
) -> None:
    """A box that nobody speaks of goes on being taken beside the new tablets."""
    assert home_words(use(catalogue, *turns, **more), day) == said


@pytest.mark.parametrize(
    ("strength", "name"),
    [
        (Fraction(150), "Levothyroxine sodium 150 microgram tablets"),
        (None, "Levothyroxine sodium"),
    ],
)
def test_the_box_is_called_what_stands_on_it(
    catalogue: Catalogue, strength: Fraction | None, name: str
) -> None:
    said = home_line(use(catalogue, (0, NOW), strength=strength), day)
    assert said == f"{name} at home: Go on as now."
