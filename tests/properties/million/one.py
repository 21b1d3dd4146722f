"""One record: made, sent through the service, and its answer held to the truth."""

import orjson
from tests.properties.million.answers import Answer
from tests.properties.million.checks import check, check_refusal
from tests.properties.million.people import person
from tests.properties.million.planned import check_against
from tests.properties.million.pools import check_forecast
from tests.properties.million.service import Refused, proposed, written
from tests.properties.million.truth import Person

FORECAST_EVERY = 500
"""The forecast of one record in so many is solved again: it takes a second."""


def run(seed: int, number: int) -> tuple[str, bytes]:
    """How the answer ends, and its bytes; a check that fails raises."""
    made = person(seed, number)
    try:
        proposal = proposed(made, sent(made))
    except Refused as refused:
        check_refusal(made, str(refused))
        return f"refused: {refused}", b""
    body = written(made, proposal)
    answer = Answer(body, made.start)
    ends = check(made, answer)
    if ends != "asked":
        check_against(made, proposal, answer)
    if ends == "plan" and number % FORECAST_EVERY == 3:
        check_forecast(made, answer)
    return ends, body


def sent(made: Person) -> bytes:
    """The record as its sender writes it."""
    return orjson.dumps(made.bundle)
