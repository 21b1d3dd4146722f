"""Keep what a pure function gives for the very same objects."""

from collections.abc import Callable
from functools import lru_cache, wraps
from operator import is_
from typing import ParamSpec, TypeVar

MOST_KEPT = 512
"""Plans of which the parts are kept; what is written of one takes about 140 kB."""

P = ParamSpec("P")
R = TypeVar("R")


class _These:
    """Objects that are known again as themselves, not by what is in them.

    They are held, so that none of them can make room for another at the same address.
    """

    __slots__ = ("objects",)

    def __init__(self, objects: tuple[object, ...]) -> None:
        self.objects = objects

    def __hash__(self) -> int:
        return hash(tuple(map(id, self.objects)))

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _These) and all(map(is_, self.objects, other.objects))


def kept(parts: int = 1) -> Callable[[Callable[P, R]], Callable[P, R]]:
    """Ask a pure function once for the same arguments; `parts` is how often one plan asks it.

    The arguments are given by place and must never change. What the function gives will stand
    in many places, so nobody may change that either.
    """

    def keep(make: Callable[P, R]) -> Callable[P, R]:
        on: Callable[..., R] = make  # that `ask` is called rightly, its own type says

        @lru_cache(maxsize=MOST_KEPT * parts)
        def known(these: _These) -> R:
            return on(*these.objects)

        @wraps(make)
        def ask(*args: P.args, **kwargs: P.kwargs) -> R:
            if kwargs:
                raise TypeError("a kept function is given its arguments by place")
            return known(_These(args))

        return ask

    return keep
