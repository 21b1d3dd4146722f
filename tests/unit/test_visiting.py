"""What the patient says since the last visit, beside what was said before."""

import pytest
from tests.unit.reading.records import CATALOGUE

from crossgrain.core.visiting import Since, too_fast
from crossgrain.dosing.regimens import Regimen
from crossgrain.safety.facts import Facts, Known
from crossgrain.safety.visit import TooFast

NEWS = Since(-60)


def signs(*, yes: dict[str, int | None], no: dict[str, int | None]) -> TooFast:
    """What is left of answers, each with its day."""
    reported = tuple(Known(key, "", day) for key, day in yes.items())
    denied = tuple(Known(key, "", day) for key, day in no.items())
    facts = Facts(Regimen(()), reported=reported, answered_no=denied)
    return too_fast(facts, NEWS, CATALOGUE.rules)


@pytest.mark.parametrize(
    ("said_no_on", "left"),
    [(-21, TooFast.PALPITATIONS), (-20, TooFast.PALPITATIONS), (-19, TooFast.NONE)],
)
def test_a_later_no_outdates_a_yes(said_no_on: int, left: TooFast) -> None:
    assert signs(yes={"palpitations": -20}, no={"palpitations": said_no_on}) is left


def test_a_no_to_another_question_outdates_nothing() -> None:
    assert signs(yes={"palpitations": -20}, no={"jitters": -1}) is TooFast.PALPITATIONS
    assert signs(yes={"jitters": -20}, no={"palpitations": -1}) is TooFast.JITTERS


def test_an_answer_without_a_date_neither_outdates_nor_is_outdated() -> None:
    assert signs(yes={"jitters": -20}, no={"jitters": None}) is TooFast.JITTERS
    assert signs(yes={"jitters": None}, no={"jitters": -1}) is TooFast.JITTERS


def test_a_yes_after_a_no_is_news() -> None:
    assert signs(yes={"palpitations": -3}, no={"palpitations": -10}) is TooFast.PALPITATIONS
