"""The calendar file, read back by the library that other calendars use."""

from datetime import date, timedelta

import pytest
from icalendar import Calendar, Event
from tests.conformance.patients import AS_OF, CATALOGUE, proposed
from tests.unit.sheet.pages import BRITISH, PLANNED, VERSION

from crossgrain.sheet.days import patient_steps
from crossgrain.sheet.locale import locale
from crossgrain.sheet.page import calendar_of


def written(file: str) -> bytes:
    found = calendar_of(
        proposed(file, PLANNED[file]), CATALOGUE, service_version=VERSION, tag=BRITISH
    )
    assert found is not None
    return found


STEP_D = "Thyroid tablets: step D begins"


def climbing() -> list[Event]:
    """The events of a climb of seven steps, the fourth of which waits for a draw."""
    return events("01-levothyroxine-150.json")


def events(file: str) -> list[Event]:
    return Calendar.from_ical(written(file)).walk("VEVENT")


@pytest.mark.parametrize("file", PLANNED)
def test_it_holds_the_first_day_of_every_step_and_every_lab(file: str) -> None:
    made = proposed(file, PLANNED[file])
    plan = made.plan
    assert plan
    steps = patient_steps(plan, AS_OF, (), locale(BRITISH))
    found = [(event.decoded("dtstart"), str(event["summary"])) for event in events(file)]
    assert [day for day, says in found if "step" in says] == [step.first for step in steps]
    labs = [AS_OF + timedelta(days=draw.day) for draw in plan.labs]
    assert [day for day, says in found if "Blood test" in says] == labs
    reviews = [day for day, says in found if "Talk with us" in says]
    checks = [day for check in made.checks.get("series", ()) for day in check.days]
    assert len(found) == len(steps) + len(labs) + len(reviews) + len(checks)


@pytest.mark.parametrize("file", PLANNED)
def test_every_event_is_one_whole_day_with_a_name_of_its_own(file: str) -> None:
    found = events(file)
    for event in found:
        first, end = event.decoded("dtstart"), event.decoded("dtend")
        assert type(first) is date
        assert end - first == timedelta(days=1)
    assert len({str(event["uid"]) for event in found}) == len(found)


def test_a_step_says_what_is_taken() -> None:
    first = events("01-levothyroxine-150.json")[0]
    assert "desiccated thyroid: 1 tablet of 15 mg in the morning." in str(first["description"])


def test_a_step_that_waits_for_a_blood_test_says_so_and_so_does_the_test() -> None:
    said = {str(event["summary"]): str(event["description"]) for event in climbing()}
    assert "Call us first if you have not heard about the blood test of" in said[STEP_D]
    tests = [str(e["description"]) for e in climbing() if "Blood test" in str(e["summary"])]
    waited = [words for words in tests if "We read it before step D begins" in words]
    assert len(waited) == 1
    assert "before step" not in tests[-1]


def test_a_blood_test_is_reminded_of_the_day_before() -> None:
    (alarm,) = events("01-levothyroxine-150.json")[-1].walk("VALARM")
    assert alarm.decoded("trigger") < timedelta()


def test_a_check_stands_on_each_of_its_days_in_a_patients_words() -> None:
    found = events("10-older-with-atrial-fibrillation.json")
    pulses = [event for event in found if "Count your pulse" in str(event["summary"])]
    assert [event.decoded("dtstart") for event in pulses] == [
        AS_OF + timedelta(days=day) for day in (0, 28, 56)
    ]
    for event in pulses:
        assert "If it is above 100, or newly uneven, do not take a higher dose." in str(
            event["description"]
        )


@pytest.mark.parametrize("file", PLANNED)
def test_lines_are_as_rfc_5545_section_3_1_has_them(file: str) -> None:
    lines = written(file).split(b"\r\n")
    assert lines[0] == b"BEGIN:VCALENDAR"
    assert all(len(line) <= 75 and b"\n" not in line for line in lines)
    assert written(file) == written(file)
