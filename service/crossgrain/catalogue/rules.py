"""The rules file, read and checked, with a clinic's own numbers in place of our judgement."""

from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import replace
from typing import TypeVar

from crossgrain.names.entries import (
    listed,
    only_known_keys,
    positive_number,
    refuse,
    required,
    table,
    text,
)
from crossgrain.safety.constraints import Demand
from crossgrain.safety.findings import Severity
from crossgrain.safety.gates import GATES
from crossgrain.safety.judgement import JUDGEMENT_NUMBERS, Verdict
from crossgrain.safety.missing import LACKS
from crossgrain.safety.registry import AFTER, BEFORE
from crossgrain.safety.rule import OURS, Missing, Number, Rule, RuleTable

Changes = Mapping[str, Mapping[str, object]]
"""Code of a rule, or ``judgement`` → name of the number → value."""


def with_changes(rules: RuleTable, changes: Changes) -> RuleTable:
    """The table with a clinic's numbers in it.

    Raises
    ------
    DomainError
        for a code or a number that does not exist, or one that a label, a guideline or a
        trial has set: those are not a clinic's to move.
    """
    known = {*rules.before, *rules.after, *(m.code for m in rules.missing.values())}
    for code in changes:
        if code not in known and code != "judgement":
            refuse(code, "there is no such rule")
    return replace(
        rules,
        before={c: _rule_changed(rule, changes) for c, rule in rules.before.items()},
        after={c: _rule_changed(rule, changes) for c, rule in rules.after.items()},
        missing={n: _missing_changed(entry, changes) for n, entry in rules.missing.items()},
        judgement=_changed("judgement", rules.judgement, changes),
    )


def _rule_changed(rule: Rule, changes: Changes) -> Rule:
    return replace(rule, numbers=_changed(rule.code, rule.numbers, changes))


def _missing_changed(entry: Missing, changes: Changes) -> Missing:
    return replace(entry, numbers=_changed(entry.code, entry.numbers, changes))


def _changed(code: str, numbers: Mapping[str, Number], changes: Changes) -> dict[str, Number]:
    changed = dict(numbers)
    for name, value in changes.get(code, {}).items():
        place = f"{code}.{name}"
        if name not in numbers or numbers[name].whose != OURS:
            refuse(place, "this is not a number that a clinic may set")
        changed[name] = replace(numbers[name], value=positive_number(value, place))
    return changed


Entry = Mapping[str, object]

_T = TypeVar("_T")
_SECTIONS = ("before", "after", "missing", "verdict", "judgement")
_WORDS = ("severity", "statement", "action", "source")
_OPTIONAL = ("needs", "when", "keys", "demands", "instruction", "numbers", "act")


def rules_from(data: Entry) -> RuleTable:
    """Read and check the rules file.

    Parameters
    ----------
    data : the parsed file: lists ``before``, ``after``, ``missing`` and ``verdict``, table
        ``judgement``

    Raises
    ------
    DomainError
        naming the entry, for an unknown or missing key, a code given twice, a rule without
        predicate or a predicate without rule, an unknown gate, need or demand.
    """
    only_known_keys(data, _SECTIONS, "")
    judgement = _numbers(required(data, "judgement", ""), "judgement")
    _match(judgement, JUDGEMENT_NUMBERS, "judgement")
    return RuleTable(
        before=_section(data, "before", _rule, lambda rule: rule.code, BEFORE),
        after=_section(data, "after", _rule, lambda rule: rule.code, AFTER),
        missing=_section(data, "missing", _missing, lambda entry: entry.need, LACKS),
        verdicts=_section(data, "verdict", _rule, lambda rule: rule.code, set(Verdict)),
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


def _rule(entry: Entry, place: str) -> Rule:
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
        numbers=_numbers(entry.get("numbers", {}), f"{place}.numbers"),
        act=text(entry, "act", place) if "act" in entry else "",
    )
    for name, unknown in (
        ("when", {rule.when} - set(GATES)),
        ("needs", set(rule.needs) - set(LACKS)),
    ):
        if unknown:
            refuse(f"{place}.{name}", f"nothing in the code is called {sorted(unknown)[0]}")
    return rule


def _missing(entry: Entry, place: str) -> Missing:
    only_known_keys(entry, ("need", *_WORDS, "numbers"), place)
    return Missing(
        need=text(entry, "need", place),
        severity=_member(Severity, text(entry, "severity", place), place),
        statement=text(entry, "statement", place),
        action=text(entry, "action", place),
        source=text(entry, "source", place),
        numbers=_numbers(entry.get("numbers", {}), f"{place}.numbers"),
    )


def _names(entry: Entry, key: str, place: str) -> tuple[str, ...]:
    if key not in entry:
        return ()
    return tuple(str(name) for name in listed(entry[key], f"{place}.{key}"))


def _numbers(entries: object, place: str) -> dict[str, Number]:
    numbers: dict[str, Number] = {}
    for name, raw in table(entries, place).items():
        where = f"{place}.{name}"
        entry = table(raw, where)
        only_known_keys(entry, ("value", "unit", "whose"), where)
        numbers[name] = Number(
            positive_number(required(entry, "value", where), f"{where}.value"),
            text(entry, "unit", where),
            text(entry, "whose", where),
        )
    return numbers


def _match(entries: Iterable[str], known: Iterable[str], place: str) -> None:
    """A rule that nothing asks, or a predicate that nothing words, is a check that is not made."""
    if odd := set(entries) ^ set(known):
        refuse(place, f"in the file or in the code, not in both: {', '.join(sorted(odd))}")


def _member(kind: Callable[[str], _T], name: str, place: str) -> _T:
    try:
        return kind(name)
    except ValueError:
        refuse(place, f"{name} is not known here")
