"""What a plan costs beside the least that any service does: read and write a record's JSON.

Reports; never fails on time. `pytest tests/bench/test_plan.py` prints a table, the floor first,
and the ratio of each case to the floor of the same run.
"""

import orjson
import pytest
from pytest_benchmark.fixture import BenchmarkFixture
from tests.bench.test_read import BODY, median_seconds
from tests.unit.dosing.switches import amounts, plan, regimen

from crossgrain.dosing.plan import Plan
from crossgrain.dosing.regimens import Regimen
from crossgrain.dosing.targets import Target

CASES: dict[str, tuple[Regimen, Target, str]] = {
    "LT4 to desiccated": (regimen(lt4=100), Target.DESICCATED_THYROID, "standard"),
    "LT4 to desiccated, cautious": (regimen(lt4=150), Target.DESICCATED_THYROID, "cautious"),
    "desiccated to LT4": (regimen(mg60=120), Target.LEVOTHYROXINE, "standard"),
    "LT4 to LT3": (regimen(lt4=100), Target.LIOTHYRONINE, "standard"),
    "LT3 to LT4": (regimen(lt3=50), Target.LEVOTHYROXINE, "standard"),
    "LT4 to LT4 + LT3": (regimen(lt4=125), Target.LT4_LT3, "standard"),
    "desiccated to desiccated + LT3": (regimen(mg60=240), Target.DESICCATED_LT3, "standard"),
    "LT4 + LT3 to desiccated": (regimen(lt4=88, lt3=10), Target.DESICCATED_THYROID, "standard"),
    "fixed ratio to desiccated": (regimen(fixed=100), Target.DESICCATED_THYROID, "standard"),
}


def read_and_write() -> bytes:
    """The floor: a 26-resource bundle from bytes and back."""
    return orjson.dumps(orjson.loads(BODY))


def planned(case: str) -> Plan:
    """The plan of a case."""
    taken, target, pace = CASES[case]
    return plan(taken, target, pace_id=pace)


@pytest.mark.benchmark(group="plan", max_time=0.2)
def test_the_floor(benchmark: BenchmarkFixture) -> None:
    assert len(orjson.loads(benchmark(read_and_write))["entry"]) == 26


@pytest.mark.benchmark(group="plan", max_time=0.2)
@pytest.mark.parametrize("case", CASES)
def test_one_plan(benchmark: BenchmarkFixture, case: str) -> None:
    floor = median_seconds(read_and_write)
    answer = benchmark(planned, case)
    ratio = median_seconds(lambda: planned(case), times=50) / floor
    benchmark.extra_info["times the floor"] = round(ratio, 1)
    print(f"{case}: {ratio:.0f} times reading and writing the record")
    assert amounts(answer.steps[-1])
    assert answer.checkpoint.branches
