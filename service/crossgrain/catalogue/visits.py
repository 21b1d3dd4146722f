"""The table of the next step, read and checked: for every visit one answer, and only one."""

from collections.abc import Iterator, Mapping
from dataclasses import replace
from enum import StrEnum
from typing import TypeVar

from crossgrain.dosing.onward import Act
from crossgrain.dosing.plan import LabReading
from crossgrain.names.numbers import (
    Numbers,
    listed,
    only_known_keys,
    refuse,
    required,
    table,
    text,
)
from crossgrain.safety.visit import (
    AS_READ,
    DIMENSIONS,
    Before,
    DecisionTable,
    Precedence,
    VisitRow,
)

_WORDS = ("says", "do", "source")
_KEYS = ("code", "stage", "when", "act", "reading", "hold", "reason", "freeze", "again", *_WORDS)
_FIRST, _LATER = frozenset({Before.NOT}), frozenset({Before.ONCE, Before.OFTEN})
_Named = TypeVar("_Named", bound=StrEnum)


def decisions_from(
    data: Mapping[str, object], numbers: Numbers
) -> tuple[DecisionTable, frozenset[str]]:
    """Read and check the table.

    Parameters
    ----------
    data : the parsed file: a list ``row``
    numbers : the clinical numbers by key, of which a row names how long it holds

    Returns
    -------
    the table, and the keys of the numbers by which its rows hold

    Raises
    ------
    DomainError
        naming the entry and its key, for what is unknown, missing, twice or contradicts itself.
    """
    only_known_keys(data, ("row",), "")
    rows: dict[str, VisitRow] = {}
    held_by = set()
    for number, raw in enumerate(listed(required(data, "row", ""), "row"), start=1):
        place = f"row[{number}]"
        entry = table(raw, place)
        for row in _rows(entry, place, numbers):
            if row.code in rows:
                refuse(f"{place}.code", f"{row.code} stands twice")
            rows[row.code] = row
            held_by |= {str(entry["hold"])} if row.hold_days else set()
    return tuple(rows.values()), frozenset(held_by)


def _rows(entry: Mapping[str, object], place: str, numbers: Numbers) -> Iterator[VisitRow]:
    """The row, and beside it what is asked the second time."""
    row = _row(entry, place, numbers)
    if "again" not in entry:
        yield row
        return
    if "before" in row.when:
        refuse(f"{place}.again", "a row that says when it was answered before asks by itself")
    yield replace(row, when={**row.when, "before": _FIRST})
    yield replace(
        row,
        code=f"{row.code}-again",
        when={**row.when, "before": _LATER},
        act=Act.ASK,
        reading="",
        hold_days=None,
        freeze_old=False,
        do=text(entry, "again", place),
    )


def _row(entry: Mapping[str, object], place: str, numbers: Numbers) -> VisitRow:
    only_known_keys(entry, _KEYS, place)
    code = text(entry, "code", place)
    act = _member(Act, text(entry, "act", place), f"{place}.act")
    return VisitRow(
        code=code,
        stage=_member(Precedence, text(entry, "stage", place), f"{place}.stage"),
        when=_when(table(entry.get("when", {}), f"{place}.when"), f"{place}.when"),
        act=act,
        reason=text({"reason": code, **entry}, "reason", place),
        reading=_reading(entry, act, place),
        hold_days=_hold(entry, act, place, numbers),
        freeze_old=_freeze(entry, act, place),
        says=text(entry, "says", place),
        do=text(entry, "do", place),
        source=text(entry, "source", place),
    )


def _when(entry: Mapping[str, object], place: str) -> dict[str, frozenset[StrEnum]]:
    only_known_keys(entry, tuple(DIMENSIONS), place)
    named = {}
    for name, values in entry.items():
        spot = f"{place}.{name}"
        written = listed(values, spot)
        named[name] = frozenset(_member(DIMENSIONS[name], str(each), spot) for each in written)
        if len(named[name]) < len(written):
            refuse(spot, "a value stands twice")
    return named


def _reading(entry: Mapping[str, object], act: Act, place: str) -> str:
    if (act is Act.BRANCH) != ("reading" in entry):
        refuse(f"{place}.reading", "a branch names its reading, and nothing else does")
    if "reading" not in entry:
        return ""
    reading = text(entry, "reading", place)
    return reading if reading == AS_READ else _member(LabReading, reading, f"{place}.reading")


def _hold(entry: Mapping[str, object], act: Act, place: str, numbers: Numbers) -> int | None:
    if "hold" not in entry:
        return None
    if act is not Act.HOLD:
        refuse(f"{place}.hold", "only a hold lasts so many days")
    key = text(entry, "hold", place)
    if key not in numbers:
        refuse(f"{place}.hold", f"no number is called {key}")
    if numbers[key].unit != "days" or not numbers[key].is_counted:
        refuse(f"{place}.hold", f"{key} does not count days")
    return int(numbers[key].value)


def _freeze(entry: Mapping[str, object], act: Act, place: str) -> bool:
    frozen = entry.get("freeze", False)
    if not isinstance(frozen, bool):
        refuse(f"{place}.freeze", "this must be true or false")
    if frozen and act is not Act.CONTINUE:
        refuse(f"{place}.freeze", "only what goes on is frozen in part: a hold holds everything")
    return frozen


def _member(kind: type[_Named], name: str, place: str) -> _Named:
    try:
        return kind(name)
    except ValueError:
        refuse(place, f"{name} is not known here; known are {', '.join(kind)}")
