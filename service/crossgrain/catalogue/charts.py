"""Charts of equivalence and the published comparisons beside them, refused where not meant.

A chart is proportional (what a grain and a microgram of LT3 are worth) or a table of rows.
Whatever is refused names its place, e.g. ``clinic-x.row[3].grains`` or
``comparison[3].second.lt3.unit``; rows and entries count from 1.
"""

import re
from collections.abc import Collection, Mapping
from enum import StrEnum
from fractions import Fraction
from typing import TypeVar

from crossgrain.dosing.bases import (
    T3_UG_PER_GRAIN,
    T4_UG_PER_GRAIN,
    Basis,
    ChartRow,
    Grade,
    Weights,
)
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
from crossgrain.names.printing import micrograms

CONTENT = "content"
"""As ``lt4_ug_per_grain``: the grain weighs its own content, 38 + 9 k."""

_ID = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*", re.ASCII)
_COLUMNS = ("lt4_ug", "grains", "lt3_ug")
_WEIGHTS = ("lt4_ug_per_grain", "lt4_ug_per_lt3_ug")
_KEYS = ("id", "statement", "source", "grade", "checkpoint", "row", *_WEIGHTS)


def bases_from(entries: object) -> tuple[Basis, ...]:
    """Read the shipped charts, each with its grade.

    Raises
    ------
    DomainError
        ``invalid``, its field the place of the entry at fault.
    """
    return _charts(entries, taken=(), clinic=False)


def clinic_bases_from(entries: object, shipped: Collection[str]) -> tuple[Basis, ...]:
    """Read a clinic's own charts: graded ``clinic``, setting a checkpoint unless told not to.

    Parameters
    ----------
    entries : the ``[[basis]]`` tables of the clinic's file
    shipped : ids that a clinic's chart may not take

    Examples
    --------
    >>> (ours,) = clinic_bases_from([{"id": "ours", "statement": "1 grain = 75 µg LT4",
    ...     "source": "our protocol", "lt4_ug_per_grain": "75", "lt4_ug_per_lt3_ug": "3"}], ())
    >>> ours.grade, ours.sets_checkpoint, ours.weights.lt4_ug_per_grain
    (<Grade.CLINIC: 'clinic'>, True, Fraction(75, 1))
    """
    return _charts(entries, taken=shipped, clinic=True)


def _charts(entries: object, *, taken: Collection[str], clinic: bool) -> tuple[Basis, ...]:
    ids = set(taken)
    bases = []
    for number, entry in enumerate(listed(entries, "basis"), start=1):
        basis = _basis_from(table(entry, f"basis[{number}]"), f"basis[{number}]", clinic=clinic)
        if basis.id in ids:
            refuse(f"basis[{number}].id", f"a basis {basis.id} stands already")
        ids.add(basis.id)
        bases.append(basis)
    return tuple(bases)


def _basis_from(entry: Mapping[str, object], place: str, *, clinic: bool) -> Basis:
    basis_id = text(entry, "id", place)
    if not _ID.fullmatch(basis_id):
        refuse(f"{place}.id", "an id is lower-case letters, digits and single hyphens")
    only_known_keys(entry, _KEYS, basis_id)
    if "row" in entry and not entry.keys().isdisjoint(_WEIGHTS):
        refuse(f"{basis_id}.row", "a chart is either proportional or a table of rows, not both")
    tabular = "row" in entry
    return Basis(
        id=basis_id,
        statement=text(entry, "statement", basis_id),
        source=text(entry, "source", basis_id),
        grade=_grade(entry, basis_id, clinic=clinic),
        sets_checkpoint=_checkpoint(entry, basis_id),
        weights=None if tabular else _weights_from(entry, basis_id),
        rows=_rows_from(entry["row"], basis_id) if tabular else (),
    )


def _grade(entry: Mapping[str, object], place: str, *, clinic: bool) -> Grade:
    if clinic and "grade" not in entry:
        return Grade.CLINIC
    written = text(entry, "grade", place)
    if written not in set(Grade):
        refuse(f"{place}.grade", f"a grade is one of {', '.join(Grade)}")
    if clinic and written != Grade.CLINIC:
        refuse(f"{place}.grade", "a clinic's own chart is graded clinic, whatever it rests on")
    return Grade(written)


def _checkpoint(entry: Mapping[str, object], place: str) -> bool:
    value = entry.get("checkpoint", True)
    if not isinstance(value, bool):
        refuse(f"{place}.checkpoint", "this must be true or false")
    return value


def _weights_from(entry: Mapping[str, object], place: str) -> Weights:
    per_grain = required(entry, "lt4_ug_per_grain", place)
    per_lt3 = positive_number(
        required(entry, "lt4_ug_per_lt3_ug", place), f"{place}.lt4_ug_per_lt3_ug"
    )
    if per_grain == CONTENT:
        return Weights(T4_UG_PER_GRAIN + T3_UG_PER_GRAIN * per_lt3, per_lt3)
    spot = f"{place}.lt4_ug_per_grain"
    weight = positive_number(per_grain, spot)
    _refuse_negative_t3(weight, Fraction(1), spot)
    return Weights(weight, per_lt3)


def _rows_from(entries: object, place: str) -> tuple[ChartRow, ...]:
    rows: list[ChartRow] = []
    for number, entry in enumerate(listed(entries, f"{place}.row"), start=1):
        spot = f"{place}.row[{number}]"
        row = _row_from(table(entry, spot), spot)
        _check_row(rows, row, spot)
        rows.append(row)
    if len(rows) < 2:
        refuse(f"{place}.row", "a table needs at least two rows to run between")
    return tuple(rows)


def _row_from(entry: Mapping[str, object], place: str) -> ChartRow:
    only_known_keys(entry, _COLUMNS, place)
    cells = {
        column: exact_number(required(entry, column, place), f"{place}.{column}")
        for column in _COLUMNS
    }
    for column, cell in cells.items():
        if cell < 0:
            refuse(f"{place}.{column}", "a dose is not negative")
        if cell == 0 and any(cells.values()):
            refuse(f"{place}.{column}", "a zero stands only in a first row of zeros")
    return ChartRow(**cells)


def _check_row(before: list[ChartRow], row: ChartRow, place: str) -> None:
    if row in before:
        refuse(place, f"this repeats row {before.index(row) + 1}")
    for column in _COLUMNS if before else ():
        if getattr(row, column) <= getattr(before[-1], column):
            refuse(f"{place}.{column}", "this does not rise above the row before")
    _refuse_negative_t3(row.lt4_ug, row.grains, f"{place}.lt4_ug")


def _refuse_negative_t3(lt4_ug: Fraction, grains: Fraction, place: str) -> None:
    if lt4_ug < T4_UG_PER_GRAIN * grains:
        refuse(
            place,
            f"{micrograms(lt4_ug / grains)} of LT4 per grain is less than the"
            f" {micrograms(T4_UG_PER_GRAIN)}"
            " of T4 that a grain contains: the weight of its T3 would be negative",
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
