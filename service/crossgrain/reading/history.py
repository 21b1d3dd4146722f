"""What holds over time beside the medicines: facts for the rules, each with its date."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any

from crossgrain.names.values import frozen
from crossgrain.reading.code_tables import AnswerType, Believed, Item, names_how_it_goes
from crossgrain.reading.codesystems import Loinc
from crossgrain.reading.concerns import ConcernTable, HeardKeys
from crossgrain.reading.door import Opened
from crossgrain.reading.elements import Asked, Asks, CodeableConcept, View
from crossgrain.reading.labs import Labs, read_observation
from crossgrain.reading.person import say_whose
from crossgrain.reading.reading import Reading
from crossgrain.reading.resolve import Entry
from crossgrain.reading.views import AllergyIntolerance, Condition, Goal, Resource, view
from crossgrain.safety.facts import Analyte, Known, Measurement, MissedDays
from crossgrain.safety.results import PREGNANT
from crossgrain.screening.course import Aim

_PASSED = {"inactive", "remission", "resolved"}
_REFUTED = {"refuted", "entered-in-error"}
_GIVEN_UP = {"cancelled", "entered-in-error", "rejected", "completed"}
_FINAL = {"completed", "amended"}
_NOT_KNOWN = "the safety rules do not look for what it names"
_DENIED = "its words deny what a safety rule looks for, so it was not taken for it"
_MODIFIED = "it carries a modifier that is not known"


@dataclass(slots=True)
class History:
    """What the record says beside medicines for the thyroid and results."""

    conditions: list[Known] = field(default_factory=list)
    allergies: list[Known] = field(default_factory=list)
    medicines: list[Known] = field(default_factory=list)
    goals: list[Known] = field(default_factory=list)
    reported: list[Known] = field(default_factory=list)
    answered_no: list[Known] = field(default_factory=list)
    missed: list[MissedDays] = field(default_factory=list)


def keys_in(concept: CodeableConcept | None, table: ConcernTable) -> tuple[str, ...]:
    """Our keys for a concept, where there is one."""
    return () if concept is None else table.keys_of(concept)


def read_condition(entry: Entry, history: History, reading: Reading) -> None:
    """Read one Condition, or say why not; a past one is kept as not active."""
    seen = view(entry.resource, Condition, entry.path)
    say_whose(seen.subject, f"{entry.path}.subject", reading.notes)
    if _is_one_of(_REFUTED, seen.verification_status):
        return
    onset = seen.onset_date_time or (seen.onset_period.start if seen.onset_period else None)
    heard = _heard(seen.code, reading.codes.concerns.conditions)
    keep(
        heard.keys,
        entry,
        history.conditions,
        reading,
        day=day_of(onset or seen.recorded_date, entry.path, reading),
        active=not _is_one_of(_PASSED, seen.clinical_status),
        modified=bool(seen.modifier),
        denied=heard.denied,
    )


def read_allergy(entry: Entry, history: History, reading: Reading) -> None:
    """Read one AllergyIntolerance, or say why not."""
    seen = view(entry.resource, AllergyIntolerance, entry.path)
    say_whose(seen.patient, f"{entry.path}.patient", reading.notes)
    if _is_one_of(_REFUTED, seen.verification_status):
        return
    heard = _heard_of_allergy(seen, reading.codes.concerns.allergies)
    keep(
        heard.keys,
        entry,
        history.allergies,
        reading,
        day=day_of(seen.onset_date_time or seen.recorded_date, entry.path, reading),
        active=not _is_one_of(_PASSED, seen.clinical_status),
        modified=bool(seen.modifier)
        or (not heard.keys and any(reaction.modifier for reaction in seen.reaction)),
        denied=heard.denied,
    )


def _heard_of_allergy(seen: AllergyIntolerance, table: ConcernTable) -> HeardKeys:
    """What it is to, and the substances that its reactions are put down to."""
    substances = (each.substance for each in seen.reaction if not each.modifier)
    heard = [_heard(concept, table) for concept in (seen.code, *substances)]
    keys = tuple(dict.fromkeys(key for each in heard for key in each.keys))
    return HeardKeys(keys, not keys and any(each.denied for each in heard))


def read_goal(entry: Entry, history: History, reading: Reading) -> None:
    """Read one Goal; one that was given up or reached is passed over."""
    seen = view(entry.resource, Goal, entry.path)
    say_whose(seen.subject, f"{entry.path}.subject", reading.notes)
    if seen.lifecycle_status in _GIVEN_UP:
        return
    heard = _heard(seen.description, reading.codes.concerns.conditions)
    modified = bool(seen.modifier)
    keep(heard.keys, entry, history.goals, reading, modified=modified, denied=heard.denied)


def _heard(concept: CodeableConcept | None, table: ConcernTable) -> HeardKeys:
    return HeardKeys() if concept is None else table.heard_of(concept)


def keep(
    keys: tuple[str, ...],
    entry: Entry,
    found: list[Known],
    reading: Reading,
    *,
    day: int | None = None,
    active: bool = True,
    modified: bool,
    denied: bool = False,
) -> None:
    """Keep what was recognised in a resource; say where nothing was, or it must not be read."""
    if modified or not keys:
        nothing = _DENIED if denied else _NOT_KNOWN
        reading.notes.unread(entry.path, _MODIFIED if modified else nothing)
        return
    found += [Known(key, entry.path, day, active) for key in keys]
    reading.notes.use(entry.path, entry.reference)


def day_of(text: str | None, path: str, reading: Reading) -> int | None:
    """The day that the date of what has happened names, or ``None``."""
    return reading.calendar.past_date_in(text, path).day(reading.as_of) if text else None


def _is_one_of(codes: set[str], concept: CodeableConcept | None) -> bool:
    return concept is not None and not codes.isdisjoint([c.code for c in concept.coding])


_FRAIL = frozenset(
    {
        "coronary-disease", "myocardial-infarction", "old-myocardial-infarction", "angina",
        "unstable-angina", "heart-failure", "atrial-fibrillation", "osteoporosis",
    }
)  # fmt: skip
_VOID = {"registered", "cancelled", "entered-in-error"}


@frozen
class CourseFacts:
    """Dated results by their resource's reference, and what sets a patient apart."""

    tsh: tuple[Measurement, ...]
    free_t4: tuple[Measurement, ...]
    unread: tuple[str, ...]
    aims: frozenset[Aim]
    frail: bool


def read_facts(entries: Sequence[Entry], opened: Opened) -> CourseFacts:
    """Read every Observation, Condition and Goal of a record."""
    reading = opened.reading
    labs, history = Labs(), History()
    tsh: list[Measurement] = []
    free_t4: list[Measurement] = []
    unread: list[str] = []
    for entry in entries:
        match entry.kind:
            case "Observation":
                known = len(labs.measurements)
                opened.read(entry, partial(read_observation, entry, labs, reading))
                new = [replace(m, origin=entry.reference) for m in labs.measurements[known:]]
                tsh += [m for m in new if m.analyte is Analyte.TSH]
                free_t4 += [m for m in new if m.analyte is Analyte.FREE_T4]
                if _is_tsh(entry, reading) and not any(m.day is not None for m in new):
                    unread.append(entry.reference)
            case "Condition":
                opened.read(entry, partial(read_condition, entry, history, reading))
            case "Goal":
                opened.read(entry, partial(read_goal, entry, history, reading))
    known_now = [k for k in (*history.conditions, *history.goals) if k.active]
    return CourseFacts(
        tsh=tuple(tsh),
        free_t4=tuple(free_t4),
        unread=tuple(unread),
        aims=_aims(known_now, labs, reading.codes.believed),
        frail=any(known.key in _FRAIL for known in history.conditions),
    )


def _is_tsh(entry: Entry, reading: Reading) -> bool:
    """Whether an Observation that stands is coded as TSH, whatever its value."""
    resource = entry.resource
    concept = resource.get("code")
    codings = concept.get("coding") if isinstance(concept, dict) else None
    if not isinstance(codings, list):
        return False
    codes = (
        c.get("code") for c in codings if isinstance(c, dict) and c.get("system") == Loinc.system
    )
    labs = (reading.codes.labs.get(code) for code in codes if isinstance(code, str))
    tsh = any(lab is not None and lab.analyte is Analyte.TSH for lab in labs)
    return tsh and resource.get("status") not in _VOID  # seen whole by now, as every known lab is


def _aims(known: list[Known], labs: Labs, believed: Believed) -> frozenset[Aim]:
    keys = {k.key for k in known}
    aims = set()
    if "central-hypothyroidism" in keys:
        aims.add(Aim.CENTRAL)
    if "tsh-suppression-goal" in keys:
        aims.add(Aim.SUPPRESSION)
    expecting = [k for k in known if k.key in PREGNANT and _may_hold(k, believed)]
    if labs.pregnant or expecting:
        aims.add(Aim.PREGNANCY)
    return frozenset(aims)


def _may_hold(known: Known, believed: Believed) -> bool:
    """A pregnancy on the condition list holds no longer than a pregnancy lasts."""
    return known.day is None or known.day >= -believed.pregnancy_days


class _Answer(View, rename="camel"):
    value_boolean: bool | None = None
    value_integer: int | None = None


class _Answered(View, rename="camel"):
    link_id: str | None = None
    answer: tuple[_Answer, ...] = ()


class _Response(Resource, rename="camel"):
    status: str | None = None
    questionnaire: str | None = None
    authored: str | None = None
    item: tuple[_Answered, ...] = ()


def read_how_it_goes(entry: Entry, history: History, reading: Reading) -> None:
    """Read the answers of one QuestionnaireResponse, or say why not.

    A yes without a date may be of today, and counts so. An answer that is neither yes nor no, or
    no number of days that can be, is asked about.
    """
    passed_over = _why_not(entry.resource)
    if passed_over:
        reading.notes.unread(entry.path, f"QuestionnaireResponse: {passed_over}")
        return
    seen = view(entry.resource, _Response, entry.path)
    if seen.modifier:
        reading.notes.unread(entry.path, _MODIFIED)
        return
    day = day_of(seen.authored, entry.path, reading)
    items = {item.id: item for item in reading.codes.how_it_goes.item}
    for number, answered in enumerate(seen.item):
        path = f"{entry.path}.item[{number}]"
        if answered.link_id not in items:
            reading.notes.unread(path, "the questionnaire that it names has no such question")
        elif answered.answer:
            _keep(items[answered.link_id], answered.answer, path, day, history, reading)
    reading.notes.use(entry.path, entry.reference)


def _why_not(resource: Mapping[str, Any]) -> str:
    if not names_how_it_goes(resource):
        return "answers to other questionnaires are not read"
    if resource.get("status") not in _FINAL:
        return "answers that are not final are not read"
    return ""


def _keep(
    item: Item,
    answers: tuple[_Answer, ...],
    path: str,
    day: int | None,
    history: History,
    reading: Reading,
) -> None:
    """Keep what one question was answered with; no day missed says nothing."""
    if item.type is AnswerType.YES_OR_NO:
        said = {answer.value_boolean for answer in answers}
        if said == {True}:
            history.reported.append(Known(item.id, path, day))
        elif said == {False}:
            history.answered_no.append(Known(item.id, path, day))
        else:
            question = f"“{item.text}” Is the answer yes or no?"
            reading.notes.ask(Asked(path, question, Asks.HOW_IT_GOES))
        return
    counts = {answer.value_integer for answer in answers}
    (count,) = counts if len(counts) == 1 else (None,)
    if count is None or not 0 <= count <= item.most:
        question = f"“{item.text}” What is the answer, as a number from 0 to {item.most}?"
        reading.notes.ask(Asked(path, question, Asks.HOW_IT_GOES))
    elif count:
        history.missed.append(MissedDays(count, path, day))
