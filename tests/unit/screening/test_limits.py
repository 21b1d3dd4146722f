"""The screening's numbers: each with a source, each a deployment's to set, none senseless."""

import tomllib
from fractions import Fraction
from importlib.resources import files
from pathlib import Path

import pytest

from crossgrain.catalogue import load_catalogue
from crossgrain.names.errors import DomainError
from crossgrain.screening.limits import limits_from

SHIPPED = tomllib.loads(files("crossgrain").joinpath("data", "screening.toml").read_text("utf-8"))


def test_the_numbers_are_those_of_the_definition():
    # 0.8, 1.25 and one half: the service's own judgement, no source.
    limits = limits_from(SHIPPED)
    assert (limits.ratio_under, limits.ratio_over) == (Fraction(4, 5), Fraction(5, 4))
    assert (limits.change_up, limits.change_down) == (Fraction(3, 2), Fraction(1, 2))
    assert (limits.labs_settled_days, limits.labs_first_within_days) == (6 * 7, 12 * 7)


def test_what_is_our_own_judgement_is_marked_so():
    for name in ("ratio", "change", "kept"):
        assert "our judgement" in SHIPPED[name]["source"]


def test_a_clinics_file_sets_its_own(tmp_path: Path):
    chart = tmp_path / "clinic.toml"
    chart.write_text('[screening.ratio]\nunder = "0.9"\n[screening.labs]\nsettled_days = 56\n')
    limits = load_catalogue(chart).limits
    assert (limits.ratio_under, limits.labs_settled_days) == (Fraction(9, 10), 56)
    assert limits.ratio_over == limits_from(SHIPPED).ratio_over


@pytest.mark.parametrize(
    ("own", "place"),
    [
        ({"ratio": {"under": "1"}}, "ratio"),
        ({"ratio": {"over": "0.9"}}, "ratio"),
        ({"ratio": {"under": 0.8}}, "ratio.under"),
        ({"ratio": {"below": "0.8"}}, "ratio.below"),
        ({"change": {"up": "0.9"}}, "change"),
        ({"tsh": {"low": "5"}}, "tsh"),
        ({"tsh": {"older_high": "3"}}, "tsh.older_high"),
        ({"labs": {"settled_days": 85}}, "labs"),
        ({"labs": {"settled_days": "42.5"}}, "labs.settled_days"),
        ({"window": {"with_t3_days": 0}}, "window.with_t3_days"),
        ({"lab": {}}, "lab"),
    ],
)
def test_a_slip_is_refused_by_its_place(own, place):
    with pytest.raises(DomainError) as refused:
        limits_from(SHIPPED, own)
    assert refused.value.field == place


def test_a_missing_number_is_refused():
    short = {name: dict(section) for name, section in SHIPPED.items()}
    del short["kept"]["order_days"]
    with pytest.raises(DomainError) as refused:
        limits_from(short)
    assert refused.value.field == "kept.order_days"
