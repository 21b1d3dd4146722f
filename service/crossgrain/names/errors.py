"""Domain errors: each carries a category and the field that caused it."""

from enum import StrEnum


class Category(StrEnum):
    """What kind of fault it is; `operations.faults` gives it a status and an issue code."""

    INVALID = "invalid"  # the value itself is wrong
    CONFLICT = "conflict"  # the values are fine alone, not together
    OUT_OF_RANGE = "out-of-range"  # a chart or a table does not reach this far
    NOTHING_TO_DO = "nothing-to-do"  # the regimen asked for is the regimen taken


class DomainError(Exception):
    """A request that the domain cannot serve.

    Parameters
    ----------
    category : Category
    field : the option or the data entry at fault, in its public spelling
    message : one sentence for a person, without patient data
    """

    def __init__(self, category: Category, field: str, message: str) -> None:
        super().__init__(message)
        self.category = category
        self.field = field
        self.message = message
