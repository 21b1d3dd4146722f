"""What a sheet costs beyond its plan; it reports, and fails on no time."""

import pytest
from pytest_benchmark.fixture import BenchmarkFixture
from tests.conformance.patients import CATALOGUE, proposed
from tests.unit.sheet.pages import PLANNED

from crossgrain.dosing.plan import PriorTherapy
from crossgrain.sheet.page import sheet_html


@pytest.mark.parametrize("prior", PriorTherapy)
@pytest.mark.benchmark(group="sheet", max_time=0.2)
def test_every_sheet(benchmark: BenchmarkFixture, prior: PriorTherapy) -> None:
    proposals = [proposed(file, target, prior) for file, target in PLANNED.items()]

    def written() -> list[str]:
        return [sheet_html(one, CATALOGUE, service_version="0") for one in proposals]

    assert all(benchmark(written))
