"""A judged draft order stands in the answer with its numbers."""

from datetime import date
from decimal import Decimal
from fractions import Fraction

import pytest
from tests.unit.test_propose import CATALOGUE, COMBINING, INFERRED, LT4_100, SERIES, drafted, record

from crossgrain.core.proposal import SwitchRequest
from crossgrain.core.propose import propose
from crossgrain.dosing.targets import Target
from crossgrain.names.identity import FhirVersion
from crossgrain.writing.answer import answer_bundle

TAKEN = record(LT4_100, drafts=(drafted("desiccated-thyroid-60", 60),))


def order_part(request: SwitchRequest) -> dict[str, object]:
    proposal = propose(TAKEN, request, CATALOGUE)
    answer = answer_bundle(
        proposal, version=FhirVersion.R4, service_version="1", codes=CATALOGUE.codes
    )
    guidance = answer["entry"][0]["resource"]
    (parameters,) = (c for c in guidance["contained"] if c["resourceType"] == "Parameters")
    (order,) = (part for part in parameters["parameter"] if part["name"] == "order")
    return order


def parts(group: dict[str, object], name: str) -> list[dict[str, object]]:
    listed = group["part"]
    assert isinstance(listed, list)
    return [part for part in listed if part["name"] == name]


def test_the_verdict_leads_and_the_deciding_basis_is_named() -> None:
    order = order_part(INFERRED)
    assert parts(order, "verdict")[0]["valueCode"] == "under-dosed-switch"
    assert parts(order, "decided-on")[0]["valueCode"] == "practice"


@pytest.mark.parametrize(
    ("basis", "worth", "both"),
    [("practice", "0.5", "1.5"), ("label", "1", "2"), ("trial", "0.88", "1.88")],
)
def test_one_grain_for_100_ug_on_each_basis(basis: str, worth: str, both: str) -> None:
    order = order_part(SERIES)
    (on_basis,) = (
        part for part in parts(order, "basis") if parts(part, "id")[0]["valueCode"] == basis
    )
    for reading, ratio in (("switched", worth), ("both", both)):
        value = parts(parts(on_basis, reading)[0], "ratio")[0]["valueDecimal"]
        assert value == Decimal(ratio)


def test_the_t3_of_a_grain_is_nine_micrograms() -> None:
    order = order_part(INFERRED)
    assert parts(order, "t3-now")[0]["valueQuantity"]["value"] == 0  # type: ignore[index]
    assert parts(order, "t3-switched")[0]["valueQuantity"]["value"] == Fraction(9)  # type: ignore[index]


def test_without_a_draft_nothing_is_judged() -> None:
    proposal = propose(
        record(LT4_100),
        SwitchRequest(
            date(2025, 3, 3),
            date(2025, 3, 3),
            Target.DESICCATED_THYROID,
            mixture=COMBINING.mixture(),
        ),
        CATALOGUE,
    )
    assert proposal.judgement is None
