"""The rules file is refused rather than read past, and a clinic may set only what is ours."""

import copy
from collections.abc import Callable
from fractions import Fraction
from typing import Any

import pytest
from tests.unit.safety.patients import RULES, parsed

from crossgrain.dosing.errors import DomainError
from crossgrain.safety.clinic import with_changes
from crossgrain.safety.loading import rules_from
from crossgrain.safety.rule import OURS

FILE = parsed("safety_rules.toml")


def broken(change: Callable[[dict[str, Any]], object]) -> DomainError:
    """What reading says of the shipped file with one change."""
    data = copy.deepcopy(FILE)
    change(data)
    with pytest.raises(DomainError) as caught:
        rules_from(data)
    return caught.value


@pytest.mark.parametrize(
    ("change", "place", "says"),
    [
        (lambda d: d["before"].pop(), "before", "lt4-high-today"),
        (lambda d: d["after"].pop(), "after", "coverage-low"),
        (lambda d: d["missing"].pop(), "missing", "infarction-date"),
        (lambda d: d["verdict"].pop(), "verdict", "fits"),
        (lambda d: d["judgement"].pop("over"), "judgement", "over"),
        (lambda d: d.pop("after"), ".after", "missing"),
        (lambda d: d.update(extra=[]), "extra", "not known"),
        (lambda d: d["before"].append(d["before"][0]), "before.under-18", "twice"),
        (lambda d: d["before"][0].update(code="new-rule"), "before", "new-rule"),
        (lambda d: d["before"][0].update(colour="red"), "before[1].colour", "not known"),
        (lambda d: d["before"][0].update(severity="grave"), "before[1]", "grave"),
        (lambda d: d["before"][0].update(when="sometimes"), "before[1].when", "sometimes"),
        (lambda d: d["before"][0].update(needs=["luck"]), "before[1].needs", "luck"),
        (lambda d: d["before"][0].update(demands=["haste"]), "before[1]", "haste"),
        (lambda d: d["before"][0].pop("source"), "before[1].source", "missing"),
        (lambda d: d["before"][0].update(statement=" "), "before[1].statement", "blank"),
        (
            lambda d: d["before"][0]["numbers"]["adult"].update(value="0"),
            "before[1].numbers.adult.value",
            "above zero",
        ),
        (
            lambda d: d["before"][0]["numbers"]["adult"].update(value=18.0),
            "before[1].numbers.adult.value",
            "string",
        ),
        (
            lambda d: d["before"][0]["numbers"]["adult"].pop("whose"),
            "before[1].numbers.adult.whose",
            "missing",
        ),
    ],
)
def test_a_slip_in_the_file_is_refused_by_its_place(
    change: Callable[[dict[str, Any]], object], place: str, says: str
) -> None:
    fault = broken(change)
    assert fault.field == place
    assert says in fault.message


def test_a_clinic_may_set_a_number_that_is_our_judgement() -> None:
    table = with_changes(
        RULES,
        {
            "coverage-low": {"lowest": "0.75"},
            "recent-myocardial-infarction": {"window": "180"},
            "not-checked-recent-tsh": {"fresh": "60"},
            "judgement": {"t3_jump_ug": "2.5"},
        },
    )
    assert table.after["coverage-low"].number("lowest") == Fraction(3, 4)
    assert table.before["recent-myocardial-infarction"].number("window") == 180
    assert table.missing["recent-tsh"].number("fresh") == 60
    assert table.judgement["t3_jump_ug"].value == Fraction(5, 2)
    assert RULES.after["coverage-low"].number("lowest") == Fraction(7, 10)


@pytest.mark.parametrize(
    ("changes", "place"),
    [
        ({"no-such-rule": {"lowest": "1"}}, "no-such-rule"),
        ({"coverage-low": {"highest": "1"}}, "coverage-low.highest"),
        ({"t3-above-75": {"highest": "150"}}, "t3-above-75.highest"),
        ({"tsh-suppressed": {"suppressed": "0.01"}}, "tsh-suppressed.suppressed"),
        ({"coverage-low": {"lowest": "-1"}}, "coverage-low.lowest"),
    ],
)
def test_a_clinic_may_not_set_what_a_label_or_guideline_has_set(
    changes: dict[str, dict[str, object]], place: str
) -> None:
    with pytest.raises(DomainError) as caught:
        with_changes(RULES, changes)
    assert caught.value.field == place


def test_every_number_says_whose_it_is_and_ours_are_marked_alike() -> None:
    tables = [*RULES.before.values(), *RULES.after.values(), *RULES.missing.values()]
    whose = {number.whose for rule in tables for number in rule.numbers.values()}
    assert OURS in whose
    assert not {text for text in whose if "judgement" in text} - {OURS}
    assert {number.whose for number in RULES.judgement.values()} == {OURS}
