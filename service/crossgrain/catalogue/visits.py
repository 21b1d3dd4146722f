"""The table of the next step, read and checked: for every visit one answer, and only one."""

import re
from collections.abc import Iterator, Mapping
from dataclasses import replace
from enum import StrEnum
from typing import Any

import msgspec

from crossgrain.catalogue.decoding import Entries, FileForm, Listed, Text, decoded, entries_in
from crossgrain.dosing.onward import Act
from crossgrain.dosing.plan import LabReading
from crossgrain.dosing.underway import DrawnWhen
from crossgrain.names.numbers import Numbers, refuse
from crossgrain.names.printing import spelled_span
from crossgrain.safety.rule import RuleTable, Severity
from crossgrain.safety.visit import (
    AS_READ,
    DIMENSIONS,
    AlarmCodes,
    Before,
    DecisionTable,
    Precedence,
    VisitRow,
)

_NAMED = re.compile(r"\{([a-z_.]+)\}")
"""A number in a text, by its key."""
_FIRST, _LATER = frozenset({Before.NOT}), frozenset({Before.ONCE, Before.OFTEN})


class _VisitRow(FileForm):
    code: Text
    stage: Precedence
    act: Act
    says: Text
    do: Text
    source: Text
    when: dict[str, Any] = msgspec.field(default_factory=dict)
    reason: Text | None = None
    reading: Text | None = None
    hold: Text | None = None
    draw: DrawnWhen | None = None
    freeze: bool = False
    again: Text | None = None


class _Alarms(FileForm):
    emergency: Listed[Text]
    pregnancy: Listed[Text]
    elsewhere: Listed[Text]


class _Mixture(FileForm):
    source: Text


class _Visits(FileForm):
    mixture: _Mixture
    alarms: _Alarms
    row: Entries


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
    the table, and the keys of the numbers by which its rows hold, and which they name

    Raises
    ------
    DomainError
        naming the entry and its key, for what is unknown, missing, twice or contradicts itself.
    """
    rows: dict[str, VisitRow] = {}
    held_by = set()
    for place, entry in entries_in(decoded(data, _Visits).row, _VisitRow, "row"):
        for row in _rows(entry, place, numbers):
            if row.code in rows:
                refuse(f"{place}.code", f"{row.code} stands twice")
            rows[row.code] = row
            held_by |= {str(entry.hold)} if row.hold_days else set()
        held_by |= set(_NAMED.findall(f"{entry.says} {entry.do} {entry.again or ''}"))
    return tuple(rows.values()), frozenset(held_by)


def alarms_from(data: Mapping[str, object], rules: RuleTable) -> AlarmCodes:
    """Read which safety rules are an alarm of which kind.

    Raises
    ------
    DomainError
        for a code that no rule has which stops a plan, or that stands twice.
    """
    entry = decoded(data, _Visits).alarms
    seen: set[str] = set()
    for name in entry.__struct_fields__:
        for code in getattr(entry, name):
            if code not in rules.before or rules.before[code].severity is not Severity.STOP:
                refuse(f"alarms.{name}", f"no rule that stops a plan is called {code}")
            if code in seen:
                refuse(f"alarms.{name}", f"{code} stands twice")
            seen.add(code)
    return AlarmCodes(*map(frozenset, (entry.emergency, entry.pregnancy, entry.elsewhere)))


def mixture_source_from(data: Mapping[str, object]) -> str:
    """Read on whose word levothyroxine is adjusted beside what no move leads to."""
    return decoded(data, _Visits).mixture.source


def _rows(entry: _VisitRow, place: str, numbers: Numbers) -> Iterator[VisitRow]:
    """The row, and beside it what is asked the second time."""
    row = _row(entry, place, numbers)
    if entry.again is None:
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
        draw=None,
        freeze_old=False,
        do=_worded(entry.again, f"{place}.again", numbers),
    )


def _row(entry: _VisitRow, place: str, numbers: Numbers) -> VisitRow:
    if entry.freeze and entry.act is not Act.CONTINUE:
        refuse(f"{place}.freeze", "only what goes on is frozen in part: a hold holds everything")
    if entry.draw and entry.hold is None:
        refuse(f"{place}.draw", "only a hold of so many days has its labs drawn by a day")
    return VisitRow(
        code=entry.code,
        stage=entry.stage,
        when=_when(entry.when, f"{place}.when"),
        act=entry.act,
        reason=entry.reason or entry.code,
        reading=_reading(entry, f"{place}.reading"),
        hold_days=_hold(entry, f"{place}.hold", numbers),
        draw=entry.draw,
        freeze_old=entry.freeze,
        says=_worded(entry.says, f"{place}.says", numbers),
        do=_worded(entry.do, f"{place}.do", numbers),
        source=entry.source,
    )


def _worded(text: str, place: str, numbers: Numbers) -> str:
    """A text in which each number that it names by its key, ``{labs.wait_days}``, is a span."""

    def said(key: re.Match[str]) -> str:
        number = numbers.get(key[1])
        if number is None or number.days is None:
            refuse(place, f"no number of days is called {key[1]}")
        return spelled_span(number.days)

    return _NAMED.sub(said, text)


def _when(entry: Mapping[str, object], place: str) -> dict[str, frozenset[StrEnum]]:
    named: dict[str, frozenset[StrEnum]] = {}
    for name, values in entry.items():
        spot = f"{place}.{name}"
        if name not in DIMENSIONS:
            known = ", ".join(sorted(DIMENSIONS))
            refuse(spot, f"{name} is not known here; known are {known}")
        kind: Any = Listed[DIMENSIONS[name]]  # type: ignore[valid-type]  # by its name, so at run time
        written: tuple[StrEnum, ...] = decoded(values, kind, spot)
        named[name] = frozenset(written)
        if len(named[name]) < len(written):
            refuse(spot, "a value stands twice")
    return named


def _reading(entry: _VisitRow, place: str) -> str:
    if (entry.act is Act.BRANCH) != (entry.reading is not None):
        refuse(place, "a branch names its reading, and nothing else does")
    if entry.reading in (None, AS_READ):
        return entry.reading or ""
    return decoded(entry.reading, LabReading, place)


def _hold(entry: _VisitRow, place: str, numbers: Numbers) -> int | None:
    if entry.hold is None:
        return None
    if entry.act is not Act.HOLD:
        refuse(place, "only a hold lasts so many days")
    if entry.hold not in numbers:
        refuse(place, f"no number is called {entry.hold}")
    number = numbers[entry.hold]
    if number.unit != "days" or not number.is_counted:
        refuse(place, f"{entry.hold} does not count days")
    return int(number.value)
