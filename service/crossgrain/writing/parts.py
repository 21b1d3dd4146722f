"""Parameters written from the published table: no answer holds a part that the table lacks."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import field, replace
from functools import partial
from typing import Any

from crossgrain.names.values import frozen
from crossgrain.writing.elements import plain

Part = dict[str, Any]
Value = Callable[[Any], Any]
"""The value of a part, of what its table is written from."""


@frozen
class PartDefinition:
    """One parameter or part.

    Attributes
    ----------
    name, type : type is empty where it has parts
    minimum, maximum, meaning : as published
    parts : its own
    value : what it holds, of what its table is written from: ``None`` where it does not stand, a
        list where it may stand several times. Of a part with parts: what those are written from
    """

    name: str
    type: str
    minimum: int
    maximum: str
    meaning: str
    parts: tuple["PartDefinition", ...] = ()
    value: Value | None = None
    key: str = field(init=False)
    """The element that holds its value."""
    form: Value = field(init=False)
    """How that is written."""

    def __post_init__(self) -> None:
        typed = f"value{self.type[:1].upper()}{self.type[1:]}"
        object.__setattr__(self, "key", "resource" if self.type in _RESOURCES else typed)
        object.__setattr__(self, "form", _FORMS.get(self.type, _as_it_is))


_RESOURCES = {"Questionnaire"}
"""Types of parts that hold a resource."""


def _as_it_is(value: Any) -> Any:
    return value


_FORMS: dict[str, Value] = {"string": plain, "code": str}


def written(parts: Sequence[PartDefinition], source: Any) -> list[Part]:
    """The parts in the order of their table: each not at all, once, or for each of several."""
    stand: list[Part] = []
    for part in parts:
        found = part.value(source) if part.value else None
        if found is None:
            continue
        for each in found if isinstance(found, list) else (found,):
            if part.parts:
                stand.append({"name": part.name, "part": written(part.parts, each)})
            else:
                stand.append({"name": part.name, part.key: part.form(each)})
    return stand


def within(get: Value, *parts: PartDefinition) -> Iterator[PartDefinition]:
    """Parts that are read from something of the source; none stands where that does not."""
    for part in parts:
        yield replace(part, value=partial(_inner, get, part.value))


def _inner(get: Value, value: Value | None, source: Any) -> Any:
    inner = get(source)
    return None if inner is None or value is None else value(inner)


def one(name: str, fhir_type: str, meaning: str, value: Value | None = None) -> PartDefinition:
    """A part that always stands once."""
    return PartDefinition(name, fhir_type, 1, "1", meaning, value=value)


def maybe(name: str, fhir_type: str, meaning: str, value: Value | None = None) -> PartDefinition:
    """A part that stands once or not at all."""
    return PartDefinition(name, fhir_type, 0, "1", meaning, value=value)


def many(
    name: str, meaning: str, *parts: PartDefinition, value: Value | None = None
) -> PartDefinition:
    """A part made of others, however often it stands."""
    return PartDefinition(name, "", 0, "*", meaning, parts, value)
