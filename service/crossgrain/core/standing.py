"""Where a patient stands at a visit after the first: in a plan or without one, in doses and days.

From a record, the doses by date and the plan that runs: what was taken beside what was planned,
what the labs and the patient say since the last visit, and by the table the one answer. What
cannot be told is asked, by FHIRPath; nothing is assumed of a dose.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import islice

from crossgrain.catalogue import Catalogue
from crossgrain.core.called_too_much import called_too_much
from crossgrain.core.course_so_far import MOVES_ON, CourseSoFar, ToBeAnswered
from crossgrain.core.doses_so_far import check_kept, spells_taken
from crossgrain.core.labs_so_far import labs_due, labs_read
from crossgrain.core.place_in_plan import is_climbing, position_in, rises_after, step_today
from crossgrain.core.proposal import SwitchRequest
from crossgrain.core.propose import nothing_taken
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
)
from crossgrain.core.series import running_plan, with_last_supply
from crossgrain.core.visiting import turned_back
from crossgrain.dosing.onward import Act, Dated, Underway
from crossgrain.dosing.plan import LabReading
from crossgrain.dosing.preparations import Kind
from crossgrain.dosing.targets import Target, adjusted_as
from crossgrain.names.values import frozen
from crossgrain.reading.record import MarkedOrder, Question, Record
from crossgrain.reading.series_mark import ActTaken, SeriesFacts
from crossgrain.safety.facts import Constraints, RunningPlan
from crossgrain.safety.labs_since import LabsRead
from crossgrain.safety.rule import Finding
from crossgrain.safety.visit import (
    Decision,
    Lateness,
    Position,
    Visit,
    decide_again,
)
from crossgrain.screening.course import DoseRun, Undecided

_GIVE_THE_PLAN = (
    "A move to another thyroid medicine is under way here, and its orders do not say of what plan."
    " Give the plan as it was proposed (`plan`), or record its orders as stopped and the dose that"
    " is taken on."
)
_CLOSED_PLAN = (
    "The plan that was given is closed: its care plan, or every order of it, is recorded as over,"
    " given up or an error."
)
_UNDER_WAY_ALL_THE_SAME = (
    f"{_CLOSED_PLAN} By its orders a move to another thyroid medicine is under way here all the"
    " same. Give the plan that goes on (`plan`), or record its orders as stopped and the dose that"
    " is taken on."
)
_ADJUSTED_WITHOUT = (
    f"{_CLOSED_PLAN} It does not go on: what is taken now is adjusted. Is that meant?"
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
_MIXTURE = (
    "No plan is known here that leads to this together with what else is taken. It stays as it is"
    " beside levothyroxine, which is adjusted. Is a move from one to the other under way? Then give"
    " its plan (`plan`)."
)


@frozen
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
    news : those that hold a rise, and that no visit has weighed
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
    news: tuple[Finding, ...] = ()
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


@frozen
class UnknownStanding:
    """Where it cannot be told where a patient stands.

    Attributes
    ----------
    questions : what must be answered first
    underway : the course as far as it is known, where that is all but which dose is taken; today's
        is then the record's
    family : the strength family of desiccated thyroid that it was planned with; empty without one
    """

    questions: tuple[Question, ...]
    underway: Underway | None = None
    family: str = ""


def standing_of(
    record: Record,
    history: Sequence[DoseRun] | Undecided,
    given: Sequence[MarkedOrder],
    request: SwitchRequest,
    catalogue: Catalogue,
) -> Standing | UnknownStanding:
    """Settle where a patient stands, or what must be answered first.

    Parameters
    ----------
    record : the patient's, as it is today
    history : every dated dose that was taken, or why that cannot be told
    given : what a plan that came beside the record carries, see `given_plan.marks_in`
    request : the day and the tablets in stock; basis, pace and options where no plan runs
    """
    try:
        series = _series(record, given, catalogue)
        if series is None:
            closed = (Question(one.path, _ADJUSTED_WITHOUT) for one in given)
            told = replace(record, confirm=(*record.confirm, *islice(closed, 1)))
            return _without_plan(told, history, request, catalogue)
        return _in_plan(record, series, history, request, catalogue)
    except ToBeAnswered as open_:
        return UnknownStanding(open_.questions)


def _series(
    record: Record, given: Sequence[MarkedOrder], catalogue: Catalogue
) -> RunningSeries | None:
    found = series_in(record, given)
    if isinstance(found, tuple):
        raise ToBeAnswered(*found)
    if record.questions:
        raise ToBeAnswered(*record.questions)
    if found is None:
        by_shape = running_plan(replace(record, marked=()), catalogue)
        if by_shape is not None:
            words = _UNDER_WAY_ALL_THE_SAME if given else _GIVE_THE_PLAN
            raise ToBeAnswered(Question(place_of(record, by_shape.origin), words))
    return found


# --- in a plan ---------------------------------------------------------------------------------


def _in_plan(
    record: Record,
    series: RunningSeries,
    history: Sequence[DoseRun] | Undecided,
    request: SwitchRequest,
    catalogue: Catalogue,
) -> Standing | UnknownStanding:
    facts, as_of = series.facts, record.as_of
    if facts.day_one > as_of:
        raise ToBeAnswered(
            Question(
                series.path,
                f"The plan begins on {facts.day_one.isoformat()}. Has the patient begun it?",
            )
        )
    if facts.family not in catalogue.plans or not _known(facts, catalogue):
        raise ToBeAnswered(Question(series.path, _OF_OTHER_TABLES))
    running = RunningPlan(facts.target, series.reference)
    original = regimen_of(facts, catalogue.preparations)
    again = computed_again(facts, original, catalogue)
    planned = planned_steps(series, again, as_of, catalogue.preparations)
    if planned is None:
        raise ToBeAnswered(Question(series.path, _FILED_IN_PART))
    held = _held_to_the_end(facts, planned)
    taken_now = with_last_supply(record, catalogue.rules, running=running, held=held)
    beside = (taken_now.regimen.kinds & held) - set(facts.target.kinds)
    course = CourseSoFar(taken_now, series, request, catalogue, beside=beside)
    taken = spells_taken(course, history)
    checkpoint = smaller_checkpoint(facts, again, catalogue)
    climbing = is_climbing(course, checkpoint)
    underway = Underway(
        original=original,
        wish=course.wish(Constraints()),
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
        changing=course.changing(),
        too_much=tuple(called_too_much(course, taken)),
    )
    try:
        place = step_today(course, planned, original, taken)
    except ToBeAnswered as open_:
        return UnknownStanding(open_.questions, underway, facts.family)
    if not course.decided:
        planned = up_to(checkpoint, planned, place.step or 0, original)
    position = position_in(course, rises=rises_after(course, planned[place.step or 0 :]))
    limits, findings = course.limits(position)
    labs = labs_read(course, position, taken)
    news = course.news(position, findings)
    visit = course.visit(position, place.lateness, labs, taken, findings, news)
    confirm = (
        *record.confirm,
        *confirm_checkpoint(series, again, catalogue),
        *changed_by_hand(series),
    )
    return Standing(
        record=replace(taken_now, confirm=confirm),
        series=series,
        target=facts.target,
        family=facts.family,
        underway=replace(underway, wish=course.wish(limits), planned=planned),
        visit=visit,
        decision=decide_again(visit, _reasons(facts.acts, record), catalogue.decisions),
        labs=labs,
        findings=findings,
        limits=limits,
        news=news,
        labs_due=labs_due(course, position),
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


def _reasons(acts: Sequence[ActTaken], record: Record) -> tuple[str, ...]:
    """For what visits before today were answered, since the labs last moved the course on."""
    found: list[str] = []
    for act in reversed(acts):
        if act.act in MOVES_ON and act.reading is not LabReading.SYMPTOMS:
            break
        if act.day < record.as_of and act.act not in {Act.CONTINUE, Act.STEP_BACK}:
            found.append(act.reason)
    return tuple(reversed(found))


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
        raise ToBeAnswered(*asked)
    target = _adjusted(record)
    course = CourseSoFar(record, None, request, catalogue, target)
    course = replace(course, beside=record.regimen.kinds - set(target.kinds))
    told = not isinstance(history, Undecided)
    taken = spells_taken(course, history) if told else ()
    check_kept(course, taken)
    limits, findings = course.limits(Position.NONE)
    labs = labs_read(course, Position.NONE, taken)
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
            changing=course.changing(),
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
        raise ToBeAnswered(*(Question(entry.path, _NO_TARGET) for entry in record.current))
    return target


def _mixed(record: Record, beside: frozenset[Kind]) -> Iterator[Question]:
    for entry in record.current:
        if any(line.preparation.kind in beside for line in entry.lines):
            yield Question(entry.path, _MIXTURE)
