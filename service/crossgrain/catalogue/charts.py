"""Charts of equivalence and the published comparisons, read and checked entry by entry.

A chart is proportional (what a grain and a microgram of LT3 are worth) or a table of rows.
Whatever is refused names its place, e.g. ``clinic-x.row[3].grains`` or
``comparison[3].second.lt3.unit``; rows and entries count from 1.
"""

import re
from collections.abc import Collection, Mapping
from fractions import Fraction
from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta

from crossgrain.catalogue.decoding import (
    Entries,
    Exact,
    FileForm,
    Listed,
    Positive,
    Text,
    decoded,
    entries_in,
    tables_in,
)
from crossgrain.dosing.bases import (
    Basis,
    ChartRow,
    Grade,
    GrainContent,
    Weights,
)
from crossgrain.dosing.comparison import CrossChecks, HandoutRow
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
from crossgrain.names.numbers import positive_number, refuse
from crossgrain.names.printing import micrograms

CONTENT = "content"
"""As ``lt4_ug_per_grain``: the grain weighs its own content, 38 + 9 k."""

_ID = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*", re.ASCII)
_COLUMNS = ("lt4_ug", "grains", "lt3_ug")


class _ChartId(msgspec.Struct):
    """So much of a chart as tells its name, by which all else in it is placed."""

    id: Text


class _Row(FileForm):
    lt4_ug: Exact
    grains: Exact
    lt3_ug: Exact


class _Chart(FileForm):
    id: Text
    statement: Text
    source: Text
    grade: Grade | None = None
    checkpoint: bool = True
    row: Listed[Any] | None = None
    lt4_ug_per_grain: Any = None
    lt4_ug_per_lt3_ug: Positive | None = None

    @property
    def weighs(self) -> bool:
        """Whether it says what a grain or a microgram of LT3 is worth."""
        return self.lt4_ug_per_grain is not None or self.lt4_ug_per_lt3_ug is not None


def bases_from(entries: object, content: GrainContent) -> tuple[Basis, ...]:
    """Read the shipped charts, each with its grade.

    Raises
    ------
    DomainError
        ``invalid``, its field the place of the entry at fault.
    """
    return _charts(entries, content, taken=(), clinic=False)


def clinic_bases_from(
    entries: object, shipped: Collection[str], content: GrainContent
) -> tuple[Basis, ...]:
    """Read a clinic's own charts: graded ``clinic``, setting a checkpoint unless told not to.

    Parameters
    ----------
    entries : the ``[[basis]]`` tables of the clinic's file
    shipped : ids that a clinic's chart may not take
    content : of a labelled grain

    Examples
    --------
    >>> entry = {"id": "ours", "statement": "1 grain = 75 µg LT4", "source": "our protocol",
    ...     "lt4_ug_per_grain": "75", "lt4_ug_per_lt3_ug": "3"}
    >>> grain = GrainContent(Fraction(38), Fraction(9))
    >>> (ours,) = clinic_bases_from([entry], (), grain)
    >>> ours.grade, ours.sets_checkpoint, ours.weights.lt4_ug_per_grain
    (<Grade.CLINIC: 'clinic'>, True, Fraction(75, 1))
    """
    return _charts(entries, content, taken=shipped, clinic=True)


def _charts(
    entries: object, content: GrainContent, *, taken: Collection[str], clinic: bool
) -> tuple[Basis, ...]:
    ids = set(taken)
    bases = []
    for place, entry in tables_in(entries, "basis"):
        basis = _basis_from(entry, place, content, clinic=clinic)
        if basis.id in ids:
            refuse(f"{place}.id", f"a basis {basis.id} stands already")
        ids.add(basis.id)
        bases.append(basis)
    return tuple(bases)


def _basis_from(
    entry: Mapping[str, object], place: str, content: GrainContent, *, clinic: bool
) -> Basis:
    if not _ID.fullmatch(decoded(entry, _ChartId, place).id):
        refuse(f"{place}.id", "an id is lower-case letters, digits and single hyphens")
    chart = decoded(entry, _Chart, place := str(entry["id"]))
    if chart.row is not None and chart.weighs:
        refuse(f"{place}.row", "a chart is either proportional or a table of rows, not both")
    return Basis(
        id=chart.id,
        statement=chart.statement,
        source=chart.source,
        grade=_grade(chart, clinic=clinic),
        sets_checkpoint=chart.checkpoint,
        content=content,
        weights=_weights_from(chart, content) if chart.row is None else None,
        rows=_rows_from(chart.row, place, content) if chart.row is not None else (),
    )


def _grade(chart: _Chart, *, clinic: bool) -> Grade:
    if chart.grade is None and not clinic:
        refuse(f"{chart.id}.grade", "grade is missing")
    if clinic and chart.grade not in (None, Grade.CLINIC):
        refuse(f"{chart.id}.grade", "a clinic's own chart is graded clinic, whatever it rests on")
    return chart.grade or Grade.CLINIC


def _weights_from(chart: _Chart, content: GrainContent) -> Weights:
    per_grain, per_lt3 = chart.lt4_ug_per_grain, chart.lt4_ug_per_lt3_ug
    spot = f"{chart.id}.lt4_ug_per_grain"
    if per_grain is None:
        refuse(spot, "lt4_ug_per_grain is missing")
    if per_lt3 is None:
        refuse(f"{chart.id}.lt4_ug_per_lt3_ug", "lt4_ug_per_lt3_ug is missing")
    if per_grain == CONTENT:
        return Weights(content.t4_ug + content.t3_ug * per_lt3, per_lt3, content)
    weight = positive_number(per_grain, spot)
    _refuse_negative_t3(weight, Fraction(1), spot, content)
    return Weights(weight, per_lt3, content)


def _rows_from(entries: object, place: str, content: GrainContent) -> tuple[ChartRow, ...]:
    rows: list[ChartRow] = []
    for spot, entry in entries_in(entries, _Row, f"{place}.row"):
        row = _row_from(entry, spot)
        _check_row(rows, row, spot, content)
        rows.append(row)
    if len(rows) < 2:
        refuse(f"{place}.row", "a table needs at least two rows to run between")
    return tuple(rows)


def _row_from(entry: _Row, place: str) -> ChartRow:
    row = ChartRow(entry.lt4_ug, entry.grains, entry.lt3_ug)
    cells = {column: getattr(row, column) for column in _COLUMNS}
    for column, cell in cells.items():
        if cell < 0:
            refuse(f"{place}.{column}", "a dose is not negative")
        if cell == 0 and any(cells.values()):
            refuse(f"{place}.{column}", "a zero stands only in a first row of zeros")
    return row


def _check_row(before: list[ChartRow], row: ChartRow, place: str, content: GrainContent) -> None:
    if row in before:
        refuse(place, f"this repeats row {before.index(row) + 1}")
    for column in _COLUMNS if before else ():
        if getattr(row, column) <= getattr(before[-1], column):
            refuse(f"{place}.{column}", "this does not rise above the row before")
    _refuse_negative_t3(row.lt4_ug, row.grains, f"{place}.lt4_ug", content)


def _refuse_negative_t3(
    lt4_ug: Fraction, grains: Fraction, place: str, content: GrainContent
) -> None:
    if lt4_ug < content.t4_ug * grains:
        refuse(
            place,
            f"{micrograms(lt4_ug / grains)} of LT4 per grain is less than the"
            f" {micrograms(content.t4_ug)}"
            " of T4 that a grain contains: the weight of its T3 would be negative",
        )


class _MeanAndSpread(FileForm):
    mean: Positive
    free: bool = False
    sd: Exact | None = None
    sem: Exact | None = None
    pm: Exact | None = None


class _Hormone(_MeanAndSpread, kw_only=True):
    unit: Literal["ug/d", "ug/kg/d"]


class _Grains(_MeanAndSpread, kw_only=True):
    unit: Literal["mg/d"]


class _Tsh(_MeanAndSpread, kw_only=True):
    unit: Literal["mU/L"]


class _T4(_MeanAndSpread, kw_only=True):
    unit: Literal["ug/dL", "ng/dL"]


class _T3(_MeanAndSpread, kw_only=True):
    unit: Literal["ng/dL"]


class _Arm(FileForm):
    lt4: _Hormone | None = None
    lt3: _Hormone | None = None
    desiccated: _Grains | None = None
    tsh: _Tsh | None = None
    t4: _T4 | None = None
    t3: _T3 | None = None
    reckoned: Text = ""


class _Comparison(FileForm):
    id: Text
    design: Text
    source: Text
    where: Text
    kind: ComparisonKind
    gland: ResidualGland
    tsh: TshOutcome
    read: ReadIn
    grade: EvidenceGrade
    n: Annotated[int, Meta(ge=1)]
    first: _Arm
    second: _Arm
    weeks: Positive | None = None
    made: Listed[Text] = ()
    note: Text = ""


class _LeftOut(FileForm):
    what: Text
    why: Text


class _SameTsh(FileForm):
    within: Positive
    source: Text


class _DesiccatedOfTrials(FileForm):
    mg_per_grain: Positive
    source: Text


class _EvidenceFile(FileForm):
    graded_by: Text
    desiccated: _DesiccatedOfTrials
    same_tsh: _SameTsh
    comparison: Entries
    left_out: Listed[_LeftOut]


class _HandoutRow(FileForm):
    mg: Positive
    lt4_ug: Positive
    low_ug: Positive
    high_ug: Positive


class _Handout(FileForm):
    id: Text
    source: Text
    rows: Listed[_HandoutRow]


class _Weight(FileForm):
    lt4_ug_per_kg: Positive
    source: Text


class _CrossChecks(FileForm):
    desiccated_to_lt4: tuple[_Handout]
    weight: _Weight


def cross_checks_from(content: Mapping[str, object]) -> CrossChecks:
    """Read the shipped cross-checks; raises `DomainError` with the place."""
    file = decoded(content, _CrossChecks)
    (handout,) = file.desiccated_to_lt4
    return CrossChecks(
        tuple(HandoutRow(row.mg, row.lt4_ug, row.low_ug, row.high_ug) for row in handout.rows),
        handout.source,
        file.weight.lt4_ug_per_kg,
        file.weight.source,
    )


def evidence_from(file_content: Mapping[str, object], content: GrainContent) -> Evidence:
    """Read the shipped comparisons.

    Raises
    ------
    DomainError
        ``invalid``, its field the place: a comparison without source, grade, n or unit; a
        word that is none of those known; an id that stands twice; arms in different units.
    """
    file = decoded(file_content, _EvidenceFile)
    comparisons: dict[str, Comparison] = {}
    for place, entry in entries_in(file.comparison, _Comparison, "comparison"):
        if entry.id in comparisons:
            refuse(f"{place}.id", f"a comparison {entry.id} stands already")
        comparisons[entry.id] = _comparison(entry, place, file.desiccated.mg_per_grain)
    return Evidence(
        comparisons=tuple(comparisons.values()),
        left_out=tuple(LeftOut(each.what, each.why) for each in file.left_out),
        same_tsh_within=file.same_tsh.within,
        same_tsh_source=file.same_tsh.source,
        graded_by=file.graded_by,
        content=content,
    )


def _comparison(entry: _Comparison, place: str, mg_per_grain: Fraction) -> Comparison:
    first = _arm(entry.first, f"{place}.first", mg_per_grain)
    second = _arm(entry.second, f"{place}.second", mg_per_grain)
    if first.per_kg != second.per_kg:
        refuse(f"{place}.second", "one arm is per kg of weight and the other is not")
    if first.lt3_ug or first.grains or not first.lt4_ug:
        refuse(f"{place}.first", "the first arm is LT4 alone")
    if not second.lt3_ug and not second.grains:
        refuse(f"{place}.second", "the second arm holds no T3")
    return Comparison(
        id=entry.id,
        design=entry.design,
        source=entry.source,
        where=entry.where,
        kind=entry.kind,
        n=entry.n,
        weeks=entry.weeks,
        gland=entry.gland,
        tsh=entry.tsh,
        read=entry.read,
        grade=entry.grade,
        made=entry.made,
        note=entry.note,
        first=first,
        second=second,
    )


def _arm(entry: _Arm, place: str, mg_per_grain: Fraction) -> Arm:
    doses = [dose for dose in (entry.lt4, entry.lt3, entry.desiccated) if dose]
    if not doses:
        refuse(place, "an arm has a dose: lt4, lt3, desiccated")
    per_kg = {dose.unit == "ug/kg/d" for dose in doses}
    if len(per_kg) > 1:
        refuse(place, "the doses of one arm are in different units")
    measured = {
        key: _measured(value, f"{place}.{key}")
        for key in ("lt4", "lt3", "desiccated", "tsh", "t4", "t3")
        if (value := getattr(entry, key))
    }
    return Arm(**measured, per_kg=per_kg.pop(), reckoned=entry.reckoned, mg_per_grain=mg_per_grain)


def _measured(entry: Any, place: str) -> Measured:
    spreads: list[tuple[str, Fraction]] = [
        (key, value) for key in ("sd", "sem", "pm") if (value := getattr(entry, key)) is not None
    ]
    if len(spreads) > 1:
        refuse(place, "the spread is one of sd, sem, pm, not several")
    spread_is, spread = spreads[0] if spreads else ("", None)
    return Measured(entry.mean, entry.unit, spread, spread_is, entry.free)
