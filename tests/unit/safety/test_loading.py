"""The rules file is refused rather than read past, and a clinic may set only what is ours."""

import copy
from collections.abc import Callable
from fractions import Fraction
from typing import Any

import pytest
from tests.unit.safety.patients import RULES, parsed

from crossgrain.catalogue.rules import rules_from, with_changes
from crossgrain.names.errors import DomainError
from crossgrain.safety.rule import OURS, Number

FILE = parsed("safety_rules.toml")
NOT_THEIRS = "this is not a number that a clinic may set"


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
        (lambda d: d.pop("judgement"), ".judgement", "missing"),
        (lambda d: d.update(judgement=["over"]), "judgement", "table"),
        (lambda d: d["judgement"].update(over="1.25"), "judgement.over", "table"),
        (lambda d: d["judgement"]["over"].pop("value"), "judgement.over.value", "missing"),
        (lambda d: d["judgement"]["over"].pop("unit"), "judgement.over.unit", "missing"),
        (lambda d: d["judgement"]["over"].update(low="1"), "judgement.over.low", "not known"),
        (lambda d: d.update(before=[]), "before", "at least one"),
        (lambda d: d["before"].insert(0, "under-18"), "before[1]", "table"),
        (lambda d: d["before"][0].update(needs="age"), "before[1].needs", "list"),
        (lambda d: d["before"][0].update(keys="age"), "before[1].keys", "list"),
        (lambda d: d["before"][0].update(demands="cautious"), "before[1].demands", "list"),
        (lambda d: d["before"][0].update(when=" "), "before[1].when", "blank"),
        (lambda d: d["before"][0].update(instruction=" "), "before[1].instruction", "blank"),
        (lambda d: d["missing"][0].update(colour="red"), "missing[1].colour", "not known"),
        (lambda d: d["missing"][0].update(severity="grave"), "missing[1]", "grave"),
        (lambda d: d["missing"][0].update(numbers="90"), "missing[1].numbers", "table"),
    ],
)
def test_a_slip_in_the_file_is_refused_by_its_place(
    change: Callable[[dict[str, Any]], object], place: str, says: str
) -> None:
    fault = broken(change)
    assert fault.field == place
    assert says in fault.message


@pytest.mark.parametrize(
    ("section", "word"),
    [
        (section, word)
        for section, key in (("before", "code"), ("after", "code"), ("missing", "need"))
        for word in (key, "severity", "statement", "action", "source")
    ],
)
def test_no_entry_goes_without_its_words(section: str, word: str) -> None:
    fault = broken(lambda d: d[section][0].pop(word))
    assert (fault.field, fault.message) == (f"{section}[1].{word}", f"{word} is missing")


def test_what_the_code_and_the_file_do_not_share_is_named_whole() -> None:
    fault = broken(lambda d: [d["judgement"].pop("over"), d["judgement"].pop("under")])
    assert fault.message == "in the file or in the code, not in both: over, under"


def as_written(entry: dict[str, Any]) -> dict[str, object]:
    """An entry of the file as the table should carry it."""
    numbers = {
        name: Number(Fraction(raw["value"]), raw["unit"], raw["whose"])
        for name, raw in entry.get("numbers", {}).items()
    }
    return {**entry, "numbers": numbers}


@pytest.mark.parametrize("section", ["before", "after", "verdict"])
def test_a_rule_carries_what_the_file_says_of_it(section: str) -> None:
    read = rules_from(FILE)
    rules = {"before": read.before, "after": read.after, "verdict": read.verdicts}[section]
    assert list(rules) == [entry["code"] for entry in FILE[section]]
    for entry in map(as_written, FILE[section]):
        rule = rules[str(entry["code"])]
        unsaid = {"needs": [], "when": "always", "keys": [], "demands": [], "instruction": ""}
        for name, value in {**unsaid, **entry}.items():
            carried = getattr(rule, name)
            said = sorted(carried) if name in ("keys", "demands") else carried
            assert (list(said) if isinstance(value, list) else said) == (
                sorted(value) if name in ("keys", "demands") else value  # type: ignore[call-overload]
            )


def test_what_is_said_of_missing_data_is_what_the_file_says() -> None:
    read = rules_from(FILE).missing
    assert list(read) == [entry["need"] for entry in FILE["missing"]]
    for entry in map(as_written, FILE["missing"]):
        missing = read[str(entry["need"])]
        assert entry == {name: getattr(missing, name) for name in entry}


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
    ("changes", "place", "says"),
    [
        ({"no-such-rule": {"lowest": "1"}}, "no-such-rule", "there is no such rule"),
        ({"coverage-low": {"highest": "1"}}, "coverage-low.highest", NOT_THEIRS),
        ({"t3-above-75": {"highest": "150"}}, "t3-above-75.highest", NOT_THEIRS),
        ({"tsh-suppressed": {"suppressed": "0.01"}}, "tsh-suppressed.suppressed", NOT_THEIRS),
        ({"judgement": {"middle": "1"}}, "judgement.middle", NOT_THEIRS),
        ({"coverage-low": {"lowest": "-1"}}, "coverage-low.lowest", "this must be above zero"),
    ],
)
def test_a_clinic_may_not_set_what_a_label_or_guideline_has_set(
    changes: dict[str, dict[str, object]], place: str, says: str
) -> None:
    with pytest.raises(DomainError) as caught:
        with_changes(RULES, changes)
    assert (caught.value.field, caught.value.message) == (place, says)


def test_every_number_says_whose_it_is_and_ours_are_marked_alike() -> None:
    tables = [*RULES.before.values(), *RULES.after.values(), *RULES.missing.values()]
    whose = {number.whose for rule in tables for number in rule.numbers.values()}
    assert OURS in whose
    assert not {text for text in whose if "judgement" in text} - {OURS}
    assert {number.whose for number in RULES.judgement.values()} == {OURS}
