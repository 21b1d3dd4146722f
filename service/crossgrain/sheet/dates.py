"""The patient's dates as a calendar file: steps, blood tests, checks."""

from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING

from crossgrain.dosing.plan import Plan
from crossgrain.names.identity import SERVICE_NAME, stable_id, urn
from crossgrain.sheet.days import BloodTest, PatientStep, Taking, blood_tests
from crossgrain.sheet.locale import Locale
from crossgrain.sheet.patient import before_the_start, checks, on_hold
from crossgrain.writing.elements import plain
from crossgrain.writing.lab_requests import BEFORE_DOSE
from crossgrain.writing.letterhead import Letterhead

if TYPE_CHECKING:
    from icalendar import Alarm, Event

_DAY = timedelta(days=1)


def calendar_file(
    letter: Letterhead, plan: Plan, steps: Sequence[PatientStep], locale: Locale
) -> bytes:
    """One all-day event on the first day of every step, on every lab day, check and review.

    The first step opens with what must have happened before it; each later one holds only if that
    began on its day. A title may be all that a calendar shows, so it says that tablets at home are
    put away, and of a first step on hold that it waits. What may pass unnoticed has an alarm.

    The same plan gives the same bytes: names come from the plan's own, and the stamp is the
    day that the record was read.
    """
    from icalendar import Calendar  # noqa: PLC0415 - the library loads with the first sheet

    request = letter.proposal.request
    calendar = Calendar()
    calendar.add("prodid", f"-//{SERVICE_NAME}//plan sheet//{locale.tag[:2].upper()}")
    calendar.add("version", "2.0")
    made = _Events(letter.plan_id, datetime.combine(request.as_of, time(), UTC), locale)
    labs = blood_tests(plan.labs, request.start, steps)
    for event in made.steps(letter, steps, labs):
        calendar.add_component(event)
    for event in made.tests(labs):
        calendar.add_component(event)
    for check in checks(letter, locale):
        for day in check.days:
            event = made.event(f"check|{check.name}|{day}", day, check.title, check.says)
            calendar.add_component(event)
    for finding in letter.findings:
        if finding.act and finding.day is not None:
            calendar.add_component(made.review(request.start + timedelta(days=finding.day)))
    written: bytes = calendar.to_ical()
    return written


class _Events:
    """The events of one plan."""

    def __init__(self, plan_id: str, stamp: datetime, locale: Locale) -> None:
        self._plan_id, self._stamp, self._locale = plan_id, stamp, locale

    def event(self, name: str, day: date, says: str, more: str) -> "Event":
        from icalendar import Event  # noqa: PLC0415

        event = Event()
        event.add("uid", urn(stable_id(f"{self._plan_id}|{name}")))
        event.add("dtstamp", self._stamp)
        event.add("dtstart", day)
        event.add("dtend", day + _DAY)
        event.add("summary", says)
        event.add("description", plain(more))
        event.add("transp", "TRANSPARENT")
        return event

    def steps(
        self, letter: Letterhead, steps: Sequence[PatientStep], labs: Sequence[BloodTest]
    ) -> Iterator["Event"]:
        locale, first = self._locale, steps[0]
        held = on_hold(letter)
        waiting = {test.before: test.day for test in labs if test.before}
        begun = locale.plain("calendar.only-if", letter=first.letter, day=locale.day(first.first))
        for step in steps:
            opens = [before_the_start(letter, locale)] if step is first else [begun]
            if (drawn := waiting.get(step.letter)) and step is not first:
                opens.append(locale.plain("calendar.not-heard", day=locale.day(drawn)))
            more = " ".join((*opens, *self._step_words(step)))
            title = self._title(step, waits=held and step is first)
            yield self.event(f"step|{step.letter}", step.first, title, more)

    def _title(self, step: PatientStep, *, waits: bool) -> str:
        away = any(change.away for change in step.at_home)
        key = "waits" if waits else "begins-away" if away else "begins"
        return self._locale.plain(f"calendar.{key}", letter=step.letter)

    def _step_words(self, step: PatientStep) -> Iterator[str]:
        """What is taken each day of a step, and what changes for the tablets at home."""
        yield from map(self._taking, step.takings)
        for change in step.at_home:
            yield self._locale.plain("calendar.change", what=change.what, name=change.name)

    def _taking(self, taking: Taking) -> str:
        locale = self._locale
        if not taking.tablets:
            return locale.plain("calendar.as-now", medicine=taking.medicine)
        each = [
            f"{tablet.words} {locale.plain('steps.of', strength=tablet.strength)}"
            for tablet in taking.tablets
        ]
        return locale.plain(
            "calendar.taking",
            medicine=taking.medicine,
            tablets=locale.listed(each),
            when=taking.when,
        )

    def tests(self, labs: Sequence[BloodTest]) -> Iterator["Event"]:
        locale = self._locale
        for test in labs:
            more = [locale.of_english(BEFORE_DOSE)]
            if test.before:
                more.append(locale.plain("calendar.read", letter=test.before))
            title = locale.words["calendar.test"]
            event = self.event(f"lab|{test.day}", test.day, title, " ".join(more))
            event.add_component(_alarm(locale.words["calendar.tomorrow"]))
            yield event

    def review(self, day: date) -> "Event":
        words = self._locale.words
        return self.event(f"review|{day}", day, words["calendar.talk"], words["calendar.talk-more"])


def _alarm(says: str) -> "Alarm":
    """At noon of the day before."""
    from icalendar import Alarm  # noqa: PLC0415

    alarm = Alarm()
    alarm.add("action", "DISPLAY")
    alarm.add("description", says)
    alarm.add("trigger", -_DAY / 2)
    return alarm
