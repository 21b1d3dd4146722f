"""A number that a clinical judgement turns on: what it decides, on whose word, who may set it."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from fractions import Fraction

from crossgrain.names.entries import positive_number, refuse
from crossgrain.names.printing import decimal

OURS = "our judgement"
"""How the source of a number begins that no source gives; a clinic may set its own."""
PARTS = "of the old regimen's"
"""The unit of coverage and of exposure, which a person reads in percent."""
_COUNTED = frozenset({"days", "weeks", "years", "hours", "changes", "medicines", "resources"})
"""Units of which there are no parts."""


@dataclass(frozen=True, slots=True)
class Number:
    """One entry of a data file.

    Attributes
    ----------
    key : its one name, and where a clinic sets it: ``ratio.under``
    value, unit : exact
    says : what it decides
    source : on whose word
    within : where a source gives a range, the least and the most that a clinic may set
    """

    key: str
    value: Fraction
    unit: str
    says: str
    source: str
    within: tuple[Fraction, Fraction] | None = None

    @property
    def is_ours(self) -> bool:
        """Whether the value is the service's own judgement."""
        return self.source.startswith(OURS)

    @property
    def may_be_set(self) -> bool:
        """Whether a clinic may set it."""
        return self.is_ours or self.within is not None

    @property
    def is_counted(self) -> bool:
        """Whether only whole values are meant."""
        return self.unit in _COUNTED

    def set_to(self, written: object, place: str) -> "Number":
        """The same with a clinic's value.

        Raises
        ------
        DomainError
            with `place`, for a number that is not a clinic's to set, or a value that is none, not
            above zero, not whole where it is counted, or outside the range that its source gives.
        """
        if not self.may_be_set:
            refuse(place, f"a clinic may not set this number: {self.source}")
        value = positive_number(written, place)
        if self.is_counted and value.denominator != 1:
            refuse(place, "this must be a whole number")
        if self.within and not self.within[0] <= value <= self.within[1]:
            least, most = map(decimal, self.within)
            refuse(place, f"this must lie within {least} and {most}: {self.source}")
        was = f"{decimal(self.value)} as shipped, {self.source}"
        return replace(self, value=value, source=f"the clinic's own ({was})", within=None)


Numbers = Mapping[str, Number]
"""Every number by its key."""
