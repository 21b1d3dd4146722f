"""Laboratory results: what is certain of them, which may be the latest, how they are shown."""

from fractions import Fraction

import pytest
from tests.unit.safety.patients import patient, pulse, tsh

from crossgrain.safety.facts import Analyte
from crossgrain.safety.results import is_above, is_below, is_fresh, latest, shown

LIMIT = Fraction(4)
QUARTER = Fraction(90)


@pytest.mark.parametrize(
    ("comparator", "value", "below", "above"),
    [
        ("", "3.9", True, False),
        ("", "4", False, False),
        ("", "4.1", False, True),
        ("<", "3.9", True, False),
        ("<", "4", True, False),  # less than 4 is below 4
        ("<", "4.1", False, False),
        ("<=", "3.9", True, False),
        ("<=", "4", False, False),  # at most 4 may be 4
        ("<=", "4.1", False, False),
        (">", "3.9", False, False),
        (">", "4", False, True),
        (">", "4.1", False, True),
        (">=", "3.9", False, False),
        (">=", "4", False, False),
        (">=", "4.1", False, True),
        ("~", "1", False, False),  # what cannot be read is certain of nothing
        ("~", "9", False, False),
    ],
)
def test_a_result_lies_beyond_a_limit_only_where_that_is_certain(
    comparator: str, value: str, below: bool, above: bool
) -> None:
    result = tsh(value, comparator=comparator)
    assert (is_below(result, LIMIT), is_above(result, LIMIT)) == (below, above)


@pytest.mark.parametrize(
    ("day", "preliminary", "fresh"),
    [
        (0, False, True),
        (-90, False, True),
        (-91, False, False),
        (1, False, False),
        (None, False, False),
        (-1, True, False),
    ],
)
def test_a_result_is_fresh_when_it_is_final_and_of_the_last_ninety_days(
    day: int | None, preliminary: bool, fresh: bool
) -> None:
    assert is_fresh(tsh("2", day, preliminary=preliminary), QUARTER) is fresh


def test_the_latest_are_those_of_the_last_final_day_and_what_is_preliminary_since() -> None:
    old, final, again = tsh("1", -60), tsh("2", -20), tsh("2.1", -20)
    early, since = tsh("5", -30, preliminary=True), tsh("6", -5, preliminary=True)
    facts = patient(measurements=(old, final, early, since, again, pulse(70)))
    assert latest(facts, Analyte.TSH, QUARTER) == (final, since, again)


def test_an_undated_result_may_be_the_latest_where_none_is_fresh() -> None:
    undated, stale = tsh("0.02", None), tsh("2", -200)
    facts = patient(measurements=(undated, stale))
    assert latest(facts, Analyte.TSH, QUARTER) == (undated, stale)
    assert latest(facts, Analyte.TSH, Fraction(200)) == (stale,)


@pytest.mark.parametrize(
    ("day", "words"),
    [
        (None, "undated"),
        (0, "today"),
        (-1, "1 day ago"),
        (-2, "2 days ago"),
        (1, "dated ahead"),
    ],
)
def test_a_result_is_shown_with_its_age(day: int | None, words: str) -> None:
    assert shown([tsh("0.3", day)]) == f"0.3 mIU/L ({words})"


def test_results_are_shown_with_comparator_and_state_one_after_the_other() -> None:
    both = [tsh("0.01", -12, comparator="<"), tsh("0.30", 0, preliminary=True)]
    assert shown(both) == "<0.01 mIU/L (12 days ago), 0.3 mIU/L (today, preliminary)"
