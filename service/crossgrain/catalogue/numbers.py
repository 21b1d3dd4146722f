"""Every clinical number, read from the data files, with a clinic's own in place of ours.

A number stands in one file under one key. Rules, verdicts, the screening and the reader name that
key, so what a clinic sets reaches every door alike.
"""

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from crossgrain.names.numbers import (
    Number,
    Numbers,
    listed,
    only_known_keys,
    positive_number,
    refuse,
    table,
    text,
)
from crossgrain.reading.code_tables import BELIEVED_KEYS
from crossgrain.safety.rule import Missing, Rule, RuleTable
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
