"""A clinic's own numbers in place of those that are our judgement."""

from collections.abc import Mapping
from dataclasses import replace

from crossgrain.dosing.entries import positive_number, refuse
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
        before={c: _rule(rule, changes) for c, rule in rules.before.items()},
        after={c: _rule(rule, changes) for c, rule in rules.after.items()},
        missing={n: _missing(entry, changes) for n, entry in rules.missing.items()},
        judgement=_numbers("judgement", rules.judgement, changes),
    )


def _rule(rule: Rule, changes: Changes) -> Rule:
    return replace(rule, numbers=_numbers(rule.code, rule.numbers, changes))


def _missing(entry: Missing, changes: Changes) -> Missing:
    return replace(entry, numbers=_numbers(entry.code, entry.numbers, changes))


def _numbers(code: str, numbers: Mapping[str, Number], changes: Changes) -> dict[str, Number]:
    changed = dict(numbers)
    for name, value in changes.get(code, {}).items():
        place = f"{code}.{name}"
        if name not in numbers or numbers[name].whose != OURS:
            refuse(place, "this is not a number that a clinic may set")
        changed[name] = replace(numbers[name], value=positive_number(value, place))
    return changed
