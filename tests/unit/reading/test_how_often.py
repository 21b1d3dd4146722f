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


MAY_BE_ONE = [
    ["MORN", "ACM"], ["MORN", "CM"], ["WAKE", "PCM"], ["MORN.early", "MORN"], ["NOON", "ACD"],
    ["AFT", "PCD"], ["EVE", "CV"], ["EVE", "HS"], ["PHS", "NIGHT"], ["CV", "NIGHT"],
]  # fmt: skip
"""FHIR R4, value set event-timing: each pair holds a moment at which both are true."""
ONCE = {"frequency": 1, "period": 1, "periodUnit": "d"}


def micrograms_of(*dosages: Json) -> list[str]:
    """Micrograms a day that were read, or none where it is asked once."""
    record = read(statement(LT4_100, *dosages))
    found = [amount for _, amounts in doses(record) for amount in amounts]
    assert len(asked(record)) == (0 if found else 1)
    return found


def micrograms_at(
    when: list[str], *, words: str = "", code: str = "", **parts: object
) -> list[str]:
    """The same of one 100 microgram tablet at these events."""
    timing: Json = {"repeat": {"when": when, **parts}}
    if code:
        timing["code"] = {"coding": [{"system": GTS, "code": code}]}
    return micrograms_of(dosage(ucum(1, "{tbl}"), timing, **({"text": words} if words else {})))


@pytest.mark.parametrize("when", MAY_BE_ONE, ids="+".join)
def test_events_that_may_be_one_moment_are_never_two_doses_unasked(when: list[str]) -> None:
    """FHIR R4, Timing.repeat.when: several events are tied to all of them together."""
    assert micrograms_at(when) == []
    assert micrograms_at(when, dayOfWeek=["mon", "thu"]) == []
    assert micrograms_at([*when, *when]) == []
    assert micrograms_at(when, **ONCE) == ["100"]
    assert micrograms_at(when, words="Take 1 tablet by mouth once daily") == ["100"]
    assert micrograms_at(when, words="1 tablet in the morning as directed") == []
    assert micrograms_at(when, code="QD") == ["100"]


@pytest.mark.parametrize("when", MAY_BE_ONE[:7], ids="+".join)
def test_a_frequency_that_only_counts_events_of_one_part_of_the_day_is_asked_about(
    when: list[str],
) -> None:
    """A system that counts its codes writes two a day for what is taken once."""
    assert micrograms_at(when, **{**ONCE, "frequency": 2}) == []
    assert micrograms_at(when, code="BID") == []
    assert micrograms_at(
        [*when, "HS" if when[0] != "EVE" else "MORN"], **{**ONCE, "frequency": 2}
    ) == ["200"]


def test_evening_and_bedtime_are_two_doses_where_a_frequency_says_so() -> None:
    assert micrograms_at(["EVE", "HS"], **{**ONCE, "frequency": 2}) == ["200"]
    assert micrograms_at(["MORN", "EVE", "HS"], **{**ONCE, "frequency": 2}) == ["200"]
    assert micrograms_at(["MORN", "EVE", "HS"], **{**ONCE, "frequency": 3}) == ["300"]
    assert micrograms_at(["MORN", "EVE", "HS"], **{**ONCE, "frequency": 4}) == []
    assert micrograms_at(["MORN", "NOON", "HS"]) == ["300"]


def test_times_of_the_clock_tell_how_many_moments_the_events_are() -> None:
    assert micrograms_at(["MORN", "ACM"], timeOfDay=["07:30:00"]) == ["100"]
    assert micrograms_at(["MORN", "ACM"], timeOfDay=["07:30:00", "08:00:00"]) == []
    assert micrograms_at([], timeOfDay=["08:00:00", "08:00:00.000", "08:00"]) == ["100"]
    assert micrograms_at([], timeOfDay=["08:00:00", "20:00:00"]) == ["200"]


@pytest.mark.parametrize("event", ["AC", "PC", "C", "IMD"])
def test_an_event_that_tells_no_number_is_asked_about_on_named_days_too(event: str) -> None:
    assert micrograms_at([event]) == []
    assert micrograms_at([event], dayOfWeek=["sun"]) == []
    assert micrograms_at([event], **ONCE) == ["100"]


def test_a_time_of_the_clock_that_is_none_refuses_the_record() -> None:
    with pytest.raises(Unreadable):
        micrograms_at([], timeOfDay=["25:00:00"])


@pytest.mark.parametrize(
    "when", [*MAY_BE_ONE, ["MORN", "08:00:00"], ["HS", "21:00:00"]], ids="+".join
)
def test_two_equal_dosages_at_what_may_be_one_moment_are_asked_about(when: list[str]) -> None:
    """One dosage written twice, as "morning" and as "before breakfast", is no double dose."""

    def both(*moments: str) -> list[str]:
        parts = [
            dosage(ucum(1, "{tbl}"), {"repeat": {**ONCE, "timeOfDay" if ":" in m else "when": [m]}})
            for m in moments
        ]
        return micrograms_of(*parts)

    assert both(*when) == []
    assert both("MORN", "HS") == ["100", "100"]
    assert both("08:00:00", "20:00:00") == ["100", "100"]
    assert both("08:00:00", "08:00:00.0") == []


def test_r5_when_it_was_taken_may_name_one_moment_twice() -> None:
    assert (
        asked(read(when_taken({"repeat": {"when": ["MORN", "ACM"]}}), version=FhirVersion.R5)) == []
    )
