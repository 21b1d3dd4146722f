"""Tonight's flags beside those of earlier nights: raised, still found, carried, or closed.

=================================================  ========================================
found tonight, and open on an earlier night         the same issue, with its first date
found tonight, not open before                      raised
open before, its patient read, not found            closed, with the reason
open before, its patient not read with certainty
or not in the export                                carried as it was
open before, not found, and the export not whole
or without what the flag rests on                   carried in doubt
closed before, not found                            kept as it was
=================================================  ========================================
"""

from collections import Counter
from collections.abc import Container, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from fractions import Fraction
from pathlib import Path
from typing import Any

import msgspec

from crossgrain.names.identity import FhirVersion
from crossgrain.nightly.judging import DECODE, Answer, FlagLine
from crossgrain.nightly.plan import RunRefused, Worklist
from crossgrain.nightly.workdir import ENTRIES, ISSUES, REPORT
from crossgrain.reading.resolve import local
from crossgrain.screening.course import ScreeningOutcome
from crossgrain.screening.limits import Limits
from crossgrain.writing.issues import (
    closed_entry,
    closed_issue,
    detected_issue,
    entry_id,
    issue_id,
    review_task,
    worklist_flag,
)


def dose_class(ratio: Fraction, limits: Limits) -> int:
    """Where a dose ratio lies: 0 too low, 1 within the limits, 2 too high; at a limit, within."""
    return 1 - (ratio < limits.ratio_under) + (ratio > limits.ratio_over)


def tsh_class(tsh: Fraction, limits: Limits) -> int:
    """Where a TSH lies: 0 suppressed, 1 low, 2 in the usual range, 3 high, 4 frankly high."""
    return (
        (tsh >= limits.tsh_suppressed)
        + (tsh >= limits.tsh_low)
        + (tsh > limits.tsh_high)
        + (tsh >= limits.tsh_frankly_high)
    )


@dataclass(slots=True)
class Counts:
    """What the answers add up to.

    Attributes
    ----------
    outcomes : patients by outcome
    flags : code → grade → how many
    left_out : flags of switches before ``--since``
    urgencies : urgency → how many flags
    ratios : basis → switched patients per `dose_class`
    tsh : switched patients per `tsh_class`
    """

    outcomes: Counter[str] = field(default_factory=Counter)
    flags: dict[str, Counter[str]] = field(default_factory=dict)
    left_out: int = 0
    urgencies: Counter[str] = field(default_factory=Counter)
    ratios: dict[str, list[int]] = field(default_factory=dict)
    tsh: list[int] = field(default_factory=lambda: [0] * 5)


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
    limits : what they are counted by
    watched : the answers of those patients that had a flag on an earlier night
    """

    def __init__(
        self, judged: Path, *, since: date | None, watch: Container[str], limits: Limits
    ) -> None:
        self.limits = limits
        self.counts = Counts()
        self.watched: dict[str, Answer] = {}
        self._flags: list[_Place] = []
        self._reviews: list[tuple[str, Path, int]] = []
        for path in sorted(judged.glob("*.ndjson")):
            self._enter_file(path, since, watch)
        self._flags.sort()
        self._reviews.sort()

    def flags(self) -> Iterator[tuple[Answer, FlagLine]]:
        """Every flag with its patient's answer: the most pressing and certain first."""
        for place in self._flags:
            answer = _answer_at(place.file, place.offset)
            yield answer, answer.flags[place.number]

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
        self.counts.urgencies[flag.urgency] += 1

    def _count(self, answer: Answer) -> None:
        counts = self.counts
        counts.outcomes[answer.outcome] += 1
        for basis, ratio in answer.ratios.items():
            classes = counts.ratios.setdefault(basis, [0] * 3)
            classes[dose_class(Fraction(ratio), self.limits)] += 1
        if answer.tsh_after is not None:
            counts.tsh[tsh_class(Fraction(answer.tsh_after), self.limits)] += 1


def _place(answer: Answer, flag: FlagLine, number: int, path: Path, offset: int) -> _Place:
    return _Place(tuple(flag.rank), answer.patient, flag.code, number, path, offset)


def _answer_at(path: Path, offset: int) -> Answer:
    with path.open("rb") as file:
        file.seek(offset)
        return DECODE(file.readline())


Resource = dict[str, Any]
_KIND_OF_ENTRY = {Worklist.TASK: "Task", Worklist.FLAG: "Flag"}


class Earlier:
    """What the last night's outputs held.

    Attributes
    ----------
    measure : how many resources of each type there were, or ``None`` where no report tells
    """

    def __init__(self, folder: Path) -> None:
        """
        Raises
        ------
        RunRefused
            where they are not as a run writes them.
        """
        self.issues = _by_id(folder / ISSUES)
        entries = (_by_id(folder / name) for name in ENTRIES.values())
        self.entries = {own_id: entry for found in entries for own_id, entry in found.items()}
        self.measure = _measured(folder / REPORT)

    def watch(self) -> dict[str, tuple[str, ...]]:
        """The patients with an issue, and what of theirs the open ones rest on."""
        found: dict[str, dict[str, None]] = {}
        for issue in self.issues.values():
            evidence = found.setdefault(patient_of(issue), {})
            if issue["status"] == "preliminary":
                evidence.update(dict.fromkeys(_rests_on(issue)))
        return {patient: tuple(evidence) for patient, evidence in found.items()}


def _rests_on(issue: Resource) -> Iterator[str]:
    for reference in issue.get("implicated", ()):
        name = local(reference["reference"])
        if name.count("/") == 1:
            yield name


class _Told(msgspec.Struct):
    """What a report says that the next night is held against."""

    resources: dict[str, int]
    measure: dict[str, int] | None = None


def _measured(report: Path) -> dict[str, int] | None:
    try:
        told = msgspec.json.decode(report.read_bytes(), type=_Told)
    except (FileNotFoundError, msgspec.DecodeError, UnicodeDecodeError):
        return None
    return told.resources if told.measure is None else told.measure


def _by_id(path: Path) -> dict[str, Resource]:
    if not path.is_file():
        return {}
    found: dict[str, Resource] = {}
    for number, line in enumerate(path.read_bytes().splitlines(), start=1):
        try:
            resource = msgspec.json.decode(line)
            found[resource["id"]] = resource
        except (msgspec.DecodeError, UnicodeDecodeError, KeyError, TypeError):
            raise RunRefused(
                f"{path.name}, line {number}: the last night's own output cannot be read; put it"
                " back as it was, or take all of them away to begin anew"
            ) from None
    return found


def patient_of(issue: Resource) -> str:
    """Whose a DetectedIssue is, in either version."""
    reference: str = (issue.get("patient") or issue["subject"])["reference"]
    return reference


@dataclass(slots=True)
class Night:
    """What one night writes.

    Attributes
    ----------
    whole : the export could be read whole, so what is not found is gone
    counts : how many issues were raised, found again, carried and closed
    """

    deployment: str
    as_of: date
    version: FhirVersion
    worklist: Worklist
    whole: bool
    earlier: Earlier
    counts: Counter[str] = field(default_factory=Counter)

    def written(self, ledger: Ledger) -> Iterator[tuple[Resource, Resource | None]]:
        """Each DetectedIssue with its entry of the worklist: tonight's, then earlier ones."""
        seen: set[str] = set()
        for answer, flag in ledger.flags():
            patient, found_on = answer.patient, self.found_on(answer.patient, flag)
            self.counts["raised" if found_on is None else "found again"] += 1
            issue = detected_issue(
                patient,
                flag,
                deployment=self.deployment,
                found_on=found_on or self.as_of,
                version=self.version,
            )
            seen.add(issue["id"])
            yield issue, self._entry(patient, flag, issue)
        for own_id in sorted(set(self.earlier.issues) - seen):
            issue = self.earlier.issues[own_id]
            yield self._not_found(issue, ledger.watched)

    def found_on(self, patient: str, flag: FlagLine) -> date | None:
        """The night on which an open flag was first found; ``None`` where it is new."""
        before = self.earlier.issues.get(issue_id(self.deployment, patient, flag))
        if before is None or before["status"] != "preliminary":
            return None
        return date.fromisoformat(before["identifiedDateTime"])

    def _entry(self, patient: str, flag: FlagLine, issue: Resource) -> Resource | None:
        found_on = date.fromisoformat(issue["identifiedDateTime"])
        match self.worklist:
            case Worklist.TASK:
                return review_task(patient, flag, issue, found_on=found_on)
            case Worklist.FLAG:
                return worklist_flag(patient, flag, issue, found_on=found_on)
            case Worklist.NONE:
                return None

    def _not_found(
        self, issue: Resource, watched: Mapping[str, Answer]
    ) -> tuple[Resource, Resource | None]:
        entry = self._earlier_entry(issue)
        if issue["status"] != "preliminary":
            self.counts["closed before"] += 1
            return issue, entry
        answer = watched.get(patient_of(issue))
        settled = _settles(answer, issue, self.deployment)
        if (settled and not self.whole) or (answer is not None and answer.lost):
            self.counts["carried in doubt"] += 1
            return issue, entry
        if not settled:
            self.counts["carried"] += 1
            return issue, entry
        self.counts["closed"] += 1
        why = f"Not found on {self.as_of.isoformat()}: {_reason(answer)}."
        closed = closed_issue(issue, closed_on=self.as_of, why=why, version=self.version)
        if entry is not None:
            entry = closed_entry(entry, closed_on=self.as_of, why=why, version=self.version)
        return closed, entry

    def _earlier_entry(self, issue: Resource) -> Resource | None:
        kind = _KIND_OF_ENTRY.get(self.worklist)
        return self.earlier.entries.get(entry_id(issue["id"], kind)) if kind else None


def _settles(answer: Answer | None, issue: Resource, deployment: str) -> bool:
    """Whether tonight's answer shows that the issue is gone."""
    if answer is None or answer.outcome is ScreeningOutcome.NEEDS_REVIEW:
        return False
    found = {issue_id(deployment, answer.patient, flag) for flag in answer.flags}
    return issue["id"] not in found


def _reason(answer: Answer | None) -> str:
    assert answer is not None  # what is closed was settled by an answer
    if answer.outcome is ScreeningOutcome.FLAGGED:
        return "the record now shows another finding"
    return answer.why or answer.outcome.replace("-", " ")
