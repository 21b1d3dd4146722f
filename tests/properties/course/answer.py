"""The rationale of an answer: the parts that its GuidanceResponse contains, by their names."""

from collections.abc import Iterator
from typing import Any

Json = dict[str, Any]


def parts_of(bundle: Json, name: str) -> Iterator[Json]:
    """Every part of one name, as its values; what occurs more than once in it is a list."""
    for contained in bundle["entry"][0]["resource"]["contained"]:
        for parameter in contained.get("parameter", ()):
            if parameter["name"] == name:
                yield values_of(parameter)


def said_in(bundle: Json, name: str, value: str) -> Iterator[Any]:
    """Every value of one part of the next step that may stand more than once."""
    for contained in bundle["entry"][0]["resource"]["contained"]:
        for parameter in contained.get("parameter", ()):
            if parameter["name"] == "next-step":
                yield from (part[value] for part in parameter["part"] if part["name"] == name)


def values_of(parameter: Json) -> Json:
    """The parts of one parameter by name: a value, or the list of those that have parts."""
    found: Json = {}
    for part in parameter.get("part", ()):
        if "part" in part:
            found.setdefault(part["name"], []).append(part)
        else:
            (found[part["name"]],) = (v for key, v in part.items() if key.startswith("value"))
    return found
