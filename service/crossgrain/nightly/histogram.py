"""A histogram as SVG, drawn from counts per class."""

from collections.abc import Sequence
from fractions import Fraction
from html import escape
from itertools import pairwise

from crossgrain.dosing.wording import number

_WIDTH, _ROW, _LEFT, _RIGHT = 360, 18, 70, 60


def histogram(title: str, ends: Sequence[Fraction], counts: Sequence[int]) -> str:
    """One bar per class; `ends` are the upper ends of all classes but the last."""
    most = max(counts) or 1
    bars = "".join(
        _bar(row, label, count, most)
        for row, (label, count) in enumerate(zip(_labels(ends), counts, strict=True))
    )
    height = _ROW * len(counts)
    return (
        f"<figure><figcaption>{escape(title)}</figcaption>"
        f'<svg viewBox="0 0 {_WIDTH} {height}" role="img" aria-label="{escape(title)}">'
        f"{bars}</svg></figure>"
    )


def _bar(row: int, label: str, count: int, most: int) -> str:
    top = row * _ROW
    width = (_WIDTH - _LEFT - _RIGHT) * count / most
    return (
        f'<text x="{_LEFT - 6}" y="{top + 12}" text-anchor="end">{label}</text>'
        f'<rect x="{_LEFT}" y="{top + 2}" width="{width:.1f}" height="{_ROW - 5}"></rect>'
        f'<text x="{_LEFT + width + 4:.1f}" y="{top + 12}">{count or ""}</text>'
    )


def _labels(ends: Sequence[Fraction]) -> list[str]:
    """What each class holds.

    >>> _labels((Fraction(1), Fraction(2)))
    ['below 1', '1 to 2', '2 and up']
    """
    first, last = f"below {number(ends[0])}", f"{number(ends[-1])} and up"
    between = [f"{number(low)} to {number(high)}" for low, high in pairwise(ends)]
    return [first, *between, last]
