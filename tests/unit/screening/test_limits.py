"""The screening's numbers: each with a source, each a deployment's to set, none senseless."""

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from tests.unit.safety.patients import NUMBERS

from crossgrain.catalogue import load_catalogue
from crossgrain.names.errors import DomainError
from crossgrain.screening.limits import limits_from

SHIPPED = NUMBERS


def test_the_numbers_are_those_of_the_definition():
    # 0.8, 1.25 and one half: the service's own judgement, no source.
    limits = limits_from(SHIPPED)
    assert (limits.ratio_under, limits.ratio_over) == (Fraction(4, 5), Fraction(5, 4))
    assert (limits.change_up, limits.change_down) == (Fraction(3, 2), Fraction(1, 2))
    assert (limits.labs_settled_days, limits.labs_first_within_days) == (6 * 7, 12 * 7)


def test_what_is_our_own_judgement_is_marked_so():
    for key in ("ratio.under", "ratio.over", "change.up", "record.regimen_days"):
        assert SHIPPED[key].is_ours


def test_a_clinics_file_sets_its_own(tmp_path: Path):
    chart = tmp_path / "clinic.toml"
    chart.write_text('[numbers.ratio]\nunder = "0.9"\n[numbers.labs]\nwait_days = 56\n')
    limits = load_catalogue(chart).limits
    assert (limits.ratio_under, limits.labs_settled_days) == (Fraction(9, 10), 56)
    assert limits.ratio_over == limits_from(SHIPPED).ratio_over


@pytest.mark.parametrize(
    ("key", "value", "place"),
    [
        ("ratio.under", "1", "ratio"),
        ("ratio.over", "9/10", "ratio"),
        ("ratio.over", "1", "ratio"),
        ("change.up", "9/10", "change"),
        ("tsh.low", "5", "tsh"),
        ("tsh.older_high", "3", "tsh.older_high"),
        ("labs.wait_days", "85", "labs"),
        ("labs.wait_days", "85/2", "labs.wait_days"),
        ("pregnancy.tsh_high_in_some", "7/2", "pregnancy"),
        ("export.share_ignored", "1", "export.share_ignored"),
    ],
)
def test_numbers_that_contradict_each_other_are_refused_by_their_place(key, value, place):
    broken = {**SHIPPED, key: replace(SHIPPED[key], value=Fraction(value))}
    with pytest.raises(DomainError) as refused:
        limits_from(broken)
    assert refused.value.field == place


def test_a_missing_number_is_refused():
    short = {key: number for key, number in SHIPPED.items() if key != "record.order_days"}
    with pytest.raises(DomainError) as refused:
        limits_from(short)
    assert refused.value.field == "record.order_days"
