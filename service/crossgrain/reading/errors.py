"""Why a record cannot be read; `operations.faults` gives each kind a status and an issue code."""

from enum import StrEnum


class ReadCategory(StrEnum):
    """What kind of fault makes the whole input unusable."""

    STRUCTURE = "structure"  # not JSON, or not shaped as FHIR
    VALUE = "value"  # the shape is right, the value is not
    NOT_SUPPORTED = "not-supported"  # sound, but of a version or kind that is not read
    CONFLICT = "conflict"  # sound alone, not together: two patients, two of one id
    TOO_COSTLY = "too-costly"  # too large or too deep to read in bounded time


class Unreadable(Exception):
    """The input as a whole cannot be used; nothing of it is answered.

    Parameters
    ----------
    category : what kind of fault
    expression : FHIRPath of the element, or empty where there is none (malformed JSON)
    message : one sentence for a person, without any value from the input
    """

    def __init__(self, category: ReadCategory, expression: str, message: str) -> None:
        super().__init__(message)
        self.category = category
        self.expression = expression
        self.message = message


class Asked(Exception):
    """One medicine or one dose cannot be read with certainty; the rest still can.

    Raised inside the reader only, and turned into a `Question` where a medicine is read.
    """

    def __init__(self, expression: str, question: str) -> None:
        super().__init__(question)
        self.expression = expression
        self.question = question
