"""Every clinical number, a clinic's own in place of ours, and the rules that go by them.

A number stands in one file under one key. Rules, verdicts, the screening and the reader name that
key, so what a clinic sets reaches every door alike.
"""

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from functools import partial
from typing import Any, TypeVar

from crossgrain.names.numbers import (
    Number,
    Numbers,
    listed,
    only_known_keys,
    positive_number,
    refuse,
    required,
    table,
    text,
)
from crossgrain.reading.code_tables import BELIEVED_KEYS
from crossgrain.safety.assess import AFTER, BEFORE, GATES, LACKS
from crossgrain.safety.checks import BaselineNeed, CheckKind, Due
from crossgrain.safety.facts import Demand
from crossgrain.safety.judgement import JUDGEMENT_NUMBERS, Verdict
from crossgrain.safety.rule import Missing, Rule, RuleTable, Severity
from crossgrain.screening.limits import LIMIT_KEYS

_ENTRY = ("value", "unit", "says", "source", "within")
PLANS = "plans"
"""``$propose-switch``, ``$next-step``, ``$apply``, the plan sheet, and the plan that order entry
offers."""
ORDERS = "orders"
"""The verdict on a draft order: order-select, order-sign, and ``$propose-switch`` with one."""
VIEWS = "patient-view"
"""One patient's past switches: patient-view and ``$screen-switches``."""
NIGHT = "night"
"""The screening of a bulk export."""


def numbers_from(*files: Mapping[str, object]) -> dict[str, Number]:
    """Read the numbers of parsed files, each with its section's source where it gives none.

    Raises
    ------
    DomainError
        with the key as its field, for a number without value, unit, words or source, and for a
        key that stands twice.
    """
    numbers: dict[str, Number] = {}
    for file in files:
        for number in _in(file, "", ""):
            if number.key in numbers:
                refuse(number.key, "this number stands twice")
            numbers[number.key] = number
    return numbers


def _in(entry: Mapping[str, object], place: str, source: object) -> Iterator[Number]:
    source = entry.get("source", source)
    if "value" in entry:
        yield _number({"source": source, **entry}, place)
        return
    for name, inner in entry.items():
        spot = f"{place}.{name}" if place else name
        if isinstance(inner, dict):
            yield from _in(inner, spot, source)
        elif name != "source" and not isinstance(inner, bool):
            refuse(spot, "a number is a table of value, unit, says and source")


def _number(entry: Mapping[str, object], key: str) -> Number:
    only_known_keys(entry, _ENTRY, key)
    within = None
    if "within" in entry:
        ends = listed(entry["within"], f"{key}.within")
        if len(ends) != 2:
            refuse(f"{key}.within", "this must be the least and the most")
        within = (positive_number(ends[0], key), positive_number(ends[1], key))
    return Number(
        key=key,
        value=positive_number(entry["value"], key),
        unit=text(entry, "unit", key),
        says=text(entry, "says", key),
        source=text(entry, "source", key),
        within=within,
    )


def with_clinics(numbers: Numbers, own: Mapping[str, object]) -> dict[str, Number]:
    """The numbers with those of a clinic's ``[numbers]`` among them.

    Raises
    ------
    DomainError
        with its place, for a number that does not exist or is not a clinic's to set.
    """
    changed = dict(numbers)
    for key, written in _leaves(own, ""):
        place = f"numbers.{key}"
        if key not in numbers:
            refuse(place, "there is no such number; crossgrain numbers prints those there are")
        changed[key] = numbers[key].set_to(written, place)
    return changed


def _leaves(entry: Mapping[str, object], place: str) -> Iterator[tuple[str, object]]:
    for name, inner in entry.items():
        spot = f"{place}.{name}" if place else name
        if isinstance(inner, dict):
            yield from _leaves(inner, spot)
        else:
            yield spot, inner


def plain(file: Mapping[str, Any], numbers: Numbers, place: str = "") -> dict[str, Any]:
    """A parsed file with every number's value in the place of its entry."""
    filled = {}
    for name, inner in file.items():
        spot = f"{place}.{name}" if place else name
        if not isinstance(inner, dict):
            filled[name] = inner
        elif spot in numbers:
            filled[name] = numbers[spot].value
        else:
            filled[name] = plain(inner, numbers, spot)
    return filled


def refuse_former(own: Mapping[str, object], rules: RuleTable) -> None:
    """Refuse a number under a key by which it went before it had one owner.

    Raises
    ------
    DomainError
        with the place in the clinic's file; it names the key that the number has now.
    """
    for head in ("safety", "screening"):
        for key, _ in _leaves(table(own.get(head, {}), head), ""):
            now = _former(head, key, rules)
            refuse(
                f"{head}.{key}",
                f"this number is set as numbers.{now}"
                if now
                else "there is no such number; crossgrain numbers prints those there are",
            )


def _former(head: str, key: str, rules: RuleTable) -> str | None:
    section, _, name = key.rpartition(".")
    if head == "screening":
        return LIMIT_KEYS.get(key.replace(".", "_"))
    if section == "judgement":
        number = rules.judgement.get(name)
    else:
        entry = next((entry for entry in _entries(rules) if entry.code == section), None)
        number = entry.numbers.get(name) if entry else None
    return number.key if number else None


def _entries(rules: RuleTable) -> Iterator[Rule | Missing]:
    yield from rules.before.values()
    yield from rules.after.values()
    yield from rules.missing.values()


def doors(rules: RuleTable, planned_by: Iterable[str]) -> dict[str, tuple[str, ...]]:
    """Which doors each number reaches, by its key, in so far as something there reads it.

    `planned_by` are the keys that the planner works by, at the first visit or a later one.
    """
    asked = [number.key for entry in _entries(rules) for number in entry.numbers.values()]
    screened = list(LIMIT_KEYS.values())
    found: dict[str, list[str]] = {}
    for door, keys in (
        (PLANS, [*asked, *planned_by]),
        (ORDERS, [number.key for number in rules.judgement.values()]),
        (VIEWS, [key for key in screened if not key.startswith("export.")]),
        (NIGHT, screened),
    ):
        # What a record is believed in is settled as it is read, whoever asks.
        for key in dict.fromkeys((*keys, *BELIEVED_KEYS)):
            found.setdefault(key, []).append(door)
    return {key: tuple(reached) for key, reached in found.items()}


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
