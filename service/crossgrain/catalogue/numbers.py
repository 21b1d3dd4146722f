"""Every clinical number, a clinic's own in place of ours, and the rules that use them.

A number stands in one file under one key. Rules, verdicts, the screening and the reader name that
key, so what a clinic sets reaches every door alike.
"""

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from functools import partial
from typing import Any, TypeVar

import msgspec

from crossgrain.catalogue.decoding import (
    Entries,
    FileForm,
    Listed,
    Positive,
    Text,
    decoded,
    entries_in,
    values_in,
)
from crossgrain.dosing.bases import GrainContent
from crossgrain.names.numbers import (
    Number,
    Numbers,
    refuse,
)
from crossgrain.reading.code_tables import BELIEVED_KEYS
from crossgrain.safety.assess import AFTER, BEFORE, GATES, LACKS
from crossgrain.safety.checks import BaselineNeed, CheckDue, CheckKind
from crossgrain.safety.facts import Demand
from crossgrain.safety.judgement import JUDGEMENT_NUMBERS, Verdict
from crossgrain.safety.rule import Later, Missing, Rule, RuleTable, SettledBy, Severity
from crossgrain.screening.limits import LIMIT_KEYS


class _Entry(FileForm):
    value: Positive
    unit: Text
    says: Text
    source: Text
    within: tuple[Positive, Positive] | None = None


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
        whole = decoded({"source": source, **entry}, _Entry, place)
        yield Number(place, whole.value, whole.unit, whole.says, whole.source, whole.within)
        return
    for name, inner in entry.items():
        spot = f"{place}.{name}" if place else name
        if isinstance(inner, dict):
            yield from _in(inner, spot, source)
        elif name != "source" and not isinstance(inner, bool):
            refuse(spot, "a number is a table of value, unit, says and source")


def with_clinics(numbers: Numbers, own: Mapping[str, object]) -> dict[str, Number]:
    """The numbers with those of a clinic's ``[numbers]`` among them.

    Raises
    ------
    DomainError
        with its place, for a number that does not exist or is not a clinic's to set.
    """
    changed = dict(numbers)
    for key, written in _leaves(own, ""):
        if key not in numbers:
            refuse(key, "there is no such number; crossgrain numbers prints those there are")
        changed[key] = numbers[key].set_to(written, key)
    return changed


def _leaves(entry: Mapping[str, object], place: str) -> Iterator[tuple[str, object]]:
    for name, inner in entry.items():
        spot = f"{place}.{name}" if place else name
        if isinstance(inner, dict):
            yield from _leaves(inner, spot)
        else:
            yield spot, inner


GRAIN_KEYS = ("grain.t4_ug", "grain.t3_ug")
"""What a labelled grain contains, by the keys of the data file."""


def grain_from(numbers: Numbers) -> GrainContent:
    """Take the content of a labelled grain from the clinical numbers."""
    return GrainContent(*(numbers[key].value for key in GRAIN_KEYS))


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
        for key, _ in _leaves(decoded(own.get(head, {}), dict[str, Any], head), ""):
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


_ONLY_AT_NIGHT = ("next_step.unanswered_days", "next_step.parked_days")
_WAITED_BY = ("next_step.overdue_days", *_ONLY_AT_NIGHT)
"""By what the night says that a plan waits."""


def doors(
    rules: RuleTable, planned_by: Iterable[str], visited_by: Iterable[str]
) -> dict[str, tuple[str, ...]]:
    """Which doors each number reaches, by its key, in so far as something there reads it.

    `planned_by` are the keys that the planner works by, `visited_by` those by which it is told
    where a patient stands in a plan.
    """
    visited = [key for key in visited_by if key not in _ONLY_AT_NIGHT]
    in_a_plan = [key for key in visited if key.startswith("next_step.")]
    asked = [number.key for entry in _entries(rules) for number in entry.numbers.values()]
    verdicts = [n.key for entry in rules.verdicts.values() for n in entry.numbers.values()]
    screened = list(LIMIT_KEYS.values())
    found: dict[str, list[str]] = {}
    for door, keys in (
        (PLANS, [*asked, *planned_by, *visited]),
        (ORDERS, [*(number.key for number in rules.judgement.values()), *verdicts]),
        (VIEWS, [*(key for key in screened if not key.startswith("export.")), *in_a_plan]),
        (NIGHT, [*screened, *_WAITED_BY]),
    ):
        # What a record is believed in, and what a grain contains, is settled as it is read, whoever
        # asks.
        for key in dict.fromkeys((*keys, *BELIEVED_KEYS, *GRAIN_KEYS)):
            found.setdefault(key, []).append(door)
    return {key: tuple(reached) for key, reached in found.items()}


_T = TypeVar("_T")
_F = TypeVar("_F")


class _File(FileForm):
    before: Entries
    after: Entries
    missing: Entries
    verdict: Entries
    judgement: dict[str, Any]


class _Later(FileForm):
    statement: Text = ""
    action: Text = ""
    settled_by: SettledBy | None = None
    settled: Text = ""


class _Said(FileForm):
    """What a rule, and what is not in the record, say alike."""

    title: Text
    severity: Severity
    statement: Text
    action: Text
    source: Text
    numbers: dict[str, Any] = msgspec.field(default_factory=dict)
    checks: dict[str, Any] = msgspec.field(default_factory=dict)
    baseline: BaselineNeed | None = None


class _Rule(_Said, kw_only=True):
    code: Text
    needs: Listed[Text] = ()
    checks_for: Text = ""
    when: Text = "always"
    keys: Listed[Text] = ()
    demands: Listed[Demand] = ()
    instruction: Text = ""
    act: Text = ""
    later: _Later = msgspec.field(default_factory=_Later)


class _Missing(_Said, kw_only=True):
    need: Text


def rules_from(data: Mapping[str, object], numbers: Numbers) -> RuleTable:
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
    file = decoded(data, _File)
    judgement = _numbers(file.judgement, "judgement", numbers)
    _match(judgement, JUDGEMENT_NUMBERS, "judgement")
    rule = partial(_rule, numbers=numbers)
    missing = partial(_missing, numbers=numbers)
    return RuleTable(
        before=_matched(entries_in(file.before, _Rule, "before"), rule, "before", BEFORE),
        after=_matched(entries_in(file.after, _Rule, "after"), rule, "after", AFTER),
        missing=_matched(entries_in(file.missing, _Missing, "missing"), missing, "missing", LACKS),
        verdicts=_matched(
            entries_in(file.verdict, _Rule, "verdict"), rule, "verdict", set(Verdict)
        ),
        judgement=judgement,
    )


def _matched(
    entries: Iterable[tuple[str, _F]],
    read: Callable[[_F, str], tuple[str, _T]],
    section: str,
    known: Collection[str],
) -> dict[str, _T]:
    """One section of the file, its entries by their key, matched with what code knows."""
    by_key: dict[str, _T] = {}
    for place, entry in entries:
        key, meant = read(entry, place)
        if key in by_key:
            refuse(f"{section}.{key}", "this code stands twice")
        by_key[key] = meant
    _match(by_key, known, section)
    return by_key


def _rule(entry: _Rule, place: str, numbers: Numbers) -> tuple[str, Rule]:
    for name, unknown in (
        ("when", {entry.when} - set(GATES)),
        ("needs", set(entry.needs) - set(LACKS)),
    ):
        if unknown:
            refuse(f"{place}.{name}", f"nothing in the code is called {sorted(unknown)[0]}")
    if bool(entry.needs) != bool(entry.checks_for):
        refuse(f"{place}.checks_for", "a rule that can go unchecked, and no other, says what for")
    return entry.code, Rule(
        code=entry.code,
        title=entry.title,
        severity=entry.severity,
        statement=entry.statement,
        action=entry.action,
        source=entry.source,
        needs=entry.needs,
        checks_for=entry.checks_for,
        when=entry.when,
        keys=frozenset(entry.keys),
        demands=frozenset(entry.demands),
        instruction=entry.instruction,
        numbers=_numbers(entry.numbers, f"{place}.numbers", numbers),
        act=entry.act,
        checks=_checks(entry.checks, f"{place}.checks"),
        baseline=entry.baseline or "",
        later=Later(
            statement=entry.later.statement,
            action=entry.later.action,
            settled_by=entry.later.settled_by or "",
            settled=entry.later.settled,
        ),
    )


def _missing(entry: _Missing, place: str, numbers: Numbers) -> tuple[str, Missing]:
    return entry.need, Missing(
        need=entry.need,
        title=entry.title,
        severity=entry.severity,
        statement=entry.statement,
        action=entry.action,
        source=entry.source,
        numbers=_numbers(entry.numbers, f"{place}.numbers", numbers),
        checks=_checks(entry.checks, f"{place}.checks"),
        baseline=entry.baseline or "",
    )


def _checks(entries: Mapping[str, object], place: str) -> dict[str, str]:
    """What is to be measured and when: both must be known to the code."""
    for kind in entries:
        decoded(kind, CheckKind, place)
    return {kind: str(due) for kind, due in values_in(entries, CheckDue, place).items()}


def _numbers(entries: Mapping[str, object], place: str, known: Numbers) -> dict[str, Number]:
    keys = values_in(entries, Text, place)
    for name, key in keys.items():
        if key not in known:
            refuse(f"{place}.{name}", f"no number is called {key}")
    return {name: known[key] for name, key in keys.items()}


def _match(entries: Iterable[str], known: Iterable[str], place: str) -> None:
    """A rule that nothing asks, or a predicate that nothing words, is a check that is not made."""
    if odd := set(entries) ^ set(known):
        refuse(place, f"in the file or in the code, not in both: {', '.join(sorted(odd))}")
