"""What a sheet costs beyond its plan: processor time, so that a busy machine does not fail it."""

from statistics import median
from time import process_time

import pytest
from tests.conformance.patients import CATALOGUE, proposed
from tests.unit.sheet.pages import PLANNED, page_of

from crossgrain.dosing.plan import PriorTherapy
from crossgrain.sheet.page import sheet_html

MOST_SECONDS = 0.015


@pytest.mark.parametrize("prior", PriorTherapy)
def test_the_median_sheet_takes_less_than_fifteen_milliseconds(prior: PriorTherapy) -> None:
    proposals = [proposed(file, target, prior) for file, target in PLANNED.items()]
    page_of(proposals[0])  # the templates compile once
    assert median(_seconds(proposal) for proposal in proposals * 3) < MOST_SECONDS


def _seconds(proposal: object) -> float:
    began = process_time()
    sheet_html(proposal, CATALOGUE, service_version="0")  # type: ignore[arg-type]
    return process_time() - began
