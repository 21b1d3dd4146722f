"""Values: classes whose fields are set when one is made, and never after.

`frozen` gives what ``dataclass(frozen=True, slots=True)`` gives, and to ``fields``, ``replace`` and
the type checker it is that. But the standard library compiles six functions for each class when it
is defined; for the hundreds of classes of this package that was a fifth of the service's start.
Here three are compiled, each when it is first called, and the others are the same for all.
"""

from collections.abc import Callable, Iterator
from dataclasses import MISSING, Field, FrozenInstanceError, dataclass, field, fields
from typing import Any, NoReturn, TypeVar, dataclass_transform

_T = TypeVar("_T")
_UNSAID: Any = object()
"""Stands in the place of a default that is made anew for each."""


@dataclass_transform(frozen_default=True, field_specifiers=(field,))
def frozen(cls: type[_T], /) -> type[_T]:
    """A class of values, its fields the annotated names; a method it writes itself is kept.

    >>> @frozen
    ... class Interval:
    ...     first: int
    ...     last: int = 7
    >>> Interval(3)
    Interval(first=3, last=7)
    >>> Interval(3) == Interval(3, 7), len({Interval(3), Interval(3, 7)})
    (True, 1)
    >>> Interval(3).last = 4
    Traceback (most recent call last):
    dataclasses.FrozenInstanceError: cannot assign to field 'last'
    """
    if cls.__doc__ is None:
        cls.__doc__ = cls.__name__  # else the library would work out a signature to show
    own = {name for name, method in vars(cls).items() if method is not None}
    made = dataclass(init=False, repr=False, eq=False, slots=True)(cls)
    for name, write in _WRITTEN.items():
        if name not in own:
            setattr(made, name, _written_at_first_call(made, name, write))
    for name, method in _THE_SAME_FOR_ALL.items():
        if name not in own:
            setattr(made, name, method)
    return made


_Names = dict[str, Any]
"""What a written function finds under the names that it uses."""
_Write = Callable[[type[Any], _Names], Iterator[str]]


def _written_at_first_call(made: type[Any], name: str, write: _Write) -> Callable[..., Any]:
    def first_call(*args: Any, **kwargs: Any) -> Any:
        names: _Names = {}
        source = "\n".join(write(made, names))
        exec(compile(source, f"<{made.__qualname__}.{name}>", "exec"), names)
        setattr(made, name, names[name])
        return names[name](*args, **kwargs)

    return first_call


def _init(made: type[Any], names: _Names) -> Iterator[str]:
    """The fields are set by their slots: the class itself refuses to be set."""
    said = [one for one in fields(made) if one.init]
    places = [one for one in said if not one.kw_only]
    by_name = [one for one in said if one.kw_only]
    star = ["*"] if by_name else []
    heads = [_parameter(one, names) for one in places]
    heads += [*star, *(_parameter(one, names) for one in by_name)]
    yield f"def __init__({', '.join(['self', *heads])}):"
    for one in fields(made):
        if one.init or one.default is not MISSING or one.default_factory is not MISSING:
            names[f"_set_{one.name}"] = getattr(made, one.name).__set__
            yield f" _set_{one.name}(self, {_given(one, names)})"
    yield " self.__post_init__()" if hasattr(made, "__post_init__") else " return"


def _parameter(one: Field[Any], names: _Names) -> str:
    if one.default_factory is not MISSING:
        names["_unsaid"] = _UNSAID
        return f"{one.name}=_unsaid"
    if one.default is not MISSING:
        names[f"_default_{one.name}"] = one.default
        return f"{one.name}=_default_{one.name}"
    return one.name


def _given(one: Field[Any], names: _Names) -> str:
    """What a field is set to."""
    if one.default_factory is not MISSING:
        names[f"_make_{one.name}"] = one.default_factory
        anew = f"_make_{one.name}()"
        return f"{anew} if {one.name} is _unsaid else {one.name}" if one.init else anew
    if one.init:
        return one.name
    names[f"_default_{one.name}"] = one.default
    return f"_default_{one.name}"


def _eq(made: type[Any], names: _Names) -> Iterator[str]:
    yield "def __eq__(self, other):"
    yield " if other.__class__ is not self.__class__: return NotImplemented"
    yield f" return {_compared(made, 'self')} == {_compared(made, 'other')}"


def _hash(made: type[Any], names: _Names) -> Iterator[str]:
    yield "def __hash__(self):"
    yield f" return hash({_compared(made, 'self')})"


def _compared(made: type[Any], of: str) -> str:
    """A tuple of the fields that make two of them equal."""
    return "(" + "".join(f"{of}.{one.name}, " for one in fields(made) if one.compare) + ")"


def _repr(self: Any) -> str:
    shown = (f"{one.name}={getattr(self, one.name)!r}" for one in fields(self) if one.repr)
    return f"{type(self).__qualname__}({', '.join(shown)})"


def _refuse_to_set(self: object, name: str, value: object) -> NoReturn:
    raise FrozenInstanceError(f"cannot assign to field {name!r}")


def _refuse_to_delete(self: object, name: str) -> NoReturn:
    raise FrozenInstanceError(f"cannot delete field {name!r}")


def _state(self: Any) -> list[Any]:
    return [getattr(self, one.name) for one in fields(self)]


def _set_state(self: Any, state: list[Any]) -> None:
    for one, value in zip(fields(self), state, strict=True):
        object.__setattr__(self, one.name, value)


_WRITTEN = {"__init__": _init, "__eq__": _eq, "__hash__": _hash}
_THE_SAME_FOR_ALL: dict[str, Callable[..., Any]] = {
    "__repr__": _repr,
    "__setattr__": _refuse_to_set,
    "__delattr__": _refuse_to_delete,
    "__getstate__": _state,
    "__setstate__": _set_state,
}
