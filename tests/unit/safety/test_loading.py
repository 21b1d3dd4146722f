"""The rules file is refused rather than read past; its numbers are named by their keys."""

import copy
from collections.abc import Callable
from typing import Any

import pytest
from tests.unit.safety.patients import NUMBERS, parsed

from crossgrain.catalogue.numbers import rules_from
from crossgrain.names.errors import DomainError
from crossgrain.safety.rule import Later

FILE = parsed("safety_rules.toml")


def broken(change: Callable[[dict[str, Any]], object]) -> DomainError:
    """What reading says of the shipped file with one change."""
    data = copy.deepcopy(FILE)
    change(data)
    with pytest.raises(DomainError) as caught:
        rules_from(data, NUMBERS)
    return caught.value


@pytest.mark.parametrize(
    ("change", "place", "says"),
    [
        (lambda d: d["before"].pop(), "before", "lt4-high-today"),
        (lambda d: d["after"].pop(), "after", "coverage-low"),
        (lambda d: d["missing"].pop(), "missing", "infarction-date"),
        (lambda d: d["verdict"].pop(), "verdict", "fits"),
        (lambda d: d["judgement"].pop("over"), "judgement", "over"),
        (lambda d: d.pop("after"), "after", "missing"),
        (lambda d: d.update(extra=[]), "extra", "not known"),
        (lambda d: d["before"].append(d["before"][0]), "before.under-18", "twice"),
        (lambda d: d["before"][0].update(code="new-rule"), "before", "new-rule"),
        (lambda d: d["before"][0].update(colour="red"), "before[1].colour", "not known"),
        (lambda d: d["before"][0].update(severity="grave"), "before[1].severity", "grave"),
        (lambda d: d["before"][0].update(when="sometimes"), "before[1].when", "sometimes"),
        (lambda d: d["before"][0].update(needs=["luck"]), "before[1].needs", "luck"),
        (lambda d: d["before"][0].update(demands=["haste"]), "before[1].demands[1]", "haste"),
        (lambda d: d["before"][0].pop("source"), "before[1].source", "missing"),
        (lambda d: d["before"][0].update(statement=" "), "before[1].statement", "blank"),
        (
            lambda d: d["before"][0]["numbers"].update(adult="age.grown"),
            "before[1].numbers.adult",
            "no number is called age.grown",
        ),
        (lambda d: d["before"][0]["numbers"].update(adult=18), "before[1].numbers.adult", "text"),
        (lambda d: d.pop("judgement"), "judgement", "missing"),
        (lambda d: d.update(judgement=["over"]), "judgement", "table"),
        (lambda d: d["judgement"].update(over="1.25"), "judgement.over", "no number"),
        (lambda d: d.update(before=[]), "before", "at least one"),
        (lambda d: d["before"].insert(0, "under-18"), "before[1]", "table"),
        (lambda d: d["before"][0].update(needs="age"), "before[1].needs", "list"),
        (lambda d: d["before"][0].update(keys="age"), "before[1].keys", "list"),
        (lambda d: d["before"][0].update(demands="cautious"), "before[1].demands", "list"),
        (lambda d: d["before"][0].update(when=" "), "before[1].when", "blank"),
        (lambda d: d["before"][0].update(instruction=" "), "before[1].instruction", "blank"),
        (lambda d: d["before"][0].update(checks={"xray": "start"}), "before[1].checks", "xray"),
        (lambda d: d["before"][0].update(checks={"ecg": "soon"}), "before[1].checks.ecg", "soon"),
        (lambda d: d["before"][0].update(baseline="later"), "before[1].baseline", "later"),
        (lambda d: d["missing"][0].update(colour="red"), "missing[1].colour", "not known"),
        (lambda d: d["missing"][0].update(severity="grave"), "missing[1].severity", "grave"),
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
    numbers = {name: NUMBERS[key] for name, key in entry.get("numbers", {}).items()}
    later = {"later": Later(**entry["later"])} if "later" in entry else {}
    return {**entry, "numbers": numbers, **later}


@pytest.mark.parametrize("section", ["before", "after", "verdict"])
def test_a_rule_carries_what_the_file_says_of_it(section: str) -> None:
    read = rules_from(FILE, NUMBERS)
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
    read = rules_from(FILE, NUMBERS).missing
    assert list(read) == [entry["need"] for entry in FILE["missing"]]
    for entry in map(as_written, FILE["missing"]):
        missing = read[str(entry["need"])]
        assert entry == {name: getattr(missing, name) for name in entry}
