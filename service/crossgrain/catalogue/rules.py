"""The rules file, read and checked; its numbers are named by their keys."""

from collections.abc import Callable, Collection, Iterable, Mapping
from functools import partial
from typing import TypeVar

from crossgrain.names.numbers import (
    Number,
    Numbers,
    listed,
    only_known_keys,
    refuse,
    required,
    table,
    text,
)
from crossgrain.safety.assess import AFTER, BEFORE, GATES, LACKS
from crossgrain.safety.baseline import BaselineNeed
from crossgrain.safety.checks import CheckKind, Due
from crossgrain.safety.intent import Demand
from crossgrain.safety.judgement import JUDGEMENT_NUMBERS, Verdict
from crossgrain.safety.rule import Missing, Rule, RuleTable, Severity

Entry = Mapping[str, object]

_T = TypeVar("_T")
_SECTIONS = ("before", "after", "missing", "verdict", "judgement")
_WORDS = ("severity", "statement", "action", "source")
_OPTIONAL = (
    "needs",
    "when",
    "keys",
    "demands",
    "instruction",
    "numbers",
    "act",
    "checks",
    "baseline",
)


def rules_from(data: Entry, numbers: Numbers) -> RuleTable:
    """Read and check the rules file.

    Parameters
    ----------
    data : the parsed file: lists ``before``, ``after``, ``missing`` and ``verdict``, table
        ``judgement``
    numbers : the clinical numbers by key

    Raises
    ------
    DomainError
        naming the entry, for an unknown or missing key, a code given twice, a rule without
        predicate or a predicate without rule, an unknown gate, need, demand or number.
    """
    only_known_keys(data, _SECTIONS, "")
    judgement = _numbers(required(data, "judgement", ""), "judgement", numbers)
    rule = partial(_rule, numbers=numbers)
    missing = partial(_missing, numbers=numbers)
    _match(judgement, JUDGEMENT_NUMBERS, "judgement")
    return RuleTable(
        before=_section(data, "before", rule, lambda read: read.code, BEFORE),
        after=_section(data, "after", rule, lambda read: read.code, AFTER),
        missing=_section(data, "missing", missing, lambda entry: entry.need, LACKS),
        verdicts=_section(data, "verdict", rule, lambda read: read.code, set(Verdict)),
        judgement=judgement,
    )


def _section(
    data: Entry,
    name: str,
    read: Callable[[Entry, str], _T],
    key: Callable[[_T], str],
    known: Collection[str],
) -> dict[str, _T]:
    """One section of the file, its entries by their key, matched with what code knows."""
    read_in = [
        read(table(raw, f"{name}[{number}]"), f"{name}[{number}]")
        for number, raw in enumerate(listed(required(data, name, ""), name), start=1)
    ]
    by_key: dict[str, _T] = {}
    for entry in read_in:
        if key(entry) in by_key:
            refuse(f"{name}.{key(entry)}", "this code stands twice")
        by_key[key(entry)] = entry
    _match(by_key, known, name)
    return by_key


def _rule(entry: Entry, place: str, numbers: Numbers) -> Rule:
    only_known_keys(entry, ("code", *_WORDS, *_OPTIONAL), place)
    rule = Rule(
        code=text(entry, "code", place),
        severity=_member(Severity, text(entry, "severity", place), place),
        statement=text(entry, "statement", place),
        action=text(entry, "action", place),
        source=text(entry, "source", place),
        needs=_names(entry, "needs", place),
        when=text({"when": "always", **entry}, "when", place),
        keys=frozenset(_names(entry, "keys", place)),
        demands=frozenset(_member(Demand, d, place) for d in _names(entry, "demands", place)),
        instruction=text(entry, "instruction", place) if "instruction" in entry else "",
        numbers=_numbers(entry.get("numbers", {}), f"{place}.numbers", numbers),
        act=text(entry, "act", place) if "act" in entry else "",
        checks=_checks(entry.get("checks", {}), f"{place}.checks"),
        baseline=_baseline(entry, place),
    )
    for name, unknown in (
        ("when", {rule.when} - set(GATES)),
        ("needs", set(rule.needs) - set(LACKS)),
    ):
        if unknown:
            refuse(f"{place}.{name}", f"nothing in the code is called {sorted(unknown)[0]}")
    return rule


def _missing(entry: Entry, place: str, numbers: Numbers) -> Missing:
    only_known_keys(entry, ("need", *_WORDS, "numbers", "checks", "baseline"), place)
    return Missing(
        need=text(entry, "need", place),
        severity=_member(Severity, text(entry, "severity", place), place),
        statement=text(entry, "statement", place),
        action=text(entry, "action", place),
        source=text(entry, "source", place),
        numbers=_numbers(entry.get("numbers", {}), f"{place}.numbers", numbers),
        checks=_checks(entry.get("checks", {}), f"{place}.checks"),
        baseline=_baseline(entry, place),
    )


def _checks(entries: object, place: str) -> dict[str, str]:
    """What is to be measured and when: both must be known to the code."""
    named = table(entries, place)
    return {
        str(_member(CheckKind, kind, place)): str(_member(Due, text(named, kind, place), place))
        for kind in named
    }


def _baseline(entry: Entry, place: str) -> str:
    if "baseline" not in entry:
        return ""
    return str(_member(BaselineNeed, text(entry, "baseline", place), f"{place}.baseline"))


def _names(entry: Entry, key: str, place: str) -> tuple[str, ...]:
    if key not in entry:
        return ()
    return tuple(str(name) for name in listed(entry[key], f"{place}.{key}"))


def _numbers(entries: object, place: str, known: Numbers) -> dict[str, Number]:
    named = table(entries, place)
    keys = {name: text(named, name, place) for name in named}
    for name, key in keys.items():
        if key not in known:
            refuse(f"{place}.{name}", f"no number is called {key}")
    return {name: known[key] for name, key in keys.items()}


def _match(entries: Iterable[str], known: Iterable[str], place: str) -> None:
    """A rule that nothing asks, or a predicate that nothing words, is a check that is not made."""
    if odd := set(entries) ^ set(known):
        refuse(place, f"in the file or in the code, not in both: {', '.join(sorted(odd))}")


def _member(kind: Callable[[str], _T], name: str, place: str) -> _T:
    try:
        return kind(name)
    except ValueError:
        refuse(place, f"{name} is not known here")
