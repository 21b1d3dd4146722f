"""What a record says beside the medicines: TSH, free T4, and what sets a patient apart."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

from crossgrain.reading.code_tables import Believed
from crossgrain.reading.codesystems import Loinc
from crossgrain.reading.door import Opened
from crossgrain.reading.history import History, read_condition, read_goal
from crossgrain.reading.labs import Labs, read_observation
from crossgrain.reading.reading import Reading
from crossgrain.reading.resolve import Entry
from crossgrain.safety.facts import Analyte, Known, Measurement
from crossgrain.safety.tsh import PREGNANT
from crossgrain.screening.course import Aim

_FRAIL = frozenset(
    {
        "coronary-disease", "myocardial-infarction", "old-myocardial-infarction", "angina",
        "unstable-angina", "heart-failure", "atrial-fibrillation", "osteoporosis",
    }
)  # fmt: skip
_VOID = {"registered", "cancelled", "entered-in-error"}


@dataclass(frozen=True, slots=True)
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
