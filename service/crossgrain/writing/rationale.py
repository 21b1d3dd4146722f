"""An answer's working as FHIR Parameters: the parts that `rationale_parts` defines."""

from crossgrain.writing.letterhead import Letterhead, Resource
from crossgrain.writing.parts import written
from crossgrain.writing.rationale_parts import ASKED, ORDER, PLANNED


def rationale(letter: Letterhead) -> Resource:
    """What was asked, how it was concluded, every basis, and both prior therapies."""
    parameters = written(ASKED, letter)
    if letter.going_on:
        parameters += letter.going_on.parts
    parameters += written((ORDER,), letter)
    parameters += written(PLANNED, letter)
    return {"resourceType": "Parameters", "id": "rationale", "parameter": parameters}
