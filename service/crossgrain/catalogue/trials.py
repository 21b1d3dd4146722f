"""Read the table of published comparisons, and refuse an entry that nobody could check.

Whatever is refused names its place, e.g. ``comparison[3].second.lt3.unit``; entries count from 1.
"""

from collections.abc import Mapping
from enum import StrEnum
from typing import TypeVar

from crossgrain.dosing.evidence import (
    Arm,
    Comparison,
    ComparisonKind,
    Evidence,
    EvidenceGrade,
    LeftOut,
    Measured,
    ReadIn,
    ResidualGland,
    TshOutcome,
)
from crossgrain.names.numbers import (
    exact_number,
    listed,
    only_known_keys,
    positive_number,
    refuse,
    required,
    table,
    text,
)

_DOSE_UNITS = {"lt4": ("ug/d", "ug/kg/d"), "lt3": ("ug/d", "ug/kg/d"), "desiccated": ("mg/d",)}
_SERUM_UNITS = {"tsh": ("mU/L",), "t4": ("ug/dL", "ng/dL"), "t3": ("ng/dL",)}
_SPREADS = ("sd", "sem", "pm")
_WORDS = ("id", "design", "source", "where")
_CODES = ("kind", "gland", "tsh", "read", "grade")
_COMPARISON = (*_WORDS, *_CODES, "n", "weeks", "made", "note", "first", "second")

Code = TypeVar("Code", bound=StrEnum)


def evidence_from(content: Mapping[str, object]) -> Evidence:
    """Read the shipped table.

    Raises
    ------
    DomainError
        ``invalid``, its field the place: a comparison without source, grade, n or unit; a
        word that is none of those known; an id that stands twice; arms in different units.
    """
    only_known_keys(content, ("graded_by", "same_tsh", "comparison", "left_out"), "")
    same = table(required(content, "same_tsh", "evidence"), "same_tsh")
    within = positive_number(required(same, "within", "same_tsh"), "same_tsh.within")
    comparisons = [
        _comparison(table(entry, f"comparison[{number}]"), f"comparison[{number}]")
        for number, entry in enumerate(listed(content.get("comparison"), "comparison"), start=1)
    ]
    _refuse_twice([one.id for one in comparisons])
    return Evidence(
        comparisons=tuple(comparisons),
        left_out=tuple(
            _left_out(table(entry, f"left_out[{number}]"), f"left_out[{number}]")
            for number, entry in enumerate(listed(content.get("left_out"), "left_out"), start=1)
        ),
        same_tsh_within=within,
        same_tsh_source=text(same, "source", "same_tsh"),
        graded_by=text(content, "graded_by", "evidence"),
    )


def _refuse_twice(ids: list[str]) -> None:
    for number, one in enumerate(ids, start=1):
        if one in ids[: number - 1]:
            refuse(f"comparison[{number}].id", f"a comparison {one} stands already")


def _left_out(entry: Mapping[str, object], place: str) -> LeftOut:
    only_known_keys(entry, ("what", "why"), place)
    return LeftOut(text(entry, "what", place), text(entry, "why", place))


def _comparison(entry: Mapping[str, object], place: str) -> Comparison:
    only_known_keys(entry, _COMPARISON, place)
    words = {key: text(entry, key, place) for key in _WORDS}
    first, second = (
        _arm(table(required(entry, key, place), f"{place}.{key}"), f"{place}.{key}")
        for key in ("first", "second")
    )
    if first.per_kg != second.per_kg:
        refuse(f"{place}.second", "one arm is per kg of weight and the other is not")
    if first.lt3_ug or first.grains or not first.lt4_ug:
        refuse(f"{place}.first", "the first arm is LT4 alone")
    if not second.lt3_ug and not second.grains:
        refuse(f"{place}.second", "the second arm holds no T3")
    return Comparison(
        **words,
        kind=_code(entry, "kind", place, ComparisonKind),
        n=_count(entry, place),
        weeks=positive_number(entry["weeks"], f"{place}.weeks") if "weeks" in entry else None,
        gland=_code(entry, "gland", place, ResidualGland),
        tsh=_code(entry, "tsh", place, TshOutcome),
        read=_code(entry, "read", place, ReadIn),
        grade=_code(entry, "grade", place, EvidenceGrade),
        made=_made(entry, place),
        note=text(entry, "note", place) if "note" in entry else "",
        first=first,
        second=second,
    )


def _code(entry: Mapping[str, object], key: str, place: str, known: type[Code]) -> Code:
    written = text(entry, key, place)
    if written not in set(known):
        refuse(f"{place}.{key}", f"this is one of {', '.join(known)}")
    return known(written)


def _count(entry: Mapping[str, object], place: str) -> int:
    n = required(entry, "n", place)
    if type(n) is not int or n < 1:
        refuse(f"{place}.n", "n is how many people: a whole number above zero")
    return n


def _made(entry: Mapping[str, object], place: str) -> tuple[str, ...]:
    if "made" not in entry:
        return ()
    ids = listed(entry["made"], f"{place}.made")
    if not all(isinstance(one, str) for one in ids):
        refuse(f"{place}.made", "this lists the ids of charts")
    return tuple(str(one) for one in ids)


def _arm(entry: Mapping[str, object], place: str) -> Arm:
    only_known_keys(entry, (*_DOSE_UNITS, *_SERUM_UNITS, "reckoned"), place)
    doses = {
        key: _measured(entry[key], f"{place}.{key}", units)
        for key, units in _DOSE_UNITS.items()
        if key in entry
    }
    serum = {
        key: _measured(entry[key], f"{place}.{key}", units)
        for key, units in _SERUM_UNITS.items()
        if key in entry
    }
    if not doses:
        refuse(place, f"an arm has a dose: {', '.join(_DOSE_UNITS)}")
    per_kg = {dose.unit == "ug/kg/d" for dose in doses.values()}
    if len(per_kg) > 1:
        refuse(place, "the doses of one arm are in different units")
    return Arm(
        lt4=doses.get("lt4"),
        lt3=doses.get("lt3"),
        desiccated=doses.get("desiccated"),
        **serum,
        per_kg=per_kg.pop(),
        reckoned=text(entry, "reckoned", place) if "reckoned" in entry else "",
    )


def _measured(value: object, place: str, units: tuple[str, ...]) -> Measured:
    entry = table(value, place)
    only_known_keys(entry, ("mean", "unit", "free", *_SPREADS), place)
    unit = text(entry, "unit", place)
    if unit not in units:
        refuse(f"{place}.unit", f"the unit is one of {', '.join(units)}")
    spreads = [key for key in _SPREADS if key in entry]
    if len(spreads) > 1:
        refuse(place, f"the spread is one of {', '.join(_SPREADS)}, not several")
    free = entry.get("free", False)
    if not isinstance(free, bool):
        refuse(f"{place}.free", "this must be true or false")
    return Measured(
        mean=positive_number(required(entry, "mean", place), f"{place}.mean"),
        unit=unit,
        spread=exact_number(entry[spreads[0]], f"{place}.{spreads[0]}") if spreads else None,
        spread_is=spreads[0] if spreads else "",
        free=free,
    )
