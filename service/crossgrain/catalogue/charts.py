"""Read charts of equivalence and refuse the ones that could not be meant.

A chart is proportional (what a grain and a microgram of LT3 are worth) or a table of rows.
Whatever is refused names its place, e.g. ``clinic-x.row[3].grains``; rows count from 1.
"""

import re
from collections.abc import Collection, Mapping
from fractions import Fraction

from crossgrain.dosing.bases import (
    T3_UG_PER_GRAIN,
    T4_UG_PER_GRAIN,
    Basis,
    ChartRow,
    Grade,
    Weights,
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
