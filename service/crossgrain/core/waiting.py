"""A plan that runs and waits for somebody: what the nightly screening says of it.

A night reads less of a record than a visit does: of the results TSH and free T4 alone, and nothing
of how the patient feels. So it looks at no more than that wherever it is asked, and never says what
is to be done of a dose: that is for the next step, which reads everything.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from crossgrain.catalogue import Catalogue
from crossgrain.core.proposal import SwitchRequest
from crossgrain.core.running import RunningSeries
from crossgrain.core.standing import Standing, UnknownStanding, standing_of
from crossgrain.dosing.regimens import Regimen
from crossgrain.dosing.targets import TARGET_OF
from crossgrain.names.errors import DomainError
from crossgrain.names.values import frozen
from crossgrain.reading.door import Look
from crossgrain.reading.elements import Unreadable
from crossgrain.reading.reader import doses_as_told, read_record
from crossgrain.reading.record import Record
from crossgrain.reading.series_mark import any_marked
from crossgrain.safety.facts import Analyte, Facts, Measurement
from crossgrain.safety.results import has_goal, is_below, is_central, is_pregnant
from crossgrain.safety.visit import Alarm, LabsSay, Position, Visit, decide
from crossgrain.screening.course import (
    Aim,
    Flag,
    FlagCode,
    FlagEvidence,
    FlagGrade,
    FlagSummary,
    Screened,
    ScreeningOutcome,
    Urgency,
)
from crossgrain.screening.writing import act_words, on, regimen_words, result_words

_READ_AT_NIGHT = {Analyte.TSH, Analyte.FREE_T4}
_NOT_ASKED = {ScreeningOutcome.DECEASED, ScreeningOutcome.NEEDS_REVIEW}
_SOURCE = "The plan's own dates. After how many days it is listed is our judgement."


def with_plan(
    screened: Screened, bundle: Mapping[str, Any], look: Look, catalogue: Catalogue
) -> Screened:
    """The same answer, with what a plan of ours waits for where one runs.

    Where it cannot be told where the patient stands in it, the answer is left as it is. A record
    in which nothing carries our extension is not read again.

    Parameters
    ----------
    screened : what a past switch was judged as, of the same record
    bundle, look : the record, as `open_record` takes it
    """
    resources = (entry.get("resource") or {} for entry in bundle.get("entry", ()))
    if screened.outcome in _NOT_ASKED or not any_marked(resources, catalogue.policy.combining):
        return screened
    try:
        standing = _standing(dict(bundle), look, catalogue)
    except (DomainError, Unreadable):  # what reaches no chart or limit here is for a visit to say
        return screened
    if not isinstance(standing, Standing) or standing.series is None:
        return screened
    found = list(_waits(standing, standing.series, catalogue))
    if not found:
        return screened
    overdue = any(flag.code is FlagCode.LABS_OVERDUE for flag in found)
    other = [f for f in screened.flags if not (overdue and f.code is FlagCode.NO_TSH)]
    flags = sorted((*other, *found), key=lambda flag: flag.rank)  # one fact is said once
    return replace(screened, outcome=ScreeningOutcome.FLAGGED, flags=tuple(flags))


def _standing(
    bundle: dict[str, Any], look: Look, catalogue: Catalogue
) -> Standing | UnknownStanding:
    record = read_record(bundle, **look)
    history = doses_as_told(bundle, **look)
    request = SwitchRequest(
        as_of=record.as_of,
        start=record.as_of,
        mixture=catalogue.policy.combining.mixture(),
    )
    seen = replace(record, facts=_as_at_night(record.facts))
    return standing_of(seen, history, (), request, catalogue)


def _as_at_night(facts: Facts) -> Facts:
    measured = facts.measurements
    kept = None if measured is None else tuple(m for m in measured if m.analyte in _READ_AT_NIGHT)
    return replace(facts, measurements=kept, medicines=(), reported=(), answered_no=(), missed=())


def _waits(standing: Standing, series: RunningSeries, catalogue: Catalogue) -> Iterator[Flag]:
    """For what a plan waits: for labs, for somebody who answers them, for its next step."""
    limits, visit = catalogue.visits, standing.visit
    waiting = _Waiting(standing, series, catalogue)
    if visit.labs is LabsSay.OVERDUE and standing.labs_due is not None:
        yield waiting.flag(
            FlagCode.LABS_OVERDUE,
            said=f"labs were due on {waiting.on(standing.labs_due)}, and there are none",
            limit=f"listed more than {limits.overdue_days} days after that day",
        )
    elif _is_unanswered(standing, waiting, catalogue):
        yield waiting.flag(
            FlagCode.LABS_UNANSWERED,
            said=f"{waiting.results}; no visit has answered that",
            limit=f"listed {limits.unanswered_days} days after the draw; a TSH that is frankly high"
            " or suppressed at once",
            measured=standing.labs.found,
        )
    ends = _planned_to(standing)
    if ends is not None and -ends > limits.parked_days:
        yield waiting.flag(
            FlagCode.PARKED,
            said=f"step {standing.step} of {standing.steps} was to end on {waiting.on(ends)}, and"
            " its dose is still taken",
            limit=f"listed more than {limits.parked_days} days after that day",
        )


def _is_unanswered(standing: Standing, waiting: "_Waiting", catalogue: Catalogue) -> bool:
    """Whether results ask for an act, and somebody has had the time for it.

    Where nothing is taken any more they speak of no dose, and are not answered by that.
    """
    asks = decide(Visit(standing.visit.position, labs=standing.visit.labs), catalogue.decisions)
    if not standing.labs.found or (asks.changes_nothing and standing.record.regimen.lines):
        return False
    drawn = max(m.day for m in standing.labs.found if m.day is not None)
    return waiting.is_extreme or -drawn >= catalogue.visits.unanswered_days


def _planned_to(standing: Standing) -> int | None:
    """The planned last day of a step below the checkpoint that is still taken."""
    underway, step = standing.underway, standing.step
    if not underway.climbing or not step or step == standing.steps:
        return None
    return underway.planned[step - 1].last_day


@frozen
class _Waiting:
    """A plan that may wait for something: what a flag of it says."""

    standing: Standing
    series: RunningSeries
    catalogue: Catalogue

    @property
    def record(self) -> Record:
        return self.standing.record

    def on(self, day: int) -> str:
        return on(day, self.record.as_of)

    @property
    def results(self) -> str:
        return " and ".join(self._results(self.standing.labs.found))

    def _results(self, measured: Iterable[Measurement]) -> Iterator[str]:
        return (result_words(each, self.record.as_of) for each in measured)

    @property
    def is_extreme(self) -> bool:
        """Whether a TSH is frankly high or suppressed where TSH is the guide."""
        limits = self.catalogue.limits
        return not self.aims - {Aim.PREGNANCY} and any(
            (m.comparator not in {"<", "<="} and m.value >= limits.tsh_frankly_high)
            or is_below(m, limits.tsh_suppressed)
            for m in self.standing.labs.found
            if m.analyte is Analyte.TSH
        )

    @property
    def aims(self) -> frozenset[Aim]:
        facts = self.record.facts
        found = {
            Aim.CENTRAL: is_central(facts),
            Aim.PREGNANCY: is_pregnant(facts),
            Aim.SUPPRESSION: has_goal(facts) and not is_central(facts),
        }
        return frozenset(aim for aim, holds in found.items() if holds)

    def _urgency(self, code: FlagCode) -> Urgency:
        extreme = code is FlagCode.LABS_UNANSWERED and self.is_extreme
        if extreme or self.standing.visit.alarm is Alarm.PREGNANCY or Aim.PREGNANCY in self.aims:
            return Urgency.URGENT
        yearly = self.standing.visit.position is Position.MAINTENANCE
        return Urgency.ROUTINE if yearly else Urgency.SOON

    def flag(
        self, code: FlagCode, said: str, limit: str, measured: Sequence[Measurement] = ()
    ) -> Flag:
        """For what it waits, in words, with its evidence.

        Parameters
        ----------
        said : of the plan, what is due and not there
        limit : from when on that is listed
        measured : results that are back
        """
        facts = self.series.facts
        target = next(kinds for kinds, target in TARGET_OF.items() if target is facts.target)
        began = facts.day_one.isoformat()
        return Flag(
            code=code,
            grade=FlagGrade.OBSERVED,
            urgency=self._urgency(code),
            switched_on=facts.day_one,
            old_kinds=self.standing.underway.original.kinds,
            new_kinds=target,
            ratios={},
            aims=self.aims,
            statement=f"{_HEADINGS[code]}, {FlagGrade.OBSERVED}: of the plan that began on"
            f" {began}, {said}. {self._taken}.",
            arithmetic=(limit,),
            evidence=tuple(self._evidence(began, measured)),
            act=act_words(code, FlagGrade.OBSERVED, self.aims, self.catalogue.limits),
            source=_SOURCE,
            tsh_after=next((m.value for m in measured if m.analyte is Analyte.TSH), None),
            summary=FlagSummary(
                old_dose=f"{regimen_words(self.standing.underway.original)} a day",
                new_dose=f"{self._now} a day" if self._now else "nothing, by the record",
                result="; ".join(self._results(measured)),
                why=f"The plan began on {began}; {said}.",
            ),
        )

    @property
    def _now(self) -> str:
        lines = sorted(self.record.regimen, key=lambda line: line.preparation.id)
        return regimen_words(Regimen(tuple(lines)))

    @property
    def _taken(self) -> str:
        words = self._now
        return f"Taken now: {words} a day" if words else "By the record nothing is taken now"

    def _evidence(self, began: str, measured: Sequence[Measurement]) -> Iterator[FlagEvidence]:
        yield FlagEvidence(f"The plan that began on {began}", (self.series.reference,))
        taken = tuple(sorted(entry.reference for entry in self.record.current))
        yield FlagEvidence(self._taken, taken)
        for each, said in zip(measured, self._results(measured), strict=True):
            yield FlagEvidence(f"Since the last visit: {said}", self._named(each.origin))

    def _named(self, origin: str) -> tuple[str, ...]:
        """The resource at a path, or the one that it leads into."""
        named = zip(self.record.paths, self.record.references, strict=False)
        return tuple(name for path, name in named if f"{origin}.".startswith(f"{path}."))


_HEADINGS = {
    FlagCode.LABS_OVERDUE: "A plan waits for labs that are overdue",
    FlagCode.LABS_UNANSWERED: "A plan's labs are back, and wait for an answer",
    FlagCode.PARKED: "A plan is parked below its checkpoint",
}
