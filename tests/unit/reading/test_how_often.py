"""How often a dose is taken, where it is said by a code, or by when it was taken."""

import pytest
from tests.unit.reading.records import (
    DAILY,
    LT4_100,
    ONE,
    SNOMED,
    SUBJECT,
    Json,
    asked,
    dosage,
    doses,
    read,
    statement,
    ucum,
)

from crossgrain.names.identity import FhirVersion
from crossgrain.reading.elements import Unreadable

TWICE = {"repeat": {"frequency": 2, "period": 1, "periodUnit": "d"}}
GTS = "http://terminology.hl7.org/CodeSystem/v3-GTSAbbreviation"
SAME_LETTERS = [{}, {"system": "urn:oid:2.16.840.1.113883.5.1002"}, {"system": "urn:local"}]


@pytest.mark.parametrize("system", [{"system": GTS}, *SAME_LETTERS], ids=str)
@pytest.mark.parametrize("code", ["QD", "AM", "PM", "BED", "QOD", "WK", "TID", "qd"])
def test_a_timing_code_alone_is_held_against_the_repeat(code: str, system: Json) -> None:
    """HL7, value set timing-abbreviation: none of these is twice a day."""
    timing = {**TWICE, "code": {"coding": [{**system, "code": code}]}}
    record = read(statement(LT4_100, dosage(ucum(1, "{tbl}"), timing)))
    assert asked(record) == [f"{ONE}.dosage[0].timing"]
    timing = {**TWICE, "code": {"coding": [{**system, "code": "BID"}]}}
    assert asked(read(statement(LT4_100, dosage(ucum(1, "{tbl}"), timing)))) == []


@pytest.mark.parametrize("words", ["twice daily", "1 tablet every other day"])
@pytest.mark.parametrize("system", [{"system": GTS}, {}], ids=str)
def test_a_timing_code_alone_is_held_against_the_words(words: str, system: Json) -> None:
    timing = {"code": {"coding": [{**system, "code": "QD"}]}}
    record = read(statement(LT4_100, dosage(ucum(1, "{tbl}"), timing, text=words)))
    assert asked(record) == [f"{ONE}.dosage[0]"]


def test_each_code_of_a_timing_counts() -> None:
    timing = {"code": {"coding": [{"system": GTS, "code": "QD"}, {"system": GTS, "code": "WK"}]}}
    record = read(statement(LT4_100, dosage(ucum(1, "{tbl}"), timing)))
    assert asked(record) == [f"{ONE}.dosage[0].timing.code"]


def test_a_code_counts_beside_its_own_display() -> None:
    coding = {"system": "urn:local", "code": "BID", "display": "once daily"}
    timing = {**DAILY, "code": {"coding": [coding]}}
    record = read(statement(LT4_100, dosage(ucum(1, "{tbl}"), timing)))
    assert asked(record) == [f"{ONE}.dosage[0].timing"]


def test_a_timing_code_that_is_not_known_and_has_no_words_is_asked_about() -> None:
    """229799001 is "Twice a day" in SNOMED CT: beside a daily repeat it must not pass."""
    coding = {"system": SNOMED, "code": "229799001"}
    timing = {**DAILY, "code": {"coding": [coding]}}
    record = read(statement(LT4_100, dosage(ucum(1, "{tbl}"), timing)))
    assert asked(record) == [f"{ONE}.dosage[0].timing.code"]
    timing = {**DAILY, "code": {"coding": [coding], "text": "daily"}}
    assert asked(read(statement(LT4_100, dosage(ucum(1, "{tbl}"), timing)))) == []


def when_taken(timing: Json, *dosages: Json) -> Json:
    """An R5 statement that says by a timing when it was taken."""
    return {
        "resourceType": "MedicationStatement",
        "id": "s1",
        "status": "recorded",
        "adherence": {"code": {"coding": [{"code": "taking"}]}},
        "medication": {"concept": LT4_100},
        "subject": SUBJECT,
        "effectiveTiming": timing,
        "dosage": list(dosages or (dosage(ucum(1, "{tbl}")),)),
    }


OTHER_TIMES: dict[str, Json] = {
    "twice a day": TWICE,
    "every other day": {"code": {"coding": [{"system": GTS, "code": "QOD"}]}},
    "three days of the week": {"repeat": {"dayOfWeek": ["mon", "wed", "fri"]}},
    "morning and evening": {"repeat": {"when": ["MORN", "EVE"]}},
    "at two hours": {"repeat": {"timeOfDay": ["08:00:00", "20:00:00"]}},
    "on listed days": {"event": ["2026-03-01", "2026-03-03"]},
    "by a code that is not read": {"code": {"coding": [{"code": "X7"}]}},
    "in a period of no length": {"repeat": {"frequency": 1}},
}


@pytest.mark.parametrize("timing", OTHER_TIMES.values(), ids=OTHER_TIMES.keys())
def test_r5_when_it_was_taken_is_held_against_the_dosage(timing: Json) -> None:
    record = read(when_taken(timing), version=FhirVersion.R5)
    assert len(asked(record)) == 1
    assert asked(record)[0].startswith(ONE)


def test_r5_when_it_was_taken_may_say_the_same() -> None:
    held = {"repeat": {**DAILY["repeat"], "boundsPeriod": {"start": "2025-04-10"}}}
    bounds_alone = {"repeat": {"boundsPeriod": {"start": "2025-04-10"}}}
    for timing in (held, bounds_alone, {"code": {"coding": [{"system": GTS, "code": "QD"}]}}):
        record = read(when_taken(timing), version=FhirVersion.R5)
        assert doses(record) == [("levothyroxine", ["100"])]
        assert record.questions == ()
    parts = [
        dosage(ucum(1, "{tbl}"), {"repeat": {**DAILY["repeat"], "when": [when]}})
        for when in ("MORN", "EVE")
    ]
    assert asked(read(when_taken(TWICE, *parts), version=FhirVersion.R5)) == []


def test_r5_the_bounds_of_when_it_was_taken_are_its_dates() -> None:
    ended = {"repeat": {"boundsPeriod": {"start": "2025-04-10", "end": "2026-03-19"}}}
    record = read(when_taken(ended), version=FhirVersion.R5)
    assert record.current == ()
    assert [(m.first_day, m.last_day) for m in record.past] == [(-344, -1)]
    going_on = {"repeat": {"boundsPeriod": {"start": "2025-04-10"}}}
    (taken,) = read(when_taken(going_on), version=FhirVersion.R5).current
    assert taken.first_day == -344


def test_a_timing_of_when_it_was_taken_is_no_part_of_r4() -> None:
    with pytest.raises(Unreadable):
        read(statement(LT4_100, dosage(ucum(1, "{tbl}")), effectiveTiming=DAILY))
