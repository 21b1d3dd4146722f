"""A rule as data, what its predicate sees, and the finding that it raises."""

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import field
from enum import StrEnum
from fractions import Fraction

from crossgrain.dosing.plan import Plan
from crossgrain.names.numbers import PARTS, Number
from crossgrain.names.printing import decimal, percent, span
from crossgrain.names.values import frozen
from crossgrain.safety.facts import Demand, Facts, Intent, Known


class Severity(StrEnum):
    """`stop`: no series. `hold`: a series not to be started before a named act. `note`: shown."""

    STOP = "stop"
    HOLD = "hold"
    NOTE = "note"


@frozen
class Finding:
    """What a rule raises, or a verdict on an order.

    Attributes
    ----------
    code : our own code for the rule, e.g. ``t3-above-75``
    title : what it is of, in a few words, as a list names it
    severity : stop, hold or note
    statement : what was found, one sentence, with its numbers
    action : what to do, or what would lift it
    origins : handles of the resources that raised it (references or FHIRPaths)
    source : on whose word
    instruction : what the dosage text of every proposed order must also say, or empty
    act : what is to be done on a day of the plan, or empty
    day : that day; day 0 is the plan's first
    """

    code: str
    title: str
    severity: Severity
    statement: str
    action: str
    origins: tuple[str, ...]
    source: str
    instruction: str = ""
    act: str = ""
    day: int | None = None


_ORDER = {Severity.STOP: 0, Severity.HOLD: 1, Severity.NOTE: 2}


def most_severe_first(findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """Stops, then holds, then notes; the order within each is kept."""
    return tuple(sorted(findings, key=lambda finding: _ORDER[finding.severity]))


def any_stop(findings: Iterable[Finding]) -> bool:
    """Whether one of them stops a plan."""
    return any(finding.severity is Severity.STOP for finding in findings)


class SettledBy(StrEnum):
    """What of a visit after the first settles a hold by itself; the spelling of the rules file."""

    LOWERING = "lowering"  # labs call today's dose too much, and it comes down
    VISIT = "visit"  # the table of visits answers it, whatever its answer is


@frozen
class Later:
    """What a rule says at a visit after the first.

    Attributes
    ----------
    statement, action : templates; empty where the words of day one fit
    settled_by : what a visit does that settles the hold, or empty: it is then a note
    settled : what is to be done then, or empty where that is the action
    """

    statement: str = ""
    action: str = ""
    settled_by: str = ""
    settled: str = ""


AS_ON_DAY_ONE = Later()


@frozen
class Rule:
    """One entry of the rules file.

    Attributes
    ----------
    code, severity : as the finding carries them
    title, statement, action, source, instruction : templates; ``{name}`` is a number of the rule
        or, but for the title, what the predicate fills in, ``{begin}`` what waits for the act
    needs : the data without which the rule cannot be called checked
    checks_for : a template of what it looks for, in plain words; empty where it needs nothing
    when : the gate that opens it, e.g. ``t3-target``
    keys : the conditions, medicines or allergies that it looks for
    demands : what it asks of the planner
    numbers : its thresholds
    act : what is to be done on the day that the predicate names, or empty
    checks : what is to be measured besides thyroid labs, and when it is due: see `checks`
    baseline : what it asks of the labs before day one, or empty: see `checks.BaselineNeed`
    later : what it says at a visit after the first
    """

    code: str
    title: str
    severity: Severity
    statement: str
    action: str
    source: str
    needs: tuple[str, ...] = ()
    checks_for: str = ""
    when: str = "always"
    keys: frozenset[str] = frozenset()
    demands: frozenset[Demand] = frozenset()
    instruction: str = ""
    numbers: Mapping[str, Number] = field(default_factory=dict)
    act: str = ""
    checks: Mapping[str, str] = field(default_factory=dict)
    baseline: str = ""
    later: Later = AS_ON_DAY_ONE

    def number(self, name: str) -> Fraction:
        """A threshold's value."""
        return self.numbers[name].value

    @property
    def looked_for(self) -> str:
        """What goes unchecked where its data are missing, in plain words."""
        return self.checks_for.format(**texts(self.numbers))


@frozen
class Missing:
    """What is said when a datum that rules need is not in the record."""

    need: str
    title: str
    severity: Severity
    statement: str
    action: str
    source: str
    numbers: Mapping[str, Number] = field(default_factory=dict)
    checks: Mapping[str, str] = field(default_factory=dict)
    baseline: str = ""
    instruction: str = field(default="", init=False)
    act: str = field(default="", init=False)
    later: Later = field(default=AS_ON_DAY_ONE, init=False)

    @property
    def code(self) -> str:
        """The code of the finding that lists what was not checked."""
        return f"not-checked-{self.need}"

    def number(self, name: str) -> Fraction:
        """A threshold's value."""
        return self.numbers[name].value


@frozen
class RuleTable:
    """The rules file, checked.

    Attributes
    ----------
    before, after : the rules asked of the patient and the move, and of the plan, by code
    missing : what is said when a datum is not there, by need
    verdicts : what is said of a draft order, by verdict
    judgement : the numbers behind the verdicts
    """

    before: Mapping[str, Rule]
    after: Mapping[str, Rule]
    missing: Mapping[str, Missing]
    verdicts: Mapping[str, Rule]
    judgement: Mapping[str, Number]


def rule_of(finding: Finding, rules: RuleTable) -> Rule | Missing | None:
    """The entry that a finding was raised by; ``None`` for one on an order."""
    missing = (entry for entry in rules.missing.values() if entry.code == finding.code)
    return rules.before.get(finding.code) or rules.after.get(finding.code) or next(missing, None)


@frozen
class RuleCase:
    """What a rule looks at before there is a plan."""

    facts: Facts
    intent: Intent


@frozen
class PlanCase:
    """What a rule looks at once there is a plan; `slowly` is whether it must taper, see
    `Constraints`."""

    facts: Facts
    plan: Plan
    slowly: bool = False


@frozen
class Hit:
    """A predicate's yes: what fills the templates, where it was read, and the day of its act."""

    origins: tuple[str, ...] = ()
    fills: Mapping[str, str] = field(default_factory=dict)
    day: int | None = None


def worded(entry: Rule | Missing, code: str, hit: Hit, *, runs: bool = False) -> Finding:
    """A finding in the words of its entry, with every blank filled in.

    Where a plan runs, or a dose is adjusted, there is no first dose left to do it before: it is
    done before the next rise.
    """
    known = {"begin": _BEFORE[runs], **texts(entry.numbers), **hit.fills}
    later = entry.later if runs else AS_ON_DAY_ONE
    return Finding(
        code=code,
        title=titled(entry),
        severity=entry.severity,
        statement=_begun((later.statement or entry.statement).format(**known)),
        action=(later.action or entry.action).format(**known),
        origins=tuple(dict.fromkeys(hit.origins)),
        source=entry.source.format(**known),
        instruction=entry.instruction.format(**known),
        act=entry.act,
        day=hit.day,
    )


def _begun(sentence: str) -> str:
    return f"{sentence[:1].upper()}{sentence[1:]}"


_BEFORE = {False: "the first dose", True: "any dose is raised"}
"""What waits until the act is done: before a plan, and at a visit after the first."""


def in_general(entry: Rule | Missing, fills: Mapping[str, str]) -> str:
    """What an entry says of anyone, and its source; … stands for what only a record can fill in.

    >>> rule = Rule(
    ...     "fever", "Fever", Severity.NOTE, "{heat} is above {most} °C.", "", "from memory",
    ...     numbers={"most": Number("fever.most", Fraction(38), "°C", "fever above it", "memory")})
    >>> in_general(rule, {})
    '… is above 38 °C. Source: from memory'
    """
    known = defaultdict(lambda: "…", {"are": "is", **texts(entry.numbers), **fills})
    return f"{entry.statement} Source: {entry.source}".format_map(known)


def titled(entry: Rule | Missing) -> str:
    """What an entry is of, in a few words."""
    return entry.title.format(**texts(entry.numbers))


def texts(numbers: Mapping[str, Number]) -> dict[str, str]:
    """Thresholds as they are read; of days also ``{name_in_weeks}``, see `printing.span`."""
    plain = {
        name: percent(number.value) if number.unit == PARTS else decimal(number.value)
        for name, number in numbers.items()
    }
    spans = {f"{name}_in_weeks": span(n.days) for name, n in numbers.items() if n.days}
    return {**plain, **spans}


Predicate = Callable[[RuleCase, Rule], Hit | None]
PlanPredicate = Callable[[PlanCase, Rule], Hit | None]


def hit_on(found: tuple[Known, ...], **fills: str) -> Hit | None:
    """A hit that names what was found, or none where nothing was."""
    if not found:
        return None
    *names, last = dict.fromkeys(_in_words(known.key) for known in found)
    what = f"{', '.join(names)} and {last}" if names else last
    named = {"what": what, "are": "are" if names else "is"}
    return Hit(tuple(known.origin for known in found), {**named, **fills})


_CAPITALS = {"tsh": "TSH", "k": "K"}


def _in_words(key: str) -> str:
    """Our name for what was found, as it is written.

    >>> _in_words("vitamin-k-antagonist")
    'vitamin K antagonist'
    """
    return " ".join(_CAPITALS.get(word, word) for word in key.split("-"))


def listed(known: tuple[Known, ...] | None, keys: frozenset[str]) -> tuple[Known, ...]:
    """The active entries of a list that carry one of the keys."""
    return tuple(k for k in known or () if k.active and k.key in keys)


def condition_listed(case: RuleCase, rule: Rule) -> Hit | None:
    """The predicate of every rule that asks only for an active condition."""
    return hit_on(listed(case.facts.conditions, rule.keys))
