"""What the planner reckons with: the content and the tablets of each preparation, and the pools'
parameters with the corners of their band.
"""

from collections.abc import Iterator, Mapping
from fractions import Fraction
from itertools import product
from typing import Literal

import msgspec

from crossgrain.catalogue.decoding import (
    Exact,
    FileForm,
    Positive,
    Text,
    decoded,
    entries_in,
)
from crossgrain.dosing.bases import GrainContent
from crossgrain.dosing.kinetics import Kinetics, KineticsTable
from crossgrain.dosing.preparations import Handful, Kind, Preparation
from crossgrain.names.numbers import refuse


class _Preparation(FileForm):
    id: Text
    kind: Kind
    name: Text
    unit: Literal["ug", "mg"]
    strengths: tuple[Positive, ...]
    scored: tuple[Positive, ...]
    increment: Positive
    source: Text
    t4_ug_per_unit: Exact | None = None
    t3_ug_per_unit: Exact | None = None
    mg_per_grain: Positive | None = None
    usual: bool = False
    t4_to_t3: tuple[Positive, Positive] | None = None
    base_to_salt: tuple[Positive, Positive] | None = None


def preparations_from(
    entries: object, content: GrainContent, handful: Handful
) -> dict[str, Preparation]:
    """Read and check the shipped list.

    Parameters
    ----------
    entries : one table per preparation; numbers are written as strings such as ``"16.25"``, so
        that they stay exact
    content : of a labelled grain of desiccated thyroid
    handful : how many tablets are taken at once

    Raises
    ------
    DomainError
        for a missing or unknown key, a content that is negative or told twice, strengths that do
        not ascend, a scored tablet that is not one of them, or an id given twice.
    """
    read: dict[str, Preparation] = {}
    for place, entry in entries_in(entries, _Preparation, "preparation"):
        if entry.id in read:
            refuse(f"{place}.id", "this id stands twice")
        read[entry.id] = _preparation(entry, place, content, handful)
    families = [line for line in read.values() if line.mg_per_grain]
    if families and sum(family.usual for family in families) != 1:
        refuse("preparation", "a dose in grains alone is read in one family: exactly one is usual")
    return read


def _preparation(
    entry: _Preparation, place: str, content: GrainContent, handful: Handful
) -> Preparation:
    strengths = entry.strengths
    faults = {
        "strengths": list(strengths) != sorted(set(strengths)),
        "scored": not set(entry.scored) <= set(strengths),
        "usual": entry.usual and entry.mg_per_grain is None,
        "t4_to_t3": (entry.kind is Kind.FIXED_RATIO) == (entry.t4_to_t3 is None),
        "base_to_salt": entry.base_to_salt is not None and not _rises(entry.base_to_salt),
        "mg_per_grain": (entry.kind is Kind.DESICCATED_THYROID) == (entry.mg_per_grain is None),
    }
    for field, wrong in faults.items():
        if wrong:
            refuse(f"{place}.{field}", f"this {field} of {entry.id} is not usable")
    t4_ug, t3_ug = _hormone(entry, place, content)
    return Preparation(
        id=entry.id,
        kind=entry.kind,
        name=entry.name,
        unit=entry.unit,
        t4_ug_per_unit=t4_ug,
        t3_ug_per_unit=t3_ug,
        strengths=strengths,
        scored=frozenset(entry.scored),
        increment=entry.increment,
        mg_per_grain=entry.mg_per_grain,
        source=entry.source,
        handful=handful,
        usual=entry.usual,
        t4_to_t3=entry.t4_to_t3,
        base_share=Fraction(*entry.base_to_salt) if entry.base_to_salt else None,
    )


def _rises(pair: tuple[Fraction, Fraction]) -> bool:
    return pair[0] < pair[1]


def _hormone(entry: _Preparation, place: str, content: GrainContent) -> tuple[Fraction, Fraction]:
    """T4 and T3 of one labelled unit: of desiccated thyroid, what a grain contains over its mg."""
    given = {"t4_ug_per_unit": entry.t4_ug_per_unit, "t3_ug_per_unit": entry.t3_ug_per_unit}
    if entry.mg_per_grain is None:
        for key, ug in given.items():
            if ug is None or ug < 0:
                says = f"{key} is missing" if ug is None else f"this {key} is below zero"
                refuse(f"{place}.{key}", says)
        return entry.t4_ug_per_unit or Fraction(0), entry.t3_ug_per_unit or Fraction(0)
    for key, ug in given.items():
        if ug is not None:
            refuse(f"{place}.{key}", "what a grain contains is told once, for both families")
    return content.t4_ug / entry.mg_per_grain, content.t3_ug / entry.mg_per_grain


class _Parameter(FileForm):
    value: float
    low: float
    high: float
    source: Text


class _Parameters(FileForm):
    """In the order in which `Kinetics` takes them."""

    t4_half_life_days: _Parameter
    t3_half_life_days: _Parameter
    t4_absorbed: _Parameter
    t3_absorbed: _Parameter
    t4_to_t3_molar: _Parameter


def kinetics_from(content: Mapping[str, object]) -> KineticsTable:
    """Read and check the kinetics table: each parameter with value, low, high and source.

    Raises
    ------
    DomainError
        with its place, for a missing or unknown key, or a value outside its own band.
    """
    parameters: dict[str, _Parameter] = msgspec.structs.asdict(decoded(content, _Parameters))
    for name, entry in parameters.items():
        if not entry.low <= entry.value <= entry.high:
            refuse(f"{name}.value", "the value lies outside its band")
    bands = ((entry.low, entry.high) for entry in parameters.values())
    return KineticsTable(
        Kinetics(*(entry.value for entry in parameters.values())),
        tuple(_outermost([Kinetics(*corner) for corner in product(*bands)])),
        "; ".join(f"{name}: {entry.source}" for name, entry in parameters.items()),
    )


def _outermost(corners: list[Kinetics]) -> Iterator[Kinetics]:
    """Absorption and conversion act through one number: keep its ends per pair of half-lives."""
    pairs = sorted({(corner.t4_half_life_days, corner.t3_half_life_days) for corner in corners})
    for pair in pairs:
        same = [c for c in corners if (c.t4_half_life_days, c.t3_half_life_days) == pair]
        yield min(same, key=lambda corner: corner.t3_made_weight)
        yield max(same, key=lambda corner: corner.t3_made_weight)
