"""The steps and the lab dates as an iCalendar file (RFC 5545), for a patient's own calendar."""

from collections.abc import Sequence
from datetime import UTC, date, datetime, time, timedelta

from icalendar import Alarm, Calendar, Event

from crossgrain.fhir.identity import SERVICE_NAME, stable_id, urn
from crossgrain.fhir.write.labs import BEFORE_DOSE
from crossgrain.fhir.write.narrative import plain
from crossgrain.sheet.days import PatientStep, Taking

_DAY = timedelta(days=1)


def calendar_file(
    plan_id: str, read_on: date, steps: Sequence[PatientStep], labs: Sequence[date]
) -> bytes:
    """One all-day event on the first day of every step and on every lab day.

    The same plan gives the same bytes: names come from the plan's own, and the stamp is the
    day that the record was read.
    """
    calendar = Calendar()
    calendar.add("prodid", f"-//{SERVICE_NAME}//plan sheet//EN")
    calendar.add("version", "2.0")
    stamp = datetime.combine(read_on, time(), UTC)
    for step in steps:
        says = f"Thyroid tablets: step {step.letter} begins"
        calendar.add_component(
            _event(f"{plan_id}|step|{step.letter}", stamp, step.first, says, step_words(step))
        )
    for day in labs:
        says = "Blood test, before the thyroid tablets"
        event = _event(f"{plan_id}|lab|{day}", stamp, day, says, BEFORE_DOSE)
        event.add_component(_the_day_before())
        calendar.add_component(event)
    written: bytes = calendar.to_ical()
    return written


def step_words(step: PatientStep) -> str:
    """What is taken each day of a step."""
    return " ".join(_words(taking) for taking in step.takings)


def _words(taking: Taking) -> str:
    if not taking.tablets:
        return f"{taking.medicine}: go on as now."
    each = " and ".join(f"{tablet.words} of {tablet.strength}" for tablet in taking.tablets)
    return f"{taking.medicine}: {each} {taking.when}."


def _event(name: str, stamp: datetime, day: date, says: str, more: str) -> Event:
    event = Event()
    event.add("uid", urn(stable_id(name)))
    event.add("dtstamp", stamp)
    event.add("dtstart", day)
    event.add("dtend", day + _DAY)
    event.add("summary", says)
    event.add("description", plain(more))
    event.add("transp", "TRANSPARENT")
    return event


def _the_day_before() -> Alarm:
    alarm = Alarm()
    alarm.add("action", "DISPLAY")
    alarm.add("description", "Blood test tomorrow")
    alarm.add("trigger", -_DAY / 2)
    return alarm
