"""One reader of a record: a `Record` is what holds today, a `TakingHistory` what holds over time.

Both come in by one door, read each medicine by what its resource tells, and hear the same
contradictions. A record asks what must be answered before a plan; a course, for the screening,
says where it cannot be told what was taken. A course reads doses only where two kinds of
preparation stand in the record; without, there is no switch.
"""

from collections.abc import Iterator, Sequence
from functools import partial
from typing import Any, Unpack

from crossgrain.dosing.preparations import Kind
from crossgrain.dosing.regimens import Regimen
from crossgrain.reading.currency import Meaning
from crossgrain.reading.door import Look, Opened, open_record
from crossgrain.reading.fulfilment import compare_with_hand_overs
from crossgrain.reading.history import (
    History,
    read_allergy,
    read_condition,
    read_facts,
    read_goal,
    read_how_it_goes,
)
from crossgrain.reading.labs import Labs, read_observation
from crossgrain.reading.medication_resources import seen_in
from crossgrain.reading.over_time import DatedMedicine, counted_once, dated_medicine
from crossgrain.reading.person import Person
from crossgrain.reading.reading import Notes, Reading
from crossgrain.reading.reconcile import days_unchanged, reconciled, still_stopped
from crossgrain.reading.record import Record
from crossgrain.reading.resolve import Entry, refuse_drafts_above
from crossgrain.reading.series import (
    Taken,
    followed_until,
    marked_plan,
    with_known_steps,
)
from crossgrain.reading.supply import ask_what_only_hand_overs_tell, hand_over_in
from crossgrain.reading.taking import ask_about_denials, latest_day
from crossgrain.reading.today import Hormone, Medicines, read_medicine
from crossgrain.reading.told import Other, Told, told_by
from crossgrain.safety.facts import Facts, Known
from crossgrain.screening.course import Dispense, DoseRun, TakingHistory, Undecided


def read_record(bundle: dict[str, Any], **look: Unpack[Look]) -> Record:
    """Read what holds on one day. The parameters are those of `open_record`.

    Raises
    ------
    Unreadable
        where the input as a whole is unusable; what concerns one medicine alone becomes a
        question of the record instead.
    """
    opened = open_record(bundle, **look)
    reading, notes = opened.reading, opened.reading.notes
    medicines, labs, history = Medicines(), Labs(), History()
    for entry in opened.entries():
        opened.read(entry, partial(_read_entry, entry, medicines, labs, history, reading))
    refuse_drafts_above(len(medicines.drafts), reading.index.root)
    answered = _without_answered(medicines.taken, reading)
    answered = _without_denied(answered, medicines, reading)
    taken = reconciled(answered, medicines.past, reading.codes, notes)
    ask_what_only_hand_overs_tell(medicines.handed, medicines.told, not taken, reading)
    compare_with_hand_overs(taken, medicines.handed, reading)
    claims = [hormone.claim for hormone in taken]
    ask_about_denials(
        claims, medicines.denials, medicines.standing_orders(reading.codes.believed), notes
    )
    return Record(
        as_of=reading.as_of,
        patient_reference=reading.patient.reference,
        facts=_facts(opened.person, taken, medicines, labs, history, reading),
        current=tuple(hormone.entry for hormone in taken),
        drafts=with_known_steps(medicines.drafts, medicines.marked, reading.as_of),
        questions=tuple(notes.questions),
        unread=tuple(notes.passed_over),
        confirm=tuple(notes.to_confirm),
        references=tuple(notes.used.values()),
        past=tuple(entry for _, entry in medicines.past),
        paths=tuple(notes.used),
        ahead=tuple(medicines.ahead),
        marked=tuple(medicines.marked),
        root=reading.index.root,
    )


def _without_answered(taken: Sequence[Hormone], reading: Reading) -> list[Hormone]:
    """The medicines taken, without orders in question that a clear statement was made from.

    The statement answers them, unless the order is of another hormone or was written since.
    """
    notes, answered = reading.notes, {}
    asked = notes.asked_about
    orders = {entry.reference: entry for entry in reading.index.entries if entry.path in asked}
    for statement in taken:
        if statement.is_order or statement.path in asked or not statement.entry.lines:
            continue
        for order in (orders[name] for name in statement.stems_from if name in orders):
            if _may_answer(statement.kind, statement.claim.said_on, order, reading):
                answered[order.path] = statement.path
    notes.forget(answered.keys())
    for path, by in answered.items():
        notes.unread(path, f"what is asked of it is answered by {by}, which was made from it")
    return [each for each in taken if each.path not in answered]


def _without_denied(
    taken: Sequence[Hormone], medicines: Medicines, reading: Reading
) -> list[Hormone]:
    """The medicines taken, without orders in question of which a statement says that none is taken.

    It was made from the order, so it is the answer to what is asked of it: its dose, or whether it
    is taken at all. An order of which nothing is asked stands.
    """
    notes, believed, denied = reading.notes, reading.codes.believed, {}
    orders = {e.reference: e for e in reading.index.entries if e.kind == "MedicationRequest"}
    claims = {each.path: each.claim for each in taken}
    standing = medicines.standing_orders(believed)
    for denial in (each for each in medicines.denials if each.speaks_of_today):
        for order in (orders[name] for name in denial.stems_from if name in orders):
            claim = claims.get(order.path)
            against = claim is not None and denial.contradicts(claim, standing)
            in_question = against or order.path in notes.asked_about
            if in_question and _may_answer(denial.kind, denial.day, order, reading):
                denied[order.path] = denial.path
    notes.forget(denied.keys())
    for path, by in denied.items():
        notes.unread(path, f"not counted as taken: {by}, which was made from it, says so")
    return [each for each in taken if each.path not in denied]


def _may_answer(kind: Kind, said_on: int | None, order: Entry, reading: Reading) -> bool:
    """Whether a statement of a hormone, written on a day, may speak of an order."""
    apart = reading.with_notes(Notes())
    told, seen = told_by(order, apart), seen_in(order, apart)
    if seen.status == "draft":  # an order to judge says nothing of what is taken
        return False
    if isinstance(told, Other) or (isinstance(told, Told) and told.kind is not kind):
        return False
    written = latest_day(seen, order.path, reading.calendar)
    return written is None or said_on is None or written <= said_on


def orders_for_hormone(opened: Opened) -> Iterator[Entry]:
    """The orders that are for thyroid hormone, or of which it is asked whether they are.

    Each is read apart from the others, and all of them over what stands around them, which is
    read once.

    Raises
    ------
    Unreadable
        where the input as a whole is unusable, or an order that may be for hormone is.
    """
    entries = opened.reading.index.entries
    orders = [entry for entry in entries if entry.kind == "MedicationRequest"]
    around = Medicines(), Labs(), History(), opened.reading
    for entry in entries:
        if entry.kind != "MedicationRequest" and opened.admits(entry):
            opened.read(entry, partial(_read_entry, entry, *around))
    in_doubt = bool(opened.reading.notes.questions)
    for order in orders:
        apart, found = opened.with_notes(Notes()), Medicines()
        if apart.admits(order):
            read = partial(read_medicine, order, found, History(), apart.reading)
            apart.read(order, read)
        if in_doubt or apart.reading.notes.questions or found.drafts:
            yield order


def _read_entry(
    entry: Entry, medicines: Medicines, labs: Labs, history: History, reading: Reading
) -> None:
    match entry.kind:
        case "MedicationStatement" | "MedicationRequest":
            read_medicine(entry, medicines, history, reading)
        case "MedicationDispense":
            handed = hand_over_in(entry, reading)
            medicines.handed += [handed] if handed else []
        case "Observation":
            read_observation(entry, labs, reading)
        case "Condition":
            read_condition(entry, history, reading)
        case "AllergyIntolerance":
            read_allergy(entry, history, reading)
        case "Goal":
            read_goal(entry, history, reading)
        case "QuestionnaireResponse":
            read_how_it_goes(entry, history, reading)
        case "CarePlan":
            _read_care_plan(entry, medicines, reading)


def _read_care_plan(entry: Entry, medicines: Medicines, reading: Reading) -> None:
    """Only what it says of a series of ours, and only where it is this patient's."""
    marked = marked_plan(entry, reading)
    if marked is None:
        reading.notes.unread(entry.path, "CarePlan: care plans are not read")
        return
    reading.notes.use(entry.path, entry.reference)
    medicines.marked.append(marked)


def _facts(
    person: Person,
    taken: list[Hormone],
    medicines: Medicines,
    labs: Labs,
    history: History,
    reading: Reading,
) -> Facts:
    """The patient in the domain's terms; a collection is ``None`` where nothing carried it."""
    kinds = {entry.kind for entry in reading.index.entries}
    medicated = bool(kinds & {"MedicationStatement", "MedicationRequest"})
    stopped = still_stopped(medicines.past, taken)
    return Facts(
        regimen=Regimen(tuple(line for hormone in taken for line in hormone.entry.lines)),
        age_years=person.age_years,
        weight_kg=labs.weight_kg,
        measurements=tuple(labs.measurements) if "Observation" in kinds else None,
        conditions=tuple(history.conditions) if "Condition" in kinds else None,
        allergies=tuple(history.allergies) if "AllergyIntolerance" in kinds else None,
        medicines=tuple(history.medicines) if medicated else None,
        pregnant=labs.pregnant,
        regimen_changed_days_ago=days_unchanged(taken, medicines.past, reading.codes.believed),
        sex=person.sex,
        goals=tuple(history.goals) if "Goal" in kinds else None,
        indications=None if medicines.indications is None else tuple(medicines.indications),
        stopped=tuple(Known(kind, entry.path, entry.last_day) for kind, entry in stopped)
        if medicated
        else None,
        reported=tuple(history.reported),
        answered_no=tuple(history.answered_no),
        missed=tuple(history.missed),
    )


def read_course(bundle: dict[str, Any], **look: Unpack[Look]) -> TakingHistory:
    """Read one patient's course as of one day. The parameters are those of `open_record`.

    Raises
    ------
    Unreadable
        where the input as a whole is unusable.
    Undecided
        where it cannot be told which thyroid medicines were taken when.
    """
    return course_in(open_record(bundle, **look))


def course_in(opened: Opened) -> TakingHistory:
    """The course of a record that was opened; its notes are filled on the way.

    Raises
    ------
    Unreadable, Undecided
        as for `read_course`.
    """
    reading = opened.reading
    entries = list(opened.entries())
    if opened.person.deceased:
        return TakingHistory((), deceased=True)
    for question in reading.notes.questions:
        raise Undecided(question.question, (reading.patient.reference,))
    medicines = list(_medicines(entries, opened))
    if len({medicine.kind for medicine in medicines if medicine.taken}) < 2:
        _refuse_where_all_is_given_up(medicines)
        _refuse_what_only_hand_overs_tell(medicines, entries, opened)
        return TakingHistory(())
    _refuse_open_questions(medicines)
    facts = read_facts(entries, opened)
    return TakingHistory(
        intakes=tuple(counted_once(medicines, reading.codes.believed)),
        tsh=facts.tsh,
        free_t4=facts.free_t4,
        aims=facts.aims,
        frail=facts.frail,
        age_years=opened.person.age_years,
        planned_until=_followed_until(entries, medicines, reading),
        unread_labs=facts.unread,
        dispenses=tuple(_dispenses(entries, opened)),
    )


def doses_by_date(bundle: dict[str, Any], **look: Unpack[Look]) -> tuple[DoseRun, ...]:
    """Every dated dose of thyroid hormone that was taken, of however many preparations.

    The parameters are those of `open_record`.

    Raises
    ------
    Unreadable
        where the input as a whole is unusable.
    Undecided
        where it cannot be told which thyroid medicines were taken when.
    """
    opened = open_record(bundle, **look)
    medicines = list(_medicines(list(opened.entries()), opened))
    _refuse_open_questions(medicines)
    return tuple(counted_once(medicines, opened.reading.codes.believed))


def doses_as_told(bundle: dict[str, Any], **look: Unpack[Look]) -> tuple[DoseRun, ...] | Undecided:
    """The same, or why it cannot be told."""
    try:
        return doses_by_date(bundle, **look)
    except Undecided as undecided:
        return undecided


def _refuse_open_questions(medicines: Sequence[DatedMedicine]) -> None:
    for medicine in medicines:
        if medicine.open_question:
            raise Undecided(medicine.open_question, (medicine.reference,))


def _medicines(entries: Sequence[Entry], opened: Opened) -> Iterator[DatedMedicine]:
    for entry in entries:
        if entry.kind in {"MedicationStatement", "MedicationRequest"}:
            medicine = opened.read(entry, partial(dated_medicine, entry, opened.reading))
            if medicine is not None:
                yield medicine


def _refuse_where_all_is_given_up(medicines: Sequence[DatedMedicine]) -> None:
    """One preparation was taken and is no more, and another is said not to be taken.

    Raises
    ------
    Undecided
        since the patient is on neither.
    """
    if any(medicine.standing.standing is Meaning.TAKEN for medicine in medicines):
        return
    kinds = {medicine.kind for medicine in medicines if medicine.taken}
    untaken = [m for m in medicines if not m.taken and m.kind not in kinds and m.told.says_so]
    if kinds and untaken:
        raise Undecided(
            "one thyroid medicine is over, and another is said not to be taken",
            tuple(medicine.reference for medicine in medicines),
        )


def _refuse_what_only_hand_overs_tell(
    medicines: Sequence[DatedMedicine], entries: Sequence[Entry], opened: Opened
) -> None:
    """A second preparation was handed out, and no order or statement speaks of it.

    Raises
    ------
    Undecided
        since there may have been a switch.
    """
    told = {medicine.kind for medicine in medicines}
    believed = opened.reading.codes.believed
    handed = [
        dispense
        for dispense in _dispenses(entries, opened)
        if dispense.kind not in told and dispense.day >= -believed.order_days
    ]
    taken = {medicine.kind for medicine in medicines if medicine.taken}
    if len(taken | {dispense.kind for dispense in handed}) > 1 and handed:
        raise Undecided(
            "a thyroid medicine was handed out, and no order or statement says how it was taken",
            tuple(dispense.reference for dispense in handed),
        )


def _followed_until(
    entries: Sequence[Entry], medicines: list[DatedMedicine], reading: Reading
) -> int | None:
    """The last day of a series of ours that is being followed, known by what its orders say."""
    marked = [mark for medicine in medicines if (mark := medicine.marked())]
    if not marked:
        return None
    today = [each for each in medicines if each.standing.standing is Meaning.TAKEN]
    changed = {statement for each in today for statement in each.told.changes()}
    plans = [marked_plan(entry, reading) for entry in entries if entry.kind == "CarePlan"]
    taken = [
        Taken(each.kind, each.stems_from | {each.reference})
        for each in today
        if each.reference not in changed
    ]
    marked += [plan for plan in plans if plan]
    return followed_until(marked, taken, reading.preparations, reading.as_of)


def _dispenses(entries: Sequence[Entry], opened: Opened) -> Iterator[Dispense]:
    for entry in entries:
        if entry.kind == "MedicationDispense":
            handed = opened.read(entry, partial(hand_over_in, entry, opened.reading))
            if handed is not None:
                yield handed.dispense
