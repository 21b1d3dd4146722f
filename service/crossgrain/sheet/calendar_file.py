"""The steps and the lab dates as an iCalendar file (RFC 5545), for a patient's own calendar."""

from collections.abc import Sequence
from datetime import UTC, date, datetime, time, timedelta

from icalendar import Alarm, Calendar, Event

from crossgrain.names.identity import SERVICE_NAME, stable_id, urn
from crossgrain.sheet.days import BloodTest, PatientStep, Taking, day_words
from crossgrain.sheet.patient import OwnCheck
from crossgrain.writing.checkpoint import BEFORE_DOSE
from crossgrain.writing.narrative import plain

REVIEW = (
    "Do you feel better with the two medicines than with one? If not, we go back to one. Go on with"
    " your tablets until we have talked."
)
_DAY = timedelta(days=1)


def calendar_file(
    plan_id: str,
    read_on: date,
    steps: Sequence[PatientStep],
    labs: Sequence[BloodTest],
    before_the_start: str,
    *,
    on_hold: bool,
    checks: Sequence[OwnCheck] = (),
    reviews: Sequence[date] = (),
) -> bytes:
    """One all-day event on the first day of every step, on every lab day, check and review.

    `before_the_start` opens the first step; each later one holds only if that began on its day.
    A title may be all that a calendar shows, so it says that tablets at home are put away, and
    of a first step on hold that it waits.

    The same plan gives the same bytes: names come from the plan's own, and the stamp is the
    day that the record was read.
    """
    calendar = Calendar()
    calendar.add("prodid", f"-//{SERVICE_NAME}//plan sheet//EN")
    calendar.add("version", "2.0")
    stamp = datetime.combine(read_on, time(), UTC)
    waiting = {test.before: test.day for test in labs if test.before}
    begun = f"Only if step {steps[0].letter} began on {day_words(steps[0].first)}."
    for place, step in enumerate(steps):
        opens = f"{begun}{heard_words(waiting.get(step.letter))}" if place else before_the_start
        more = f"{opens} {step_words(step)}"
        title = _title(step, waits=on_hold and not place)
        calendar.add_component(
            _event(f"{plan_id}|step|{step.letter}", stamp, step.first, title, more)
        )
    for test in labs:
        says = "Blood test, before the thyroid tablets"
        more = f"{BEFORE_DOSE}{waits_words(test)}"
        event = _event(f"{plan_id}|lab|{test.day}", stamp, test.day, says, more)
        event.add_component(_the_day_before())
        calendar.add_component(event)
    for check in checks:
        for day in check.days:
            name = f"{plan_id}|check|{check.name}|{day}"
            calendar.add_component(_event(name, stamp, day, check.title, check.says))
    for day in reviews:
        calendar.add_component(
            _event(f"{plan_id}|review|{day}", stamp, day, "Talk with us about your tablets", REVIEW)
        )
    written: bytes = calendar.to_ical()
    return written


def _title(step: PatientStep, *, waits: bool) -> str:
    if waits:
        return f"Thyroid tablets: do not begin step {step.letter} before we tell you"
    away = ", put old tablets away" if any(change.away for change in step.at_home) else ""
    return f"Thyroid tablets: step {step.letter} begins{away}"


def heard_words(drawn: date | None) -> str:
    """What a step waits for: that the result of a test is told."""
    if drawn is None:
        return ""
    return f" Call us first if you have not heard about the blood test of {day_words(drawn)}."


def waits_words(test: BloodTest) -> str:
    """What a patient must hear of a test before the step that waits for it."""
    if not test.before:
        return ""
    return (
        f" We read it before step {test.before} begins. Call us if you have not heard from us by"
        " then."
    )


def step_words(step: PatientStep) -> str:
    """What is taken each day of a step, and what changes for the tablets at home."""
    changes = (f"{change.what}: {change.name}." for change in step.at_home)
    return " ".join((*map(_words, step.takings), *changes))


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
