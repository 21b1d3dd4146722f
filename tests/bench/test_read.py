"""How long a record takes from bytes to facts, as a ratio to parsing its JSON alone.

The record is of an ordinary size: 26 resources, about 18 kB, with one thyroid medicine, four other
medicines, four conditions and ten results that are used. Parse-only is orjson, which keeps
neither exact decimals nor notice of doubled keys.

The reader remembers what short words meant. Records share most of theirs, so a service at work
lies between the two cases shown: every word met before, and none.
"""

import gc
import statistics
import time
from collections.abc import Callable

import orjson
import pytest
from pytest_benchmark.fixture import BenchmarkFixture
from tests.unit.reading.records import (
    AS_OF,
    CODES,
    LT4_100,
    PREPARATIONS,
    RXNORM,
    SNOMED,
    SUBJECT,
    Json,
    bundle,
    condition,
    dosage,
    encoded,
    observation,
    request,
    ucum,
)

from crossgrain.names.identity import FhirVersion
from crossgrain.reading.json import parse
from crossgrain.reading.reader import read_record
from crossgrain.reading.record import Record
from crossgrain.reading.remembered import Remembered

OTHERS = [
    ("855332", "warfarin sodium 5 MG Oral Tablet"),
    ("314076", "lisinopril 10 MG Oral Tablet"),
    ("617310", "atorvastatin 20 MG Oral Tablet"),
    ("860975", "metformin hydrochloride 500 MG Extended Release Oral Tablet"),
]
RESULTS = [
    ("3016-3", "m[IU]/L"),
    ("3024-7", "ng/dL"),
    ("3051-0", "pg/mL"),
    ("8867-4", "/min"),
    ("29463-7", "kg"),
]
NOT_READ = [("2345-7", "mg/dL"), ("718-7", "g/dL"), ("2160-0", "mg/dL")]
META: Json = {
    "meta": {"lastUpdated": "2026-03-01T00:00:00Z", "profile": ["https://ehr.example/profile/x"]},
    "encounter": {"reference": "Encounter/e1"},
}


def result(number: int, code: str, unit: str) -> Json:
    limits = {"low": ucum("0.4", unit), "high": ucum("4.0", unit)}
    return observation(
        code,
        ucum("2.51", unit, unit=unit),
        id=f"o{number}",
        effectiveDateTime=f"2026-03-{number % 9 + 1:02}T08:30:00+00:00",
        issued="2026-03-10T10:00:00Z",
        category=[{"coding": [{"system": "https://ehr.example/category", "code": "laboratory"}]}],
        referenceRange=[limits],
        **META,
    )


def record_of_ordinary_size() -> Json:
    tablet = dosage(ucum(1, "{tbl}", unit="tablet"), text="Take 1 tablet by mouth daily")
    others = [
        request(
            {"coding": [{"system": RXNORM, "code": code, "display": name}], "text": name},
            tablet,
            id=f"x{code}",
            **META,
        )
        for code, name in OTHERS
    ]
    status = {"coding": [{"system": "https://ehr.example/status", "code": "active"}]}
    conditions = [
        condition(code, id=f"c{code}", clinicalStatus=status, onsetDateTime="2015-06-01", **META)
        for code in ("40930008", "49436004", "38341003", "44054006")
    ]
    results = [
        result(number, code, unit) for number, (code, unit) in enumerate([*RESULTS * 2, *NOT_READ])
    ]
    allergy = {
        "resourceType": "AllergyIntolerance",
        "id": "a1",
        "code": {"coding": [{"system": SNOMED, "code": "91936005"}]},
        "patient": SUBJECT,
    }
    return bundle(
        request(LT4_100, tablet, **META),
        *others,
        *conditions,
        *results,
        allergy,
        {"resourceType": "Encounter", "id": "e1", "status": "finished"},
        {"resourceType": "Practitioner", "id": "d1"},
    )


BODY = encoded(record_of_ordinary_size())


def whole() -> Record:
    return read_record(
        parse(BODY), version=FhirVersion.R4, as_of=AS_OF, codes=CODES, preparations=PREPARATIONS
    )


MEMORIES = [kept for kept in gc.get_objects() if isinstance(kept, Remembered)]


def forget() -> None:
    """Empty all that the reader remembers, as if it had met no word of the record."""
    for memory in MEMORIES:
        memory.clear()


def median_seconds(act: Callable[[], object], times: int = 300) -> float:
    spent: list[float] = []
    for _ in range(times):
        start = time.perf_counter()
        act()
        spent.append(time.perf_counter() - start)
    return statistics.median(spent)


def test_the_record_of_the_benchmark_is_read_whole() -> None:
    record = whole()
    assert len(orjson.loads(BODY)["entry"]) == 26
    assert record.questions == ()
    assert record.regimen.t4_ug == 100
    assert record.facts.measurements is not None
    assert len(record.facts.measurements) == 10


@pytest.mark.benchmark(group="read", max_time=0.2)
def test_parse_only(benchmark: BenchmarkFixture) -> None:
    assert benchmark(orjson.loads, BODY)


@pytest.mark.benchmark(group="read", max_time=0.2)
def test_bytes_to_facts(benchmark: BenchmarkFixture) -> None:
    assert benchmark(whole).current


@pytest.mark.benchmark(group="read", max_time=0.2)
def test_bytes_to_facts_of_words_never_met(benchmark: BenchmarkFixture) -> None:
    assert benchmark.pedantic(whole, setup=forget, rounds=50).current


def test_the_ratio_of_reading_to_parse_only_is_told() -> None:
    ratio = median_seconds(whole, 50) / median_seconds(lambda: orjson.loads(BODY), 50)
    print(f"read / parse-only = {ratio:.1f}")
    assert ratio > 1, "the clock or the reader did nothing"
