"""The load bench in small: it reports, and fails only where an answer is not what it may be.

`pytest -s tests/bench/test_serve.py` prints the tables of a few seconds' load;
`python -m tests.bench.serve` measures in earnest.
"""

from collections import Counter
from pathlib import Path
from typing import Any

import orjson
import pytest
from tests.bench.serve.bodies import body, with_serial
from tests.bench.serve.cells import Mix, loads
from tests.bench.serve.found import Found
from tests.bench.serve.hits import hits_of
from tests.bench.serve.lines import slope, steepening
from tests.bench.serve.load import TOOL, Answers, is_there
from tests.bench.serve.report import tables
from tests.bench.serve.sent import prepare
from tests.bench.serve.server import running

MORE_THAN_IT_TAKES = 160
"""Connections; by default 128 requests are let in at once."""


@pytest.mark.slow
@pytest.mark.skipif(not is_there(), reason=f"{TOOL} is not installed")
def test_under_load_every_answer_is_a_proposal_or_says_when_to_come_back(tmp_path: Path) -> None:
    found = Found()
    with running() as server:
        found.sent = [prepare(server, 25, tmp_path, most=60)]
    some, all_of_them = [Mix.FIRST_PASS, Mix.MADE, Mix.ECHO], [16, MORE_THAN_IT_TAKES]
    found.cells = list(loads(found.sent, some, all_of_them, 1, 1))
    assert hits_of(found.sent[0], 60).asked >= found.sent[0].checked.outcomes["plan"]
    print(f"\n{tables(found)}")
    for cell in found.cells:
        assert cell.answers.statuses[200] > 0
        assert set(cell.answers.statuses) <= {200, 503}
        assert not +cell.answers.errors
        if cell.connections == 16:
            assert set(cell.answers.statuses) == {200}


def record_in(sent: bytes) -> list[dict[str, Any]]:
    entries: list[dict[str, Any]] = orjson.loads(sent)["parameter"][-1]["resource"]["entry"]
    return entries


@pytest.mark.parametrize("size", [25, 250, 2500])
def test_a_body_holds_as_many_resources_as_asked_and_is_the_same_every_time(size: int) -> None:
    assert len(record_in(body(size, 7))) == size
    assert body(size, 7) == body(size, 7)
    assert body(size, 7, seed=1) != body(size, 7)


def test_no_two_bodies_and_no_two_patients_are_alike() -> None:
    made = [body(25, number) for number in range(600)]
    assert len(set(made)) == len(made)
    first, second = (with_serial(made[0], serial) for serial in (1, 2))
    assert len(first) == len(second) == len(made[0])
    ids = [{entry["resource"]["id"] for entry in record_in(sent)} for sent in (first, second)]
    assert ids[0] & ids[1] == {"doctor-1"}


def test_a_straight_line_is_found_and_a_bend_is_seen() -> None:
    assert slope([(25, 3.5), (250, 26.0), (2500, 251.0)]) == pytest.approx((0.1, 1.0))
    assert steepening([(25, 3.5), (250, 26.0), (2500, 251.0)]) == pytest.approx(1)
    assert steepening([(25, 3.5), (250, 26.0), (2500, 476.0)]) == pytest.approx(2)


def test_a_percentile_counts_every_answer() -> None:
    took = Counter({1000: 98, 5000: 1, 9000: 1})
    answers = Answers(seconds=2, statuses=Counter({200: 90, 503: 10}), microseconds=took)
    assert [answers.percentile_ms(percent) for percent in (50, 99, 100)] == [1, 5, 9]
    assert answers.good_a_second == 45
    assert answers.refused == {503: 10}
