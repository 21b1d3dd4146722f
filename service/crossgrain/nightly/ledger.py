"""Every answer of a run, read once: counts, what needs review, and flags in worklist order."""

from bisect import bisect_left
from collections import Counter
from collections.abc import Container, Iterator
from dataclasses import dataclass, field
from datetime import date
from fractions import Fraction
from pathlib import Path

from crossgrain.nightly.answers import DECODE, Answer, FlagLine
from crossgrain.screening.course import ScreeningOutcome

RATIO_STEPS = tuple(Fraction(step, 10) for step in range(3, 21))
"""Upper ends (not included) of the classes of dose ratio; the last class has none."""
TSH_STEPS = tuple(map(Fraction, ("0.1", "0.4", "1", "2", "3", "4", "6", "10", "20", "50")))
"""Upper ends (not included) of the classes of TSH after a switch."""


@dataclass(slots=True)
class Counts:
    """What the answers add up to.

    Attributes
    ----------
    outcomes : patients by outcome
    flags : code → grade → how many
    left_out : flags of switches before ``--since``
    ratios : basis → switched patients per class of `RATIO_STEPS`
    tsh : switched patients per class of `TSH_STEPS`
    """

    outcomes: Counter[str] = field(default_factory=Counter)
    flags: dict[str, Counter[str]] = field(default_factory=dict)
    left_out: int = 0
    ratios: dict[str, list[int]] = field(default_factory=dict)
    tsh: list[int] = field(default_factory=lambda: [0] * (len(TSH_STEPS) + 1))


@dataclass(frozen=True, slots=True, order=True)
class _Place:
    """Where a flag stands in the files; sorts as the worklist does."""

    rank: tuple[float, ...]
    patient: str
    code: str
    number: int
    file: Path
    offset: int


class Ledger:
    """The answers of a run, which lie in one file per bucket.

    Only the places of flags are held in memory; the words are read again to be written.

    Attributes
    ----------
    counts : what the answers add up to
    watched : the answers of those patients that had a flag on an earlier night
    """

    def __init__(self, judged: Path, *, since: date | None, watch: Container[str]) -> None:
        self.counts = Counts()
        self.watched: dict[str, Answer] = {}
        self._flags: list[_Place] = []
        self._reviews: list[tuple[str, Path, int]] = []
        for path in sorted(judged.glob("*.ndjson")):
            self._enter_file(path, since, watch)
        self._flags.sort()
        self._reviews.sort()

    def flags(self) -> Iterator[tuple[str, FlagLine]]:
        """Every flag with its patient: the most certain and pressing first."""
        for place in self._flags:
            yield place.patient, _answer_at(place.file, place.offset).flags[place.number]

    def reviews(self) -> Iterator[Answer]:
        """Every patient whose record cannot be read with certainty, by reference."""
        for _, path, offset in self._reviews:
            yield _answer_at(path, offset)

    def _enter_file(self, path: Path, since: date | None, watch: Container[str]) -> None:
        offset = 0
        with path.open("rb") as file:
            for line in file:
                answer = DECODE(line)
                self._count(answer)
                if answer.outcome is ScreeningOutcome.NEEDS_REVIEW:
                    self._reviews.append((answer.patient, path, offset))
                if answer.patient in watch:
                    self.watched[answer.patient] = answer
                for number, flag in enumerate(answer.flags):
                    self._enter_flag(flag, _place(answer, flag, number, path, offset), since)
                offset += len(line)

    def _enter_flag(self, flag: FlagLine, place: _Place, since: date | None) -> None:
        if since is not None and flag.switched_on < since:
            self.counts.left_out += 1
            return
        self._flags.append(place)
        self.counts.flags.setdefault(flag.code, Counter())[flag.grade] += 1

    def _count(self, answer: Answer) -> None:
        counts = self.counts
        counts.outcomes[answer.outcome] += 1
        for basis, ratio in answer.ratios.items():
            classes = counts.ratios.setdefault(basis, [0] * (len(RATIO_STEPS) + 1))
            classes[_class_of(Fraction(ratio), RATIO_STEPS)] += 1
        if answer.tsh_after is not None:
            counts.tsh[_class_of(Fraction(answer.tsh_after), TSH_STEPS)] += 1


def _place(answer: Answer, flag: FlagLine, number: int, path: Path, offset: int) -> _Place:
    return _Place(tuple(flag.rank), answer.patient, flag.code, number, path, offset)


def _class_of(value: Fraction, steps: tuple[Fraction, ...]) -> int:
    """The class whose upper end is the first above the value.

    >>> _class_of(Fraction(1), (Fraction(1), Fraction(2)))
    1
    """
    place = bisect_left(steps, value)
    return place + (place < len(steps) and steps[place] == value)


def _answer_at(path: Path, offset: int) -> Answer:
    with path.open("rb") as file:
        file.seek(offset)
        return DECODE(file.readline())
