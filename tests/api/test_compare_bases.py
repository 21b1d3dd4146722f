"""``$compare-bases``: the charts side by side, without a plan."""

import json
from collections.abc import Callable
from decimal import Decimal
from typing import Any

import httpx2 as httpx
import pytest

from .calls import COMPARE, PATIENTS


def compared(answer: httpx.Response) -> dict[str, dict[str, Any]]:
    """Each basis' parts by name; quantities as exact numbers."""
    body = json.loads(answer.content, parse_float=Decimal)
    assert answer.status_code == 200, answer.text
    assert body["resourceType"] == "Parameters"
    rows = [one["part"] for one in body["parameter"] if one["name"] == "basis"]
    return {row[0]["valueCode"]: {part["name"]: _value(part) for part in row} for row in rows}


def _value(part: dict[str, Any]) -> Any:
    (value,) = (part[key] for key in part if key != "name")
    return Decimal(value["value"]) if isinstance(value, dict) else value


@pytest.mark.parametrize(
    ("basis", "grains"),
    [
        # Arithmetic on each chart's weight per grain, for 150 µg of LT4.
        ("practice", Decimal("3")),  # common practice, no source: 150 µg = 3 grains
        ("label", Decimal("1.5")),  # product monograph as quoted: 60 mg = 100 µg
        ("trial", Decimal("1.705")),  # Hoang 2013, doi 10.1210/jc.2012-4107: 60 mg = 88 µg
        ("content", Decimal("2.216")),  # 38 + 9 × 3.3 = 67.7 µg per grain
    ],
)
def test_levothyroxine_150_is_so_many_grains_on_each_basis(
    post: Callable[..., httpx.Response], record: dict[str, Any], basis: str, grains: Decimal
) -> None:
    rows = compared(post(record, "?target=desiccated-thyroid&as-of=2025-03-03", COMPARE))
    assert rows[basis]["lt4-equivalent"] == 150
    assert rows[basis]["target-desiccated-thyroid"] == grains


def test_drug_statistics_are_shown_and_set_no_checkpoint(
    post: Callable[..., httpx.Response], record: dict[str, Any]
) -> None:
    rows = compared(post(record, "?target=desiccated-thyroid&as-of=2025-03-03", COMPARE))
    assert {basis: row["sets-checkpoint"] for basis, row in rows.items()} == {
        "practice": True,
        "label": True,
        "trial": True,
        "content": True,
        "ddd": False,
    }


@pytest.mark.parametrize(
    ("basis", "lt4"), [("practice", 100), ("label", 200), ("trial", 176), ("content", 135.4)]
)
def test_two_grains_are_worth_so_much_levothyroxine(
    post: Callable[..., httpx.Response], basis: str, lt4: float
) -> None:
    two_grains = (PATIENTS / "02-desiccated-120.json").read_bytes()
    rows = compared(post(two_grains, "?as-of=2025-03-03", COMPARE))
    assert rows[basis]["lt4-equivalent"] == Decimal(str(lt4))
    assert rows[basis]["target-lt4"] == Decimal(str(lt4))


def test_a_record_that_cannot_be_read_gives_questions_and_no_number(
    post: Callable[..., httpx.Response],
) -> None:
    unreadable = (PATIENTS / "12-text-only-sig.json").read_bytes()
    body = post(unreadable, "?as-of=2025-03-03", COMPARE).json()["parameter"]
    assert body[0] == {"name": "outcome", "valueCode": "data-required"}
    assert [one["name"] for one in body if one["name"] in {"basis", "daily-hormone"}] == []
    questions = [one["part"] for one in body if one["name"] == "question"]
    assert [_value(question[0]) for question in questions] == [
        "Bundle.entry[3].resource.dosageInstruction[0].text"
    ]


def test_an_option_of_the_plan_is_unknown_here(
    post: Callable[..., httpx.Response], record: dict[str, Any]
) -> None:
    answer = post(record, "?pace=brisk", COMPARE)
    assert answer.status_code == 400
    assert answer.json()["issue"][0]["expression"] == ["http.pace"]


@pytest.mark.parametrize(
    ("basis", "comparisons", "typical"),
    [
        # tests/published/test_evidence.py has each comparison by name, reckoned by hand
        ("practice", 11, Decimal("0.764")),
        ("label", 11, Decimal("1.136")),
        ("trial", 9, Decimal("0.952")),  # not against the two that it was made from
        ("content", 11, Decimal("0.997")),
    ],
)
def test_each_basis_says_how_it_fared_against_the_published_comparisons(
    post: Callable[..., httpx.Response],
    record: dict[str, Any],
    basis: str,
    comparisons: int,
    typical: Decimal,
) -> None:
    rows = compared(post(record, "?target=desiccated-thyroid&as-of=2025-03-03", COMPARE))
    said = {part["name"]: _value(part) for part in rows[basis]["evidence"]}
    assert (said["comparisons"], said["typical"]) == (comparisons, typical)
    assert said["words"].startswith(f"{comparisons} published comparisons: ")


def test_the_proposal_says_the_same_of_each_basis(
    post: Callable[..., httpx.Response], record: dict[str, Any]
) -> None:
    rows = compared(post(record, "?target=desiccated-thyroid&as-of=2025-03-03", COMPARE))
    bundle = json.loads(
        post(record, "?target=desiccated-thyroid&as-of=2025-03-03").content, parse_float=Decimal
    )
    (guidance,) = (
        entry["resource"]
        for entry in bundle["entry"]
        if entry["resource"]["resourceType"] == "GuidanceResponse"
    )
    (working,) = (one for one in guidance["contained"] if one["resourceType"] == "Parameters")
    proposed = {
        one["part"][0]["valueCode"]: part["part"]
        for one in working["parameter"]
        if one["name"] == "basis"
        for part in one["part"]
        if part["name"] == "evidence"
    }
    assert proposed == {basis: row["evidence"] for basis, row in rows.items()}
    assert all(row[2]["valueString"] in guidance["text"]["div"] for row in proposed.values())
