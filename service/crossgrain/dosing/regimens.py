"""What a patient takes: dose lines with their pattern, and the daily hormone they carry."""

from collections.abc import Iterator
from dataclasses import field
from fractions import Fraction

from crossgrain.dosing.preparations import Kind, Preparation, total
from crossgrain.names.errors import Category, DomainError
from crossgrain.names.values import frozen


@frozen
class DoseLine:
    """One preparation taken on a repeating cycle of days.

    Attributes
    ----------
    preparation : what is taken
    cycle : the amount of each day of the cycle, in the preparation's unit: one entry for
        a daily dose, ``(100, 0)`` for alternate days, seven (Monday first) for a week
    origin : an opaque handle to where the line was read, e.g. a FHIRPath

    Examples
    --------
    A hundred on weekdays and fifty at the weekend:

    >>> from crossgrain.dosing.preparations import Handful, Kind
    >>> lt4 = Preparation("lt4", Kind.LEVOTHYROXINE, "levothyroxine", "ug", Fraction(1),
    ...     Fraction(0), (), frozenset(), Fraction(25, 2), None, "example",
    ...     Handful(3, 4, 6))
    >>> DoseLine(lt4, (Fraction(100),) * 5 + (Fraction(50),) * 2).daily
    Fraction(600, 7)
    """

    preparation: Preparation
    cycle: tuple[Fraction, ...]
    origin: str = ""
    daily: Fraction = field(init=False, compare=False)
    """Mean daily amount, in the preparation's unit."""

    def __post_init__(self) -> None:
        if not self.cycle or any(amount < 0 for amount in self.cycle):
            raise DomainError(
                Category.INVALID, "dose", "a dose line needs days, none of them negative"
            )
        days = len(self.cycle)
        mean = sum(self.cycle, Fraction(0)) / days if days > 1 else self.cycle[0]
        object.__setattr__(self, "daily", mean)

    @property
    def t4_ug(self) -> Fraction:
        """Mean daily T4, µg."""
        return self.preparation.t4_ug(self.daily)

    @property
    def t3_ug(self) -> Fraction:
        """Mean daily swallowed T3, µg."""
        return self.preparation.t3_ug(self.daily)

    @property
    def grains(self) -> Fraction:
        """Mean daily labelled grains of desiccated thyroid."""
        return self.preparation.grains(self.daily)

    @property
    def is_desiccated(self) -> bool:
        """Whether it is counted in grains."""
        return self.preparation.mg_per_grain is not None


@frozen
class Regimen:
    """All thyroid hormone that a patient takes."""

    lines: tuple[DoseLine, ...]

    def __iter__(self) -> Iterator[DoseLine]:
        return iter(self.lines)

    @property
    def t4_ug(self) -> Fraction:
        """Mean daily T4 from every line, µg."""
        return total(line.t4_ug for line in self.lines)

    @property
    def t3_ug(self) -> Fraction:
        """Mean daily swallowed T3 from every line, µg."""
        return total(line.t3_ug for line in self.lines)

    @property
    def grains(self) -> Fraction:
        """Mean daily labelled grains of desiccated thyroid."""
        return total(line.grains for line in self.lines)

    @property
    def pure_t4_ug(self) -> Fraction:
        """Mean daily T4 that does not come in desiccated thyroid, µg."""
        return total(line.t4_ug for line in self.lines if not line.is_desiccated)

    @property
    def pure_t3_ug(self) -> Fraction:
        """Mean daily T3 that does not come in desiccated thyroid, µg."""
        return total(line.t3_ug for line in self.lines if not line.is_desiccated)

    @property
    def kinds(self) -> frozenset[Kind]:
        """The kinds of preparation in the regimen."""
        return frozenset(line.preparation.kind for line in self.lines)
