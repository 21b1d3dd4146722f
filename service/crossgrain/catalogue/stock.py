"""A clinic's stocked strengths, in place of the marketed ones.

::

    [stock]                                # of the shipped list, only these
    levothyroxine = ["25", "50", "100"]

    [stock.extra]                          # beyond the shipped list, e.g. another country's
    liothyronine = ["10", "20"]

    [stock.scored]                         # of all these, the only ones marked for halving
    liothyronine = ["20"]
"""

from collections.abc import Mapping
from dataclasses import replace
from fractions import Fraction

from crossgrain.dosing.preparations import Preparation
from crossgrain.names.numbers import listed, positive_number, refuse, table

EXTRA = "extra"
SCORED = "scored"


def stocked(
    preparations: Mapping[str, Preparation], stock: Mapping[str, object]
) -> dict[str, Preparation]:
    """The preparations with the strengths that a clinic stocks.

    A strength that is not on the shipped list is taken for a slip unless it stands under
    ``extra``, where the clinic vouches for it. It also says there which tablets are scored, where
    its makers' differ from those of the shipped list. A preparation that the clinic does not name
    keeps its strengths.

    Raises
    ------
    DomainError
        ``invalid``, its field the place in the clinic's file, e.g.
        ``stock.levothyroxine[2]``.
    """
    listed_here = {key: value for key, value in stock.items() if key not in {EXTRA, SCORED}}
    extra = table(stock.get(EXTRA, {}), f"stock.{EXTRA}")
    scored = table(stock.get(SCORED, {}), f"stock.{SCORED}")
    changed = dict(preparations)
    for preparation_id in dict.fromkeys([*listed_here, *extra, *scored]):
        if preparation_id not in preparations:
            under = next(
                place
                for place, named in (
                    ("stock", listed_here),
                    (f"stock.{EXTRA}", extra),
                    (f"stock.{SCORED}", scored),
                )
                if preparation_id in named
            )
            refuse(f"{under}.{preparation_id}", "no preparation has this id")
        shipped = preparations[preparation_id]
        strengths = shipped.strengths
        if preparation_id in listed_here:
            strengths = _marketed(shipped, listed_here[preparation_id])
        if preparation_id in extra:
            strengths += _beyond_the_list(shipped, extra[preparation_id], preparations)
        halved = shipped.scored & set(strengths)
        if preparation_id in scored:
            halved = _scored(scored[preparation_id], strengths, preparation_id)
        changed[preparation_id] = replace(
            shipped, strengths=tuple(sorted(strengths)), scored=frozenset(halved)
        )
    return changed


def _scored(
    written: object, strengths: tuple[Fraction, ...], preparation_id: str
) -> frozenset[Fraction]:
    place = f"stock.{SCORED}.{preparation_id}"
    marked = _strengths(written, place)
    for number, strength in enumerate(marked, start=1):
        if strength not in strengths:
            refuse(f"{place}[{number}]", "this strength is not stocked")
    return frozenset(marked)


def _marketed(preparation: Preparation, written: object) -> tuple[Fraction, ...]:
    place = f"stock.{preparation.id}"
    strengths = _strengths(written, place)
    for number, strength in enumerate(strengths, start=1):
        if strength not in preparation.strengths:
            refuse(
                f"{place}[{number}]",
                f"{preparation.name} is not listed in this strength; if it is stocked,"
                f" name it under [stock.{EXTRA}]",
            )
    return strengths


def _beyond_the_list(
    preparation: Preparation, written: object, preparations: Mapping[str, Preparation]
) -> tuple[Fraction, ...]:
    place = f"stock.{EXTRA}.{preparation.id}"
    strengths = _strengths(written, place)
    for number, strength in enumerate(strengths, start=1):
        if strength in preparation.strengths:
            refuse(f"{place}[{number}]", "this strength is on the list; name it under [stock]")
        for other in preparations.values():
            if other.mg_per_grain and preparation.mg_per_grain and strength in other.strengths:
                refuse(
                    f"{place}[{number}]",
                    f"this is a strength of {other.name}; the two families never mix",
                )
    return strengths


def _strengths(written: object, place: str) -> tuple[Fraction, ...]:
    strengths: list[Fraction] = []
    for number, value in enumerate(listed(written, place), start=1):
        strength = positive_number(value, f"{place}[{number}]")
        if strength in strengths:
            refuse(f"{place}[{number}]", "this strength stands twice")
        strengths.append(strength)
    return tuple(strengths)
