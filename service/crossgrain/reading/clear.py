"""A medicine's resource written clearly: what is taken each day, coded, and nothing beside it.

An answer is applied by writing the resource so and reading the record again. Whatever holds for a
record that was written clearly in the first place so holds for one that was answered: its doses
are judged by the same bounds, and nothing is read otherwise.
"""

from collections.abc import Iterator, Mapping, Sequence
from fractions import Fraction
from math import lcm
from typing import Any

from crossgrain.dosing.preparations import Preparation
from crossgrain.dosing.regimens import DoseLine
from crossgrain.names.identity import FhirVersion
from crossgrain.names.printing import exact_decimal
from crossgrain.reading.calendar import Calendar
from crossgrain.reading.codesystems import UCUM
from crossgrain.reading.currency import ORDERS
from crossgrain.reading.schedule import WEEK

Resource = dict[str, Any]
_ADHERENCE = "http://hl7.org/fhir/CodeSystem/medication-statement-adherence"
_KEPT = frozenset(
    """
    resourceType id meta language contained extension identifier subject context encounter
    medicationCodeableConcept medicationReference medication effectiveDateTime effectivePeriod
    informationSource derivedFrom basedOn partOf reason reasonCode reasonReference
    authoredOn requester recorder groupIdentifier priorPrescription supportingInformation
    intent dispenseRequest reportedBoolean reported
    """.split()  # noqa: SIM905 - a list of words reads better than of quoted ones
)
"""What says nothing of the dose; all else is left out."""


_AGAINST = frozenset({"doNotPerform", "statusReason"})
"""What may speak against its being taken."""
DAILY: Resource = {"repeat": {"frequency": 1, "period": 1, "periodUnit": "d"}}
"""Once a day."""


class NotWritable(ValueError):
    """A dose that no coded dosage of these forms says exactly."""


def dosage_list(resource: Mapping[str, Any]) -> str:
    """The name of the list of dosages."""
    return "dosage" if resource["resourceType"] == "MedicationStatement" else "dosageInstruction"


def as_taken(resource: Resource, calendar: Calendar, version: FhirVersion) -> Resource:
    """The same, said to be taken now; a draft stays an order to be judged."""
    said = {key: value for key, value in resource.items() if key not in _AGAINST}
    ordered = resource.get("effectiveDosePeriod")
    if isinstance(ordered, dict):
        said["effectiveDosePeriod"] = _running(ordered, calendar)
    if resource["resourceType"] == "MedicationRequest":
        if resource.get("status") != "draft":
            said["status"] = "active"
            reported = resource.get("reportedBoolean") or resource.get("reported")
            if resource.get("intent") not in ORDERS and not reported:
                said["intent"] = "order"
        return said
    said["status"] = "active" if version is FhirVersion.R4 else "recorded"
    if version is FhirVersion.R5:
        said["adherence"] = {"code": {"coding": [{"system": _ADHERENCE, "code": "taking"}]}}
    said["dateAsserted"] = calendar.as_of.isoformat()
    period = resource.get("effectivePeriod")
    if isinstance(period, dict):
        said["effectivePeriod"] = _running(period, calendar)
    return said


def _running(period: Mapping[str, Any], calendar: Calendar) -> Resource:
    """A period without an end that has passed."""
    end = calendar.day_written(str(period.get("end", "")))
    over = bool(end) and end < calendar.as_of.isoformat()[: len(end)]
    return {key: value for key, value in period.items() if not (over and key == "end")}


def written_clearly(
    resource: Resource, dosages: Sequence[Resource], calendar: Calendar, version: FhirVersion
) -> Resource:
    """The resource with these dosages alone, said to be taken now.

    What its own dosages say of its first day is kept, where that has come.
    """
    kept = {key: value for key, value in resource.items() if key in _KEPT}
    kept["status"] = resource.get("status")
    timed = _timed(resource)
    if timed is not None and "effectivePeriod" not in kept:
        kept["effectivePeriod"] = timed
    said = as_taken(kept, calendar, version)
    begun = "" if said.get("status") == "draft" else _begun(resource, calendar)
    own = [_since(dosage, begun) if begun else dosage for dosage in dosages]
    return {**said, dosage_list(resource): own}


def _timed(resource: Resource) -> Any:
    timing = resource.get("effectiveTiming")
    repeat = timing.get("repeat") if isinstance(timing, dict) else None
    return repeat.get("boundsPeriod") if isinstance(repeat, dict) else None


def _begun(resource: Resource, calendar: Calendar) -> str:
    """The last first day of its dosages that has come; empty where one has none."""
    starts = []
    ordered = resource.get("effectiveDosePeriod") or {}
    for dosage in resource.get(dosage_list(resource)) or ():
        bounds = dosage.get("timing", {}).get("repeat", {}).get("boundsPeriod", ordered)
        starts.append(str(bounds.get("start", "")))
    today = calendar.as_of.isoformat()
    come = [start for start in starts if start and calendar.day_written(start) <= today]
    return max(come) if come and all(starts) else ""


def _since(dosage: Resource, start: str) -> Resource:
    timing = dosage["timing"]
    repeat = {**timing["repeat"], "boundsPeriod": {"start": start}}
    return {**dosage, "timing": {**timing, "repeat": repeat}}


def quantity_of(amount: Fraction, preparation: Preparation) -> Resource:
    """An amount in the preparation's unit, as a Quantity.

    Raises
    ------
    NotWritable
        where no decimal says it exactly.
    """
    try:
        value = exact_decimal(amount)
    except ValueError:
        raise NotWritable from None
    unit = preparation.unit
    return {"value": value, "unit": unit, "system": UCUM, "code": unit}


def dosages_for(lines: Sequence[DoseLine]) -> list[Resource]:
    """One dosage a day, or one for each dose of a week or of every other day.

    Raises
    ------
    NotWritable
        where the days come round in another number of days.
    """
    cycle = cycle_of(lines)
    preparation = lines[0].preparation
    return [
        {
            "timing": {"repeat": repeat},
            "doseAndRate": [{"doseQuantity": quantity_of(amount, preparation)}],
        }
        for repeat, amount in _repeats(cycle)
    ]


def cycle_of(lines: Sequence[DoseLine]) -> tuple[Fraction, ...]:
    """The amounts of all lines together, day by day; one amount where all days are alike."""
    if len({line.preparation.id for line in lines}) != 1:
        raise NotWritable
    days = lcm(*(len(line.cycle) for line in lines))
    cycle = tuple(
        sum((line.cycle[day % len(line.cycle)] for line in lines), Fraction(0))
        for day in range(days)
    )
    return cycle[:1] if len(set(cycle)) == 1 else cycle


def _repeats(cycle: tuple[Fraction, ...]) -> Iterator[tuple[Resource, Fraction]]:
    if len(cycle) == 1:
        yield {"frequency": 1, "period": 1, "periodUnit": "d"}, cycle[0]
    elif len(cycle) == 2 and not cycle[1]:
        yield {"frequency": 1, "period": 2, "periodUnit": "d"}, cycle[0]
    elif len(cycle) == len(WEEK):
        for amount in dict.fromkeys(filter(None, cycle)):
            days = [day for day, each in zip(WEEK, cycle, strict=True) if each == amount]
            yield {"frequency": 1, "period": 1, "periodUnit": "d", "dayOfWeek": days}, amount
    else:
        raise NotWritable
