"""What a series of orders says of itself in its extension, and how that is read.

A series is never known by a label: an order is a step of it only where what it orders is what
it says of itself, and what it says agrees with the other orders of the same plan.

What is missing in it, stands twice, or is of another form than `series_extension` says makes it
no mark: the order that carries it is then judged as any other.
"""

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date
from fractions import Fraction
from itertools import pairwise
from typing import Any

from crossgrain.dosing.onward import Act
from crossgrain.dosing.plan import TOO_MUCH, LabReading, PriorTherapy
from crossgrain.dosing.regimens import Regimen
from crossgrain.dosing.targets import Combining, Mixture, Target, TargetDose
from crossgrain.names.errors import DomainError
from crossgrain.names.series_extension import MOST_ACTS, PARTS, SERIES_URL, ExtensionPart
from crossgrain.names.values import frozen
from crossgrain.reading.elements import Unreadable
from crossgrain.reading.quantities import exact

_WEEK = 7
Cycles = tuple[tuple[str, tuple[Fraction, ...]], ...]
"""Preparation id, and the amount of each day of the cycle in the preparation's unit."""


def cycles_of(regimen: Regimen) -> Cycles:
    """A regimen in short: daily and weekly lines of one preparation are added up day by day.

    The mean daily amount of each preparation, from which a plan is made, is unchanged.
    """
    added: dict[tuple[str, int], list[Fraction]] = {}
    for line in regimen:
        length = _WEEK if len(line.cycle) in {1, _WEEK} else len(line.cycle)
        days = line.cycle * (length // len(line.cycle))
        sums = added.setdefault((line.preparation.id, length), [Fraction(0)] * length)
        added[line.preparation.id, length] = [a + b for a, b in zip(sums, days, strict=True)]
    return tuple((key[0], _shortest(days)) for key, days in added.items())


def _shortest(days: list[Fraction]) -> tuple[Fraction, ...]:
    return tuple(days[:1]) if len(set(days)) == 1 else tuple(days)


@frozen
class ActTaken:
    """What a visit after the first ended with.

    Attributes
    ----------
    day : of the visit
    act, reason : what was done and for what, as the table of the next step names them
    reading : which branch, where one was taken
    """

    day: date
    act: Act
    reason: str
    reading: LabReading | None = None


def acts_after(acts: Sequence[ActTaken], act: ActTaken) -> tuple[ActTaken, ...]:
    """What a series tells of its visits after one more, the oldest first.

    There is room for few. That the course was turned back, what the last two labs decided, and the
    last time that labs called a dose too much come first; that it went on as planned is told of the
    last visit alone.
    """
    told = [*(one for one in acts if one.act is not Act.CONTINUE), act]
    last_first = list(reversed(range(len(told))))
    back = [n for n in last_first if told[n].act is Act.TURN_BACK][:1]
    decided = [n for n in last_first if told[n].act is Act.BRANCH][:2]
    much = [n for n in last_first if told[n].reading in TOO_MUCH][:1]
    kept = list(dict.fromkeys([len(told) - 1, *back, *decided, *much, *last_first]))[:MOST_ACTS]
    return tuple(told[n] for n in sorted(kept))


@frozen
class SeriesFacts:
    """What every order of one plan says of the plan: enough to compute its checkpoint again.

    Attributes
    ----------
    plan_id : the plan's
    original : what was taken before day one, see `cycles_of`
    target, basis_id, pace, prior_therapy, mixture, family : what the plan was made with
    most_generous : LT4 started at no less than the most generous sourced target (pregnancy)
    day_one, decision : the first day, and the day on which the checkpoint's labs decide
    checkpoint : the dose at which the climb waits
    need : need factor on the original dose; 1 where none was set
    tables : which charts and tablets it was computed from
    lt3_doses, weekly, another_product : options that it was made with
    too_much_weighs, too_little_weighs : what its taper leaned away from
    titration : the dose of what is taken is adjusted, so that there is no checkpoint of a move
    acts : what the visits since then ended with, the oldest first
    """

    plan_id: str
    original: Cycles
    target: Target
    basis_id: str
    pace: str
    prior_therapy: PriorTherapy
    mixture: Mixture
    family: str
    most_generous: bool
    day_one: date
    decision: date
    checkpoint: TargetDose
    need: Fraction
    tables: str
    lt3_doses: int | None = None
    weekly: bool = False
    another_product: bool = False
    too_much_weighs: bool = False
    too_little_weighs: bool = False
    titration: bool = False
    acts: tuple[ActTaken, ...] = ()


@frozen
class OrderedDose:
    """What one instruction of an order says.

    Attributes
    ----------
    daily : amount of the order's product a day, in the preparation's unit
    times_a_day : in how many equal doses; what is taken at bedtime in another amount than in the
        morning is an instruction of its own
    first_day, last_day : both included
    """

    daily: Fraction
    times_a_day: int
    first_day: date
    last_day: date


@frozen
class OrderedStep:
    """What one order of a series says that it orders: one product, for one step or several.

    Attributes
    ----------
    step, steps : which step of how many its first day opens
    branch : the branch of the checkpoint that it belongs to, or empty for the series
    preparation_id, strength : the product, in the preparation's unit
    doses : one for each of its instructions, in their order
    """

    step: int
    steps: int
    branch: str
    preparation_id: str
    strength: Fraction
    doses: tuple[OrderedDose, ...]

    @property
    def first_day(self) -> date:
        """The day on which it begins."""
        return self.doses[0].first_day

    @property
    def last_day(self) -> date:
        """The last day that it is meant for."""
        return self.doses[-1].last_day


@frozen
class PlannedLine:
    """What a plan has of one product line, whether or not an order is for it.

    Attributes
    ----------
    preparation_id : the line
    first_day : the first day of the steps
    doses : from which day on, counted from `first_day`, how much a day, in its unit; the first is 0
    end : the day after the steps, counted alike
    """

    preparation_id: str
    first_day: date
    doses: tuple[tuple[int, Fraction], ...]
    end: int


@frozen
class SeriesMark:
    """What one resource of a series carries.

    `ordered` is ``None`` on the plan itself; `planned` is what its steps come to, on it alone.
    """

    facts: SeriesFacts
    ordered: OrderedStep | None = None
    planned: tuple[PlannedLine, ...] = ()


_AMOUNT = r"\d{1,6}(?:\.\d{1,6}|/[1-9]\d{0,5})?"
_CYCLE = re.compile(rf"{_AMOUNT}(?: {_AMOUNT}){{0,365}}", re.ASCII)
_DOSE = re.compile(rf"({_AMOUNT}) ([1-9]) (\d{{4}}-\d\d-\d\d) (\d{{4}}-\d\d-\d\d)", re.ASCII)
_PLANNED = re.compile(
    rf"([a-z0-9-]{{1,40}}) (\d{{4}}-\d\d-\d\d)((?: \d{{1,4}}:{_AMOUNT}){{1,60}}) (\d{{1,4}})",
    re.ASCII,
)
_ACT = re.compile(
    r"(\d{4}-\d\d-\d\d) ([a-z-]{1,20}) ([a-z0-9-]{1,40})(?: ([a-z0-9-]{1,40}))?", re.ASCII
)
LEANING = {"too-much": "too_much_weighs", "too-little": "too_little_weighs"}
"""What a taper may lean away from, and the fact that says so."""
Read = Mapping[str, Any]


class _Unlike(ValueError):
    """It is not as we write it."""


def mark_in(extensions: object, combining: Combining) -> SeriesMark | None:
    """What a resource's extensions say of a series of ours; ``None`` where nothing sound."""
    ours = _ours(extensions)
    if len(ours) != 1:
        return None
    try:
        return _mark(_parts(ours[0], PARTS), combining)
    except (_Unlike, Unreadable, ValueError, TypeError, DomainError):
        return None


def says_its_series(extensions: object) -> bool:
    """Whether a resource's extensions say anything of a series of ours, sound or not."""
    return bool(_ours(extensions))


def _ours(extensions: object) -> list[dict[str, Any]]:
    return [
        each
        for each in (extensions if isinstance(extensions, list | tuple) else ())
        if isinstance(each, dict) and each.get("url") == SERIES_URL
    ]


def any_marked(resources: Iterable[Mapping[str, Any]], combining: Combining) -> bool:
    """Whether some resource says of itself that it is of a series of ours."""
    return any(mark_in(resource.get("extension"), combining) for resource in resources)


def _parts(extension: Mapping[str, Any], known: tuple[ExtensionPart, ...]) -> dict[str, Any]:
    """The values of an extension's parts by name; a list where a part may stand repeatedly."""
    inner = extension.get("extension")
    if not isinstance(inner, list) or not all(isinstance(each, dict) for each in inner):
        raise _Unlike
    found: dict[object, list[dict[str, Any]]] = {part.name: [] for part in known}
    for each in inner:
        url = each.get("url")
        if not isinstance(url, str) or url not in found:
            raise _Unlike
        found[url].append(each)
    return {part.name: _of_part(part, found[part.name]) for part in known}


def _of_part(part: ExtensionPart, found: list[dict[str, Any]]) -> Any:
    most = len(found) if part.maximum == "*" else int(part.maximum)
    if not part.minimum <= len(found) <= most:
        raise _Unlike
    values = [
        _parts(each, part.parts) if part.parts else each.get(part.value_key) for each in found
    ]
    if any(value is None for value in values):
        raise _Unlike
    if part.maximum != "1":
        return values
    return values[0] if values else None


def _mark(read: Read, combining: Combining) -> SeriesMark:
    facts = SeriesFacts(
        plan_id=_text(read["plan"]),
        original=tuple(
            (_text(line["preparation"]), _days(_text(line["cycle"]))) for line in read["original"]
        ),
        target=Target(read["target"]),
        basis_id=_text(read["basis"]),
        pace=_text(read["pace"]),
        prior_therapy=PriorTherapy(read["prior-therapy"]),
        mixture=combining.mixture(**dict(_mixture(read))),
        family=_text(read["desiccated-family"]),
        most_generous=_flag(read["most-generous"]),
        day_one=date.fromisoformat(_text(read["day-one"])),
        decision=date.fromisoformat(_text(read["decision"])),
        checkpoint=TargetDose(
            _amount(read["checkpoint"]["levothyroxine"]),
            _amount(read["checkpoint"]["liothyronine"]),
            _number(0 if (grains := read["checkpoint"]["grains"]) is None else grains),
        ),
        need=_number(read["need"]),
        tables=_text(read["tables"]),
        lt3_doses=None if read["lt3-doses"] is None else _count(read["lt3-doses"]),
        weekly=_flag(read["weekly-pattern"]),
        another_product=_flag(read["another-product"]),
        **_leaning(read["leaning"]),
        titration=_flag(read["titration"]),
        acts=tuple(_act(_text(act)) for act in read["act"]),
    )
    planned = tuple(_planned(_text(line)) for line in read["planned"])
    return SeriesMark(facts, _ordered(read) if read["order"] else None, planned)


def _mixture(read: Read) -> Iterator[tuple[str, Any]]:
    if read["ratio"] is not None:
        yield "ratio", _number(read["ratio"])
    if _flag(read["guideline"]):
        yield "guideline", True
    if read["t3-share"] is not None:
        yield "t3_share", _number(read["t3-share"])


def _leaning(codes: Sequence[object]) -> dict[str, bool]:
    if len(set(map(_text, codes))) < len(codes) or not set(codes) <= LEANING.keys():
        raise _Unlike
    return {LEANING[_text(code)]: True for code in codes}


def _planned(written: str) -> PlannedLine:
    found = _PLANNED.fullmatch(written)
    if not found:
        raise _Unlike
    preparation_id, first, changes, end = found.groups()
    pairs = (change.split(":") for change in changes.split())
    doses = tuple((int(day), Fraction(amount)) for day, amount in pairs)
    days = [*(day for day, _ in doses), int(end)]
    if days[0] or any(later <= earlier for earlier, later in pairwise(days)):
        raise _Unlike
    return PlannedLine(preparation_id, date.fromisoformat(first), doses, int(end))


def _act(written: str) -> ActTaken:
    found = _ACT.fullmatch(written)
    if not found:
        raise _Unlike
    day, act, reason, reading = found.groups()
    taken = ActTaken(
        date.fromisoformat(day), Act(act), reason, LabReading(reading) if reading else None
    )
    if (taken.act is Act.BRANCH) != (taken.reading is not None):
        raise _Unlike
    return taken


def _ordered(read: Read) -> OrderedStep:
    order = read["order"]
    return OrderedStep(
        step=_count(read["step"]),
        steps=_count(read["steps"]),
        branch="" if read["branch"] is None else _text(read["branch"]),
        preparation_id=_text(order["preparation"]),
        strength=_amount(order["strength"]),
        doses=tuple(_dose(_text(dose)) for dose in order["dose"]),
    )


def _dose(written: str) -> OrderedDose:
    found = _DOSE.fullmatch(written)
    if not found:
        raise _Unlike
    daily, times, first, last = found.groups()
    return OrderedDose(
        Fraction(daily), int(times), date.fromisoformat(first), date.fromisoformat(last)
    )


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise _Unlike
    return value


def _flag(value: object) -> bool:
    if value is not None and not isinstance(value, bool):
        raise _Unlike
    return bool(value)


def _number(value: object) -> Fraction:
    return exact(value, SERIES_URL)


def _days(cycle: str) -> tuple[Fraction, ...]:
    if not _CYCLE.fullmatch(cycle):
        raise _Unlike
    return tuple(map(Fraction, cycle.split()))


def _count(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise _Unlike
    return value


def _amount(quantity: object) -> Fraction:
    if quantity is None:
        return Fraction(0)
    if not isinstance(quantity, dict):
        raise _Unlike
    return _number(quantity.get("value"))
