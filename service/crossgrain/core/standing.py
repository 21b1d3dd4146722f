"""Where a patient stands at a visit after the first: in a plan or without one, in doses and days.

From a record, the doses by date and the plan that runs: what was taken beside what was planned,
what the labs and the patient say since the last visit, and by the table the one answer. What
cannot be told is asked, by FHIRPath; nothing is assumed of a dose.
"""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction

from crossgrain.catalogue import Catalogue
from crossgrain.core.proposal import DEFAULT_FAMILY, SwitchRequest
from crossgrain.core.propose import CAUTIOUS, at_home_in, family_in, nothing_taken
from crossgrain.core.running import (
    RunningSeries,
    changed_by_hand,
    computed_again,
    confirm_checkpoint,
    place_of,
    planned_steps,
    regimen_of,
    series_in,
    smaller_checkpoint,
    up_to,
    wish_of,
)
from crossgrain.core.series import running_plan, with_last_supply
from crossgrain.core.visiting import (
    Since,
    course_alarm,
    doses_taken,
    missed_days,
    too_fast,
    turned_back,
)
from crossgrain.dosing.moves import ordered_amounts, ordered_as
from crossgrain.dosing.onward import Act, Dated, Underway
from crossgrain.dosing.plan import LabReading, PriorTherapy
from crossgrain.dosing.preparations import Kind
from crossgrain.dosing.regimens import Regimen
from crossgrain.dosing.targets import Target, TargetDose, adjusted_as, dose_of
from crossgrain.dosing.wish import Wish
from crossgrain.names.printing import quantity
from crossgrain.reading.record import MarkedOrder, MedicineEntry, Question, Record
from crossgrain.reading.series_mark import TOO_MUCH, ActTaken, SeriesFacts
from crossgrain.safety import results
from crossgrain.safety.assess import before_plan, constraints
from crossgrain.safety.facts import T3_TARGETS, Analyte, Constraints, Intent, RunningPlan
from crossgrain.safety.labs_since import DoseHeld, LabsRead, labs_since
from crossgrain.safety.results import is_pregnant
from crossgrain.safety.rule import Finding
from crossgrain.safety.visit import (
    Decision,
    Lateness,
    Position,
    Precedence,
    Stock,
    Visit,
    decide_again,
)
from crossgrain.screening.course import DoseRun, Undecided
from crossgrain.screening.stretches import stretches_apart

_SPOKE_OF_LABS = {Precedence.LABS, Precedence.READING}
_MOVES_ON = {Act.BRANCH, Act.TURN_BACK}
_NOT_TOLD = "What was taken cannot be told with certainty: {why} Which doses were taken, and when?"
_GIVE_THE_PLAN = (
    "A move to another thyroid medicine is under way here, and its orders do not say of what plan."
    " Give the plan as it was proposed (`plan`), or record its orders as stopped and the dose that"
    " is taken on."
)
_FILED_IN_PART = (
    "Only a part of the plan is in the record, and what is missing does not follow from it. Give"
    " the plan as it was proposed (`plan`)."
)
_OF_OTHER_TABLES = (
    "The plan names a chart, a pace or a preparation that is not known here. Where was it made? Ask"
    " there, or record its care plan as revoked and the dose that is taken on."
)
_NO_TARGET = (
    "What is taken now is none of the combinations that are adjusted here: a tablet of fixed ratio,"
    " a compounded medicine, or two products of desiccated thyroid beside levothyroxine. Is a move"
    " from one medicine to the other under way? Then give its plan (`plan`); else record which of"
    " them goes on."
)
_A_STEP = (
    "What is taken now is no combination that a move leads to, and was neither taken nor is it"
    " ordered for {days} days: it may be a step of a move. Is a move from one medicine to the other"
    " under way? Then give its plan (`plan`); else record for how long this dose is meant. One that"
    " is ordered for {days} days or more, or without an end, counts as a dose of its own."
)
_MIXTURE = (
    "No plan is known here that leads to this together with what else is taken. It stays as it is"
    " beside levothyroxine, which is adjusted. Is a move from one to the other under way? Then give"
    " its plan (`plan`)."
)
_RECORD = "Bundle"
Doses = Mapping[str, Fraction]
"""The daily amount by product line, in its unit."""


@dataclass(frozen=True, slots=True)
class Standing:
    """Where a patient stands, and the one answer to it.

    Attributes
    ----------
    record : as read; a supply that has just ended counts, and what is to be confirmed stands in it
    series : the plan that runs, if one does
    target : of the plan; without one, what is taken
    family : the strength family of desiccated thyroid to plan with
    underway : in doses, for the planner
    visit, decision : in the table's terms, and its answer
    labs : what was read of the labs since the last visit
    findings : what the safety rules raise today
    limits : what they demand of a plan
    labs_due : the day on which the plan's next labs are due where none has come; ``None`` without
        a plan
    step, steps : which step of how many today's dose is; ``None`` without a plan, or before the
        first
    """

    record: Record
    series: RunningSeries | None
    target: Target
    family: str
    underway: Underway
    visit: Visit
    decision: Decision
    labs: LabsRead
    findings: tuple[Finding, ...]
    limits: Constraints
    labs_due: int | None = None
    step: int | None = None
    steps: int | None = None

    @property
    def facts(self) -> SeriesFacts | None:
        """What the running plan says of itself."""
        return self.series.facts if self.series else None

    @property
    def marked(self) -> tuple[MarkedOrder, ...]:
        """What carries the running plan, in the record or given beside it."""
        return self.series.marked if self.series else ()


def about_today(record: Record) -> str:
    """Where a question about the dose of today points: at what is taken now."""
    return record.current[0].path if record.current else _RECORD


class _Open(Exception):
    """What must be answered first.

    Parameters
    ----------
    questions : by FHIRPath
    """

    def __init__(self, *questions: Question) -> None:
        super().__init__()
        self.questions = questions


def standing_of(
    record: Record,
    history: Sequence[DoseRun] | Undecided,
    given: Sequence[MarkedOrder],
    request: SwitchRequest,
    catalogue: Catalogue,
) -> Standing | tuple[Question, ...]:
    """Settle where a patient stands, or what must be answered first.

    Parameters
    ----------
    record : the patient's, as it is today
    history : every dated dose that was taken, or why that cannot be told
    given : what a plan that came beside the record carries, see `reader.marks_in`
    request : the day and the tablets in stock; basis, pace and options where no plan runs
    """
    try:
        series = _series(record, given, catalogue)
        if series is None:
            return _without_plan(record, history, request, catalogue)
        return _in_plan(record, series, history, request, catalogue)
    except _Open as open_:
        return open_.questions


def _series(
    record: Record, given: Sequence[MarkedOrder], catalogue: Catalogue
) -> RunningSeries | None:
    found = series_in(record, given)
    if isinstance(found, tuple):
        raise _Open(*found)
    if record.questions:
        raise _Open(*record.questions)
    if found is None:
        by_shape = running_plan(replace(record, marked=()), catalogue)
        if by_shape is not None:
            raise _Open(Question(place_of(record, by_shape.origin), _GIVE_THE_PLAN))
    return found


# --- in a plan ---------------------------------------------------------------------------------


def _in_plan(
    record: Record,
    series: RunningSeries,
    history: Sequence[DoseRun] | Undecided,
    request: SwitchRequest,
    catalogue: Catalogue,
) -> Standing:
    facts, as_of = series.facts, record.as_of
    if facts.day_one > as_of:
        raise _Open(
            Question(
                place_of(record, series.reference),
                f"The plan begins on {facts.day_one.isoformat()}. Has the patient begun it?",
            )
        )
    if facts.family not in catalogue.plans or not _known(facts, catalogue):
        raise _Open(Question(place_of(record, series.reference), _OF_OTHER_TABLES))
    running = RunningPlan(facts.target, series.reference)
    original = regimen_of(facts, catalogue.preparations)
    again = computed_again(facts, original, catalogue)
    planned = planned_steps(series, again, as_of, catalogue.preparations)
    if planned is None:
        raise _Open(Question(place_of(record, series.reference), _FILED_IN_PART))
    held = _held_to_the_end(facts, planned)
    taken_now = with_last_supply(record, catalogue.rules, running=running, held=held)
    beside = (taken_now.regimen.kinds & held) - set(facts.target.kinds)
    course = _Course(taken_now, series, request, catalogue, beside=beside)
    taken = course.taken(history)
    checkpoint = smaller_checkpoint(facts, again, catalogue)
    climbing = course.is_climbing(checkpoint)
    place = course.place_in(planned, original, taken)
    if not course.decided:
        planned = up_to(checkpoint, planned, place.step or 0, original)
    position = course.position(rises=course.rises_after(planned[place.step or 0 :]))
    limits, findings = course.limits(position)
    labs = course.labs(position, taken)
    visit = course.visit(position, place.lateness, labs, taken, findings)
    confirm = (
        *record.confirm,
        *confirm_checkpoint(series, again, record, catalogue),
        *changed_by_hand(series, record),
    )
    return Standing(
        record=replace(taken_now, confirm=confirm),
        series=series,
        target=facts.target,
        family=facts.family,
        underway=Underway(
            original=original,
            wish=course.wish(limits),
            day_one=course.day_one,
            checkpoint=None if facts.titration else checkpoint,
            taken=taken,
            today=taken_now.regimen,
            planned=planned,
            climbing=climbing and not course.decided,
            in_range_before=_in_range_before(facts.acts),
            beside=course.beside,
            beside_source=catalogue.mixture_source,
            ends=course.ends(),
            too_much=tuple(_too_much(facts.acts, taken, as_of)),
        ),
        visit=visit,
        decision=decide_again(visit, _reasons(facts.acts, record), catalogue.decisions),
        labs=labs,
        findings=findings,
        limits=limits,
        labs_due=course.labs_due(position),
        step=place.step,
        steps=len(planned),
    )


def _held_to_the_end(facts: SeriesFacts, planned: Sequence[Dated]) -> frozenset[Kind]:
    """What is taken in the end where no plan moves from one medicine to the other."""
    if not facts.titration or turned_back(facts) or not planned:
        return frozenset()
    return planned[-1].regimen.kinds


def _known(facts: SeriesFacts, catalogue: Catalogue) -> bool:
    basis_ids = {basis.id for basis in catalogue.bases}
    lines = {preparation_id for preparation_id, _ in facts.original}
    known = facts.basis_id in basis_ids and facts.pace in catalogue.policy.paces
    return known and lines <= catalogue.preparations.keys()


def _in_range_before(acts: Sequence[ActTaken]) -> bool:
    """Whether the last labs that decided were in range."""
    readings = [act.reading for act in acts if act.act is Act.BRANCH]
    return bool(readings) and readings[-1] is LabReading.IN_RANGE


def _too_much(acts: Sequence[ActTaken], taken: Sequence[Dated], as_of: date) -> Iterator[Regimen]:
    """What was taken on the day before each visit at which labs called it too much."""
    for act in acts:
        if act.reading in TOO_MUCH:
            day = (act.day - as_of).days - 1
            lines = [
                line
                for spell in taken
                if spell.first_day <= day <= spell.last_day
                for line in spell.regimen.lines
            ]
            yield Regimen(tuple(lines))


def _reasons(acts: Sequence[ActTaken], record: Record) -> tuple[str, ...]:
    """For what visits before today were answered, since the labs last moved the course on."""
    found: list[str] = []
    for act in reversed(acts):
        if act.act in _MOVES_ON and act.reading is not LabReading.SYMPTOMS:
            break
        if act.day < record.as_of and act.act not in {Act.CONTINUE, Act.STEP_BACK}:
            found.append(act.reason)
    return tuple(reversed(found))


@dataclass(frozen=True, slots=True)
class _StepToday:
    """Which of the planned steps today's dose is, from 1, and how that lies beside the dates."""

    step: int | None
    lateness: Lateness


@dataclass(frozen=True, slots=True)
class _Course:
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
            raise _Open(*self._not_told(history))
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
                raise _Open(*self._not_told(Undecided(stretch.doubt, stretch.references)))
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
        return any(act.act in _MOVES_ON for act in self.acts) or self._branch_begun()

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
    ) -> _StepToday:
        """Which planned step today's dose is; a dose that is none of them is asked about.

        What was taken before day one is no step: it counts as late where nothing else was taken.
        """
        today = self.doses(self.record.regimen)
        if not today:
            return _StepToday(None, Lateness.ON_TIME)
        slack = self.catalogue.visits.slack_days
        doses = [one.by_id for one in planned]
        alike = [number for number, dose in enumerate(doses) if dose == today]
        before = self.doses(original)
        begun = bool(self.acts) or any(self.doses(one.regimen) != before for one in taken)
        if not alike and today == before and not begun:
            late = planned[0].first_day < -slack
            return _StepToday(None, Lateness.BEHIND if late else Lateness.ON_TIME)
        if not alike:
            raise _Open(self._another_dose(planned))
        number = min(alike, key=lambda each: _days_off(planned[each]))
        one = planned[number]
        if one.last_day < -slack and number < len(planned) - 1:
            return _StepToday(number + 1, Lateness.BEHIND)
        ahead = one.first_day > slack
        return _StepToday(number + 1, Lateness.AHEAD if ahead else Lateness.ON_TIME)

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
            raise _Open(*(Question(each.path, _A_STEP.format(days=days)) for each in short))

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


# --- without a plan ----------------------------------------------------------------------------


def _without_plan(
    record: Record,
    history: Sequence[DoseRun] | Undecided,
    request: SwitchRequest,
    catalogue: Catalogue,
) -> Standing:
    """Plain titration: what is taken today, by the labs that speak of it."""
    asked = nothing_taken(record)
    if asked:
        raise _Open(*asked)
    target = _adjusted(record)
    course = _Course(record, None, request, catalogue, target)
    course = replace(course, beside=record.regimen.kinds - set(target.kinds))
    told = not isinstance(history, Undecided)
    taken = course.taken(history) if told else ()
    course.check_kept(taken)
    limits, findings = course.limits(Position.NONE)
    labs = course.labs(Position.NONE, taken)
    visit = course.visit(Position.NONE, Lateness.ON_TIME, labs, taken, findings)
    return Standing(
        record=replace(record, confirm=(*record.confirm, *_mixed(record, course.beside))),
        series=None,
        target=target,
        family=course.family,
        underway=Underway(
            original=record.regimen,
            wish=course.wish(limits),
            day_one=taken[0].first_day if taken else -1,
            checkpoint=None,
            taken=taken or (Dated.of(-1, -1, record.regimen),),
            today=record.regimen,
            planned=(),
            climbing=False,
            beside=course.beside,
            beside_source=catalogue.mixture_source,
            ends=course.ends(),
        ),
        visit=visit,
        decision=decide_again(visit, (), catalogue.decisions),
        labs=labs,
        findings=findings,
        limits=limits,
    )


def _adjusted(record: Record) -> Target:
    """What is taken as the target that it is adjusted as."""
    target = adjusted_as(record.regimen.kinds)
    products = {
        line.preparation.id
        for line in record.regimen
        if line.preparation.kind is Kind.DESICCATED_THYROID
    }
    if target is None or (Kind.DESICCATED_THYROID not in target.kinds and len(products) > 1):
        raise _Open(*(Question(entry.path, _NO_TARGET) for entry in record.current))
    return target


def _is_ordered_for(entry: MedicineEntry, days: int) -> bool:
    """Whether today's dose goes on without an end, or is ordered for so many days in all."""
    today = [s for s in entry.by_date if (s.first_day or 0) <= 0 <= (s.last_day or 0)]
    return bool(today) and all(
        s.last_day is None or s.last_day - (s.first_day or 0) + 1 >= days for s in today
    )


def _mixed(record: Record, beside: frozenset[Kind]) -> Iterator[Question]:
    for entry in record.current:
        if any(line.preparation.kind in beside for line in entry.lines):
            yield Question(entry.path, _MIXTURE)
