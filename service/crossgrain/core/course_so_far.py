"""How a course has gone until a visit: doses taken, place in the plan, labs, stock and supply.

Each is one look at the record, with a plan or without one; `standing` puts them together. What
cannot be told is asked, by FHIRPath; nothing is assumed of a dose.
"""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from fractions import Fraction

from crossgrain.catalogue import Catalogue
from crossgrain.core.proposal import DEFAULT_FAMILY, SwitchRequest
from crossgrain.core.propose import CAUTIOUS, at_home_in, family_in
from crossgrain.core.running import (
    RunningSeries,
    place_of,
    wish_of,
)
from crossgrain.core.visiting import (
    Since,
    course_alarm,
    doses_taken,
    missed_days,
    too_fast,
    turned_back,
)
from crossgrain.dosing.moves import ordered_amounts, ordered_as
from crossgrain.dosing.onward import Act, Dated
from crossgrain.dosing.plan import LabReading, PriorTherapy
from crossgrain.dosing.preparations import Kind
from crossgrain.dosing.regimens import Regimen
from crossgrain.dosing.targets import Target, TargetDose, dose_of
from crossgrain.dosing.wish import Wish
from crossgrain.names.printing import quantity
from crossgrain.names.values import frozen
from crossgrain.reading.record import MarkedOrder, MedicineEntry, Question, Record
from crossgrain.reading.series_mark import ActTaken, SeriesFacts
from crossgrain.safety import results
from crossgrain.safety.assess import before_plan, constraints
from crossgrain.safety.facts import T3_TARGETS, Analyte, Constraints, Intent
from crossgrain.safety.labs_since import DoseHeld, LabsRead, labs_since
from crossgrain.safety.results import is_pregnant
from crossgrain.safety.rule import Finding
from crossgrain.safety.visit import (
    Lateness,
    Position,
    Precedence,
    Stock,
    Visit,
)
from crossgrain.screening.course import DoseRun, Undecided
from crossgrain.screening.stretches import stretches_apart

_SPOKE_OF_LABS = {Precedence.LABS, Precedence.READING}
MOVES_ON = {Act.BRANCH, Act.TURN_BACK}
_NOT_TOLD = "What was taken cannot be told with certainty: {why} Which doses were taken, and when?"
_A_STEP = (
    "What is taken now is no combination that a move leads to, and was neither taken nor is it"
    " ordered for {days} days: it may be a step of a move. Is a move from one medicine to the other"
    " under way? Then give its plan (`plan`); else record for how long this dose is meant. One that"
    " is ordered for {days} days or more, or without an end, counts as a dose of its own."
)
_RECORD = "Bundle"
Doses = Mapping[str, Fraction]
"""The daily amount by product line, in its unit."""


def about_today(record: Record) -> str:
    """Where a question about the dose of today points: at what is taken now."""
    return record.current[0].path if record.current else _RECORD


class ToBeAnswered(Exception):
    """What must be answered first.

    Parameters
    ----------
    questions : by FHIRPath
    """

    def __init__(self, *questions: Question) -> None:
        super().__init__()
        self.questions = questions


@frozen
class StepToday:
    """Which of the planned steps today's dose is, from 1, and how that lies beside the dates."""

    step: int | None
    lateness: Lateness


@frozen
class CourseSoFar:
    """What every question of a visit looks at. `series` is ``None`` where no plan runs."""

    record: Record
    series: RunningSeries | None
    request: SwitchRequest
    catalogue: Catalogue
    target: Target | None = None
    beside: frozenset[Kind] = frozenset()

    @property
    def facts(self) -> SeriesFacts | None:
        return self.series.facts if self.series else None

    @property
    def _marked(self) -> tuple[MarkedOrder, ...]:
        return self.series.marked if self.series else ()

    @property
    def acts(self) -> tuple[ActTaken, ...]:
        return self.facts.acts if self.facts else ()

    @property
    def since(self) -> Since:
        """From the day after the last visit; without one, from day one."""
        if self.acts:
            return Since((self.acts[-1].day - self.record.as_of).days + 1)
        return Since(self.day_one)

    @property
    def day_one(self) -> int:
        """The first day of the plan; without one, of the year that is looked back on."""
        if self.facts is None:
            return -self.catalogue.visits.yearly_days
        return (self.facts.day_one - self.record.as_of).days

    def taken(self, history: Sequence[DoseRun] | Undecided) -> tuple[Dated, ...]:
        """What was really taken from day one to yesterday; a last dose goes on until today.

        What is in doubt is asked about. Where no plan runs pools begin at today's dose, so a doubt
        that ended before labs could speak of it is left behind, with what was taken before it.
        """
        if not self.record.regimen.lines and isinstance(history, Undecided):
            return ()  # that nothing is taken now is what is asked about
        if isinstance(history, Undecided):
            raise ToBeAnswered(*self._not_told(history))
        try:
            stretches = stretches_apart(history, self.catalogue.limits)
        except Undecided as undecided:
            return self.taken(undecided)
        dated: list[Dated] = []
        for stretch in stretches:
            first, last = max(stretch.first_day, self.day_one), min(stretch.last_day, -1)
            if first > last:
                continue
            if stretch.doubt and self.facts is None and last < -self._speaks_after:
                dated.clear()
                continue
            if stretch.doubt:
                raise ToBeAnswered(*self._not_told(Undecided(stretch.doubt, stretch.references)))
            dated.append(Dated.of(first, last, stretch.regimen))
        return tuple(self._without_missed(self._to_yesterday(dated)))

    @property
    def _speaks_after(self) -> int:
        """Days after which labs speak of a dose, and no longer of the one before."""
        return self.catalogue.policy.lab_wait_days

    def _not_told(self, undecided: Undecided) -> Iterator[Question]:
        why = undecided.reason.rstrip(".?") + "."
        places = [place_of(self.record, reference) for reference in undecided.references]
        for place in dict.fromkeys(places or [_RECORD]):
            yield Question(place, _NOT_TOLD.format(why=why))

    def _to_yesterday(self, dated: Sequence[Dated]) -> Iterator[Dated]:
        """The same, the last dose until yesterday where it counts as taken today."""
        yield from dated
        last = max((one.last_day for one in dated), default=None)
        if last is not None and last < -1 and self.record.regimen.lines and self._carried():
            yield Dated.of(last + 1, -1, self.record.regimen)

    def _carried(self) -> bool:
        """Whether what counts as taken today ended before it: the next order is not signed yet."""
        return all(
            entry.last_day is not None and entry.last_day < 0 for entry in self.record.current
        )

    def _without_missed(self, dated: Iterator[Dated]) -> Iterator[Dated]:
        """Without the days that the patient says were missed, where they were a week or more."""
        missed = missed_days(self.record.facts, self.since, self.catalogue.rules)
        said_on = max((m.day for m in self.record.facts.missed if m.day is not None), default=0)
        first = said_on - missed
        for one in dated:
            if missed < self.catalogue.visits.gap_days or one.last_day < first:
                yield one
                continue
            if one.first_day < first:
                yield replace(one, last_day=first - 1)
            if one.last_day >= said_on:
                yield replace(one, first_day=max(one.first_day, said_on))

    def doses(self, regimen: Regimen) -> Doses:
        """A regimen in the product lines that orders are made from."""
        products = self.catalogue.plans[self.family].tables.products
        return ordered_amounts(regimen, products)

    @property
    def family(self) -> str:
        """Of the plan, else of what is taken."""
        if self.facts:
            return self.facts.family
        return family_in(self.record.current) or self.request.desiccated_family or DEFAULT_FAMILY

    def is_climbing(self, checkpoint: TargetDose) -> bool:
        """Whether some medicine of the target has yet to reach its dose at the checkpoint."""
        now = dose_of(self.record.regimen)
        doses = zip(now.amounts, checkpoint.amounts, strict=True)
        return any(taken < wanted for taken, wanted in doses)

    def rises_after(self, to_come: Sequence[Dated]) -> bool:
        """Whether some medicine is to rise above today's dose in the steps after today's."""
        today = self.doses(self.record.regimen)
        return any(
            daily > today.get(key, Fraction(0))
            for one in to_come
            for key, daily in self.doses(one.regimen).items()
        )

    @property
    def decided(self) -> bool:
        """Whether labs have led on from the checkpoint, or a visit back from the plan."""
        return any(act.act in MOVES_ON for act in self.acts) or self._branch_begun()

    def position(self, *, rises: bool) -> Position:
        """Where in the plan; see `visit.Position`. A step back waits for labs like a checkpoint.

        Parameters
        ----------
        rises : whether a dose is to rise yet, on the way to the checkpoint or in a branch after it
        """
        branches = [act.reading for act in self.acts if act.act is Act.BRANCH]
        if rises:
            return Position.CLIMB
        if branches[-2:] == [LabReading.IN_RANGE] * 2:
            return Position.MAINTENANCE
        if self.decided:
            return Position.AFTER
        return Position.NONE if self.facts is None or self.facts.titration else Position.WAITING

    def _branch_begun(self) -> bool:
        """Whether an order of one of the checkpoint's options was signed and has begun."""
        return any(
            one.signed
            and one.mark.ordered is not None
            and bool(one.mark.ordered.branch)
            and one.mark.ordered.first_day <= self.record.as_of
            for one in self._marked
        )

    def place_in(
        self, planned: Sequence[Dated], original: Regimen, taken: Sequence[Dated]
    ) -> StepToday:
        """Which planned step today's dose is; a dose that is none of them is asked about.

        What was taken before day one is no step: it counts as late where nothing else was taken.
        """
        today = self.doses(self.record.regimen)
        if not today:
            return StepToday(None, Lateness.ON_TIME)
        slack = self.catalogue.visits.slack_days
        doses = [one.by_id for one in planned]
        alike = [number for number, dose in enumerate(doses) if dose == today]
        before = self.doses(original)
        begun = bool(self.acts) or any(self.doses(one.regimen) != before for one in taken)
        if not alike and today == before and not begun:
            late = planned[0].first_day < -slack
            return StepToday(None, Lateness.BEHIND if late else Lateness.ON_TIME)
        if not alike:
            raise ToBeAnswered(self._another_dose(planned))
        number = min(alike, key=lambda each: _days_off(planned[each]))
        one = planned[number]
        if one.last_day < -slack and number < len(planned) - 1:
            return StepToday(number + 1, Lateness.BEHIND)
        ahead = one.first_day > slack
        return StepToday(number + 1, Lateness.AHEAD if ahead else Lateness.ON_TIME)

    def _another_dose(self, planned: Sequence[Dated]) -> Question:
        meant = min(planned, key=_days_off)
        return Question(
            about_today(self.record),
            f"The record has {_said(self.doses(self.record.regimen), self.catalogue)} a day, and"
            f" the plan has {_said(meant.by_id, self.catalogue)}. Which is"
            " taken? If the dose was changed on purpose, record the plan's care plan as revoked and"
            " ask again: what is taken is then adjusted from there.",
        )

    def limits(self, position: Position) -> tuple[Constraints, tuple[Finding, ...]]:
        """What the safety rules say of going on from here, and what they demand of a plan."""
        facts = replace(self.record.facts, in_series=self.facts is not None)
        target = self.target or (self.facts.target if self.facts else Target.LEVOTHYROXINE)
        if turned_back(self.facts):
            target = Target.LEVOTHYROXINE
        climbing = position is Position.CLIMB
        intent = Intent(target, climbing and target in T3_TARGETS, climbing, self.beside)
        found = before_plan(facts, intent, self.catalogue.rules)
        return constraints(found, self.catalogue.rules), found

    def labs(self, position: Position, taken: Sequence[Dated]) -> LabsRead:
        """What the labs say that no visit has answered."""
        held = DoseHeld(
            position=position,
            not_answered_from=self._labs_from(),
            since=self._dose_since(taken),
            overdue=self._overdue(position),
        )
        return labs_since(self.record.facts, held, self.catalogue.rules)

    def _labs_from(self) -> int:
        """The first day whose labs no visit has answered: of day one they are the baseline.

        A visit that only went on by the plan's dates answered none: a result may come after it that
        was drawn before it.
        """
        stages = {row.reason: row.stage for row in self.catalogue.decisions}
        acts = [act for act in self.acts if stages.get(act.reason) is not Precedence.SCHEDULE]
        if not acts:
            return self.day_one + (1 if self.facts else 0)
        last = acts[-1]
        weighed = last.act in {Act.BRANCH, Act.STEP_BACK}
        weighed = weighed or stages.get(last.reason) in _SPOKE_OF_LABS
        return (last.day - self.record.as_of).days + (1 if weighed else 0)

    def _dose_since(self, taken: Sequence[Dated]) -> int | None:
        """The first day of today's dose without a gap; ``None`` where the record does not say."""
        today, since = self.doses(self.record.regimen), None
        next_day = 0
        for one in sorted(taken, key=lambda each: -each.last_day):
            if one.last_day < next_day - 1 or self.doses(one.regimen) != today:
                break
            since = next_day = one.first_day
        if since is None:
            changed = self.record.facts.regimen_changed_days_ago
            return 0 if taken else (None if changed is None else -changed)
        return None if since <= self.day_one and self.facts is None else since

    def check_kept(self, taken: Sequence[Dated]) -> None:
        """Ask about a mixture that no move leads to, unless it is a dose to keep.

        That is one that was taken, or is ordered, for as long as labs wait for a dose; what is
        taken or ordered for less may be a step of a move whose plan is not known here.
        """
        since, days = self._dose_since(taken), self._speaks_after
        if not self.beside or since is None or since <= -days:
            return
        short = [each for each in self.record.current if not _is_ordered_for(each, days)]
        if short:
            raise ToBeAnswered(*(Question(each.path, _A_STEP.format(days=days)) for each in short))

    def _overdue(self, position: Position) -> bool:
        """Whether labs should have come by now; only asked where none has."""
        due = self.labs_due(position)
        return due is None or due + self.catalogue.visits.overdue_days < 0

    def labs_due(self, position: Position) -> int | None:
        """The day on which labs are due where none has come; ``None`` where no plan runs."""
        if self.facts is None:
            return None
        policy = self.catalogue.policy
        if position is Position.CLIMB:
            drawn = [
                m.day
                for m in results.of(self.record.facts, Analyte.TSH)
                if m.day is not None and m.day > self.day_one
            ]
            drawn += [(a.day - self.record.as_of).days for a in self.acts if a.act is Act.BRANCH]
            return max(drawn, default=self.day_one) + policy.draws.apart_days
        return (self.facts.decision - self.record.as_of).days - policy.results_days

    def visit(
        self,
        position: Position,
        lateness: Lateness,
        labs: LabsRead,
        taken: Sequence[Dated],
        findings: Sequence[Finding],
    ) -> Visit:
        """Every dimension of the table but how often the same was answered before."""
        facts = self.record.facts
        return Visit(
            position=position,
            alarm=course_alarm(facts, self.facts, findings, self.catalogue),
            taking=doses_taken(facts, taken, self.since, self.catalogue),
            too_fast=too_fast(facts, self.since, self.catalogue.rules),
            labs=labs.says,
            schedule=lateness,
            stock=Stock.OUT if self._out_of_stock() else Stock.AS_PLANNED,
        )

    def _out_of_stock(self) -> bool:
        """Whether a strength that an order to come is for cannot be had."""
        named = {preparation_id for preparation_id, _ in self.request.stock}
        ahead = (
            (one.mark.ordered.preparation_id, one.mark.ordered.strength)
            for one in self._marked
            if one.mark.ordered
            and one.mark.ordered.last_day > self.record.as_of
            and not one.mark.ordered.branch
        )
        return any(each[0] in named and each not in self.request.stock for each in ahead)

    def ends(self) -> tuple[tuple[str, int], ...]:
        """The last day of today's orders by product line, where all of them have one."""
        products = self.catalogue.plans[self.family].tables.products
        later = (self.request.start - self.record.as_of).days
        found: dict[str, list[int | None]] = defaultdict(list)
        for entry in self.record.current:
            for line in entry.lines:
                found[ordered_as(line.preparation, products).id].append(entry.last_day)
        return tuple(
            (key, max(last for last in days if last is not None) - later)
            for key, days in found.items()
            if None not in days
        )

    def wish(self, limits: Constraints) -> Wish:
        """As on day one; tablets and what findings ask as of today."""
        facts = self.record.facts
        made = wish_of(self.facts) if self.facts else self._own_wish()
        return replace(
            made,
            pace_id=CAUTIOUS if limits.slowly else made.pace_id,
            lt4_at_least_most_generous=made.lt4_at_least_most_generous
            or limits.lt4_at_least_most_generous
            or is_pregnant(facts),
            tsh_every_days=limits.tsh_every_days,
            too_much_weighs=made.too_much_weighs or limits.too_much_weighs,
            too_little_weighs=made.too_little_weighs or limits.too_little_weighs,
            at_home=at_home_in(self.record),
            stock=tuple(sorted(set(self.request.stock))),
            weight_kg=facts.weight_kg,
        )

    def _own_wish(self) -> Wish:
        return Wish(
            target=self.target or Target.LEVOTHYROXINE,
            basis_id=self.request.basis_id,
            pace_id=self.request.pace,
            prior_therapy=PriorTherapy.OVERLAP,
            mixture=self.request.mixture,
            weekly_pattern=self.request.weekly_pattern,
            lt3_doses=self.request.lt3_doses,
        )


def _days_off(step: Dated) -> int:
    """How far a step lies from today."""
    return max(step.first_day, -step.last_day, 0)


def _said(doses: Doses, catalogue: Catalogue) -> str:
    lines = (
        f"{catalogue.preparations[key].kind.replace('-', ' ')}"
        f" {quantity(daily, catalogue.preparations[key].unit)}"
        for key, daily in sorted(doses.items())
    )
    return " and ".join(lines) or "no thyroid medicine"


def _is_ordered_for(entry: MedicineEntry, days: int) -> bool:
    """Whether today's dose goes on without an end, or is ordered for so many days in all."""
    today = [s for s in entry.by_date if (s.first_day or 0) <= 0 <= (s.last_day or 0)]
    return bool(today) and all(
        s.last_day is None or s.last_day - (s.first_day or 0) + 1 >= days for s in today
    )
