"""Chains of resources that stand for one another: an order for an older one, a statement for
the order that it was made from. A chain follows the dates and never comes back to where it began.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

IN_A_CIRCLE = "Resources say of each other that one stands for the other. Which are taken?"
_UNDATED = "An order says that it replaces another, and one of the two has no date. Which is taken?"
_OLDER = "An order says that it replaces a newer one. Which of the two is taken?"


@dataclass(frozen=True, slots=True)
class Order:
    """An order in a chain: the reference of the one it replaces, and its first day."""

    replaces: str | None
    first_day: int | None


def doubts_of(orders: Mapping[str, Order]) -> dict[str, str]:
    """What is to be asked of each order whose word on what it replaces cannot be relied on."""
    links = {own: to for own, order in orders.items() if (to := order.replaces) in orders and to}
    found = dict.fromkeys(leading_in_circles({o: [to] for o, to in links.items()}), IN_A_CIRCLE)
    for own, to in links.items():
        later, earlier = orders[own].first_day, orders[to].first_day
        if later is None or earlier is None:
            found.setdefault(own, _UNDATED)
        elif later < earlier:
            found.setdefault(own, _OLDER)
    return found


def leading_in_circles(links: Mapping[str, Iterable[str]]) -> set[str]:
    """Every name from which one comes into a circle; linear in the links.

    >>> sorted(leading_in_circles({"a": ["b"], "b": ["c"], "c": ["b"], "d": ["e"]}))
    ['a', 'b', 'c']
    """
    into: dict[str, list[str]] = {}
    left = dict.fromkeys(links, 0)
    for name, targets in links.items():
        for target in targets:
            into.setdefault(target, []).append(name)
            left[name] += 1
    ended = [name for name in {*into, *left} if not left.get(name)]
    while ended:
        for name in into.get(ended.pop(), ()):
            left[name] -= 1
            if not left[name]:
                ended.append(name)
    return {name for name, count in left.items() if count}
