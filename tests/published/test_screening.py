"""The screening against published charts and thresholds, the source beside each value."""

from fractions import Fraction

import pytest
from tests.published.handout import HANDOUTS_DOSES
from tests.unit.screening.courses import (
    CATALOGUE,
    LIMITS,
    flags,
    grades,
    outcome,
    to_desiccated,
    took,
    tsh,
)

from crossgrain.dosing.regimens import Regimen
from crossgrain.screening.course import FlagCode, ScreeningOutcome, TakingHistory, Urgency
from crossgrain.screening.switches import ratios


def regimen(**amounts: int | str) -> Regimen:
    return Regimen(tuple(took(what, amount, -1).lines[0] for what, amount in amounts.items()))


@pytest.mark.parametrize(
    ("basis", "old", "new", "ratio", "source"),
    [
        # The size of the classic slip: 100 µg to one grain.
        ("practice", {"lt4": 100}, {"dt": 60}, "1/2", "common practice, no source"),
        ("label", {"lt4": 100}, {"dt": 60}, "1", "60 mg = LT4 100 µg: monograph, as quoted"),
        ("trial", {"lt4": 100}, {"dt": 60}, "88/100", "Hoang 2013: 60 mg = 88 µg, as quoted"),
        ("trial", {"lt3": "40.3"}, {"lt4": "115.2"}, "1", "Celi 2010: 40.3 and 115.2 µg, n = 10"),
        ("label", {"lt3": 25}, {"lt4": 100}, "1", "LT3 25 µg = LT4 0.1 mg: handbook, as quoted"),
        ("practice", {"lt3": 25}, {"lt4": 50}, "1", "common practice, no source"),
        ("content", {"lt4": "67.7"}, {"dt": 60}, "1", "38 µg T4 + 9 µg T3 a grain (label) × 3.3"),
        # ETA 2012 (Eur Thyroid J 1:55) as worked from memory: 100 → 85 + 5, 150 → 127.5 + 7.5.
        ("practice", {"lt4": 100}, {"lt4": 85, "lt3": 5}, "95/100", "ETA 2012 rule, from memory"),
        ("label", {"lt4": 150}, {"lt4": "127.5", "lt3": "7.5"}, "157.5/150", "ETA 2012, memory"),
    ],
)
def test_the_ratio_of_a_switch_is_the_charts(basis, old, new, ratio, source):
    found = ratios(regimen(**old), regimen(**new), [CATALOGUE.basis(basis)])
    top, _, bottom = ratio.partition("/")
    assert found[basis] == Fraction(top) / Fraction(bottom or 1), source


@pytest.mark.parametrize(("mg", "middle"), HANDOUTS_DOSES)
def test_a_move_by_the_published_handout_is_never_off_on_the_label(mg, middle):
    found = ratios(regimen(dt=mg), regimen(lt4=middle), [CATALOGUE.basis("label")])
    assert LIMITS.ratio_under <= found["label"] <= LIMITS.ratio_over


def test_the_guidelines_combination_is_off_on_no_basis():
    # ETA 2012 (Eur Thyroid J 1:55), rule from memory: 100 µg → 85 + 5.
    intakes = (took("lt4", 100, -900, -201), took("lt4", 85, -200), took("lt3", 5, -200))
    assert outcome(TakingHistory(intakes, tsh=(tsh("2", -100),))) is ScreeningOutcome.SOUND


def test_the_classic_slip_left_in_place_is_found_on_the_practising_chart():
    # 100 µg moved to one grain and parked: half the dose on the practising prescriber's chart
    # (common practice, no source).
    course = to_desiccated(tsh("1.8", -220), tsh("11.2", -30))
    assert grades(course) == {"under-dosed-switch": "confirmed"}


@pytest.mark.parametrize(
    ("value", "unlike"),
    [("0.4", None), ("4.0", None), ("0.39", FlagCode.TSH_LOW), ("4.1", FlagCode.TSH_HIGH)],
)
def test_the_usual_range_is_from_0_4_to_4_0(value, unlike):
    # ATA 2014, as quoted: TSH 0.4-4.0 mIU/L unless the laboratory gives its own.
    intakes = (took("lt4", 100, -900, -201), took("lt4", 75, -200), took("lt3", 10, -200))
    assert list(flags(TakingHistory(intakes, tsh=(tsh(value, -100),)))) == (
        [unlike] if unlike else []
    )


def test_a_tsh_below_0_1_is_over_replacement_the_more_so_from_65():
    # Am Fam Physician 2017;95:710.
    intakes = (took("dt", 120, -1200, -201), took("lt4", 200, -200))
    course = TakingHistory(intakes, tsh=(tsh("1.4", -220), tsh("0.05", -30)), age_years=65)
    assert flags(course)[FlagCode.OVER].urgency is Urgency.URGENT


@pytest.mark.parametrize(("weeks", "confirmed"), [(5, False), (6, True), (8, True)])
def test_a_tsh_speaks_of_a_dose_from_six_weeks_on(weeks, confirmed):
    # TSH 6 weeks after a dose that will be kept: ATA 2014 (4-8 weeks), from memory.
    course = to_desiccated(tsh("1.8", -220), tsh("9", -200 + 7 * weeks))
    assert (grades(course)["under-dosed-switch"] == "confirmed") is confirmed
