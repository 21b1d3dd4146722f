"""`frozen` makes what the standard library's frozen dataclass with slots makes."""

import copy
import pickle
from collections.abc import Callable
from dataclasses import FrozenInstanceError, dataclass, field, fields, replace
from fractions import Fraction
from typing import Any

import pytest

from crossgrain.names.values import frozen


def _library(cls: type[Any]) -> type[Any]:
    return dataclass(frozen=True, slots=True)(cls)


def _tablet(decorated: Callable[[type[Any]], type[Any]]) -> type[Any]:
    @decorated
    class Tablet:
        strength: Fraction
        parts: tuple[int, ...] = (1, 2)
        names: list[str] = field(default_factory=list, repr=False)
        made: str = field(default="", compare=False)
        scored: bool = field(default=True, kw_only=True)
        halves: int = field(init=False, repr=False, compare=False)
        kind: str = field(default="tablet", init=False)

        def __post_init__(self) -> None:
            object.__setattr__(self, "halves", 2 * len(self.parts))

    return Tablet


BOTH = pytest.mark.parametrize("decorated", [frozen, _library])


@frozen
class Dose:
    """At the top of a module, where pickle finds it."""

    amount: Fraction
    often: int = 1


@frozen
class NamedDose(Dose):
    name: str = ""

    def __repr__(self) -> str:
        return f"<{self.name}>"


@frozen
class ByName:
    """Equal where the name is, in any case."""

    name: str

    def __eq__(self, other: object) -> bool:
        return isinstance(other, ByName) and self.name.lower() == other.name.lower()

    def __hash__(self) -> int:
        return hash(self.name.lower())


@BOTH
def test_defaults_and_what_is_set_after(decorated: Callable[[type[Any]], type[Any]]) -> None:
    one = _tablet(decorated)(Fraction(1, 2), names=["half"], scored=False)
    assert (one.strength, one.parts, one.names, one.made) == (Fraction(1, 2), (1, 2), ["half"], "")
    assert (one.scored, one.halves, one.kind) == (False, 4, "tablet")


@BOTH
def test_a_default_made_anew_is_not_shared(decorated: Callable[[type[Any]], type[Any]]) -> None:
    tablet = _tablet(decorated)
    tablet(Fraction(1)).names.append("whole")
    assert tablet(Fraction(1)).names == []


@BOTH
@pytest.mark.parametrize(
    ("places", "by_name"),
    [((), {}), ((Fraction(1), (), [], "", True), {}), ((Fraction(1),), {"kind": "other"})],
)
def test_what_does_not_make_one(
    decorated: Callable[[type[Any]], type[Any]], places: tuple[Any, ...], by_name: dict[str, Any]
) -> None:
    with pytest.raises(TypeError, match="argument"):
        _tablet(decorated)(*places, **by_name)


@BOTH
def test_it_is_shown_without_what_is_not_for_showing(
    decorated: Callable[[type[Any]], type[Any]],
) -> None:
    shown = repr(_tablet(decorated)(Fraction(1))).rpartition(".")[2]
    assert shown == (
        "Tablet(strength=Fraction(1, 1), parts=(1, 2), made='', scored=True, kind='tablet')"
    )


@BOTH
def test_two_are_equal_by_the_fields_that_are_compared(
    decorated: Callable[[type[Any]], type[Any]],
) -> None:
    tablet = _tablet(decorated)
    assert tablet(Fraction(1), made="here") == tablet(Fraction(1), made="there")
    assert tablet(Fraction(1)) != tablet(Fraction(2))
    assert tablet(Fraction(1)) != _tablet(decorated)(Fraction(1))


def test_the_hash_is_that_of_the_library() -> None:
    made = [
        _library(type("Dose", (), {"__annotations__": {"amount": Fraction, "often": int}})),
        Dose,
    ]
    assert len({hash(dose(Fraction(1, 3), 2)) for dose in made}) == 1


@BOTH
def test_the_fields_are_told_and_replaced(decorated: Callable[[type[Any]], type[Any]]) -> None:
    tablet = _tablet(decorated)
    names = ["strength", "parts", "names", "made", "scored", "halves", "kind"]
    assert [one.name for one in fields(tablet)] == names
    assert tablet.__match_args__ == ("strength", "parts", "names", "made")
    assert replace(tablet(Fraction(1)), parts=(1,)).halves == 2


@BOTH
def test_nothing_is_set_later(decorated: Callable[[type[Any]], type[Any]]) -> None:
    one = _tablet(decorated)(Fraction(1))
    with pytest.raises(FrozenInstanceError, match="cannot assign to field 'made'"):
        one.made = "anew"
    with pytest.raises(FrozenInstanceError, match="cannot delete field 'made'"):
        del one.made
    assert not hasattr(one, "__dict__")


def test_one_is_copied_and_sent_to_another_process() -> None:
    dose = Dose(Fraction(3, 2), often=2)
    assert pickle.loads(pickle.dumps(dose)) == copy.copy(dose) == copy.deepcopy(dose) == dose


def test_a_class_below_has_the_fields_of_both_and_keeps_its_own_methods() -> None:
    named = NamedDose(Fraction(1), 2, "evening")
    assert (named.amount, named.often, repr(named)) == (Fraction(1), 2, "<evening>")
    assert named != Dose(Fraction(1), 2)
    assert ByName("Evening") == ByName("evening")
    assert len({ByName("Evening"), ByName("evening")}) == 1
