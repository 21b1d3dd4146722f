"""The pools' closed form, and the parameters that are refused."""

from math import inf, log

import pytest
from tests.unit.dosing.switches import CATALOGUE, KINETICS, regimen

from crossgrain.catalogue.pharmacology import kinetics_from
from crossgrain.dosing.kinetics import (
    Curve,
    Intake,
    Kinetics,
    Pools,
    PoolWeights,
    after,
    intake_of,
    steady,
    t3_curve,
    weighed,
)
from crossgrain.names.errors import Category, DomainError

NOTHING = Intake(0, 0, 0)


@pytest.mark.parametrize("t3_half_life", [7.0, 7.1, 0.0, -1.0])
def test_the_half_life_of_t3_is_positive_and_the_shorter(t3_half_life):
    with pytest.raises(
        DomainError, match=r"^half-lives are positive and T3's is the shorter$"
    ) as no:
        Kinetics(7.0, t3_half_life, 0.75, 0.95, 0.35)
    assert (no.value.category, no.value.field) == (Category.INVALID, "half-life")
    assert Kinetics(7.0, 6.99, 0.75, 0.95, 0.35).t4_tau > 10


@pytest.mark.parametrize("place", [2, 3, 4])
@pytest.mark.parametrize(
    ("fraction", "usable"), [(0.0, False), (0.01, True), (1.0, True), (1.01, False)]
)
def test_absorption_and_conversion_lie_above_nothing_and_up_to_all(place, fraction, usable):
    values = [7.0, 1.0, 0.75, 0.95, 0.35]
    values[place] = fraction
    if usable:
        assert Kinetics(*values).t3_made_weight > 0
    else:
        with pytest.raises(DomainError, match=r"^a fraction lies above 0, up to 1$") as no:
            Kinetics(*values)
        assert (no.value.category, no.value.field) == (Category.INVALID, list(TABLE)[place])


def test_a_residence_is_the_half_life_over_ln_2():
    assert KINETICS.t4_tau == pytest.approx(7 / log(2))
    assert KINETICS.t3_tau == pytest.approx(1 / log(2))


def test_t3_made_from_t4_weighs_its_mass_and_what_is_absorbed():
    # 0.35 by moles; molar masses 776.87 and 650.97 g/mol; absorbed 0.75 and 0.95
    assert KINETICS.t3_made_weight == pytest.approx(0.35 * 650.97 / 776.87 * 0.75 / 0.95)


def test_at_steady_state_nothing_changes():
    dose = Intake(100, 10, 9)
    for days in (0, 1, 14, 365):
        assert after(KINETICS, steady(dose), dose, days) == pytest.approx(steady(dose))


def test_no_time_changes_nothing():
    pools = Pools(80, 60, 5, 9)
    assert after(KINETICS, pools, Intake(150, 0, 0), 0) == pytest.approx(pools)


def test_t3_made_from_t4_lags_behind_it():
    stopped = after(KINETICS, steady(Intake(100, 0, 0)), NOTHING, 3)
    assert 100 > stopped.t3_made > stopped.t4 > 0


def test_the_curves_are_the_pools_weighed():
    pools, dose, weights = Pools(80, 60, 5, 9), Intake(150, 10, 4), PoolWeights(1, 2, 3)
    for days in (0, 0.5, 3, 30):
        now = after(KINETICS, pools, dose, days)
        by_pools = now.t4 + 2 * now.lt3 + 3 * now.desiccated_t3
        assert weighed(pools, dose, weights).at(KINETICS, days) == pytest.approx(by_pools)
        assert t3_curve(KINETICS, pools, dose).at(KINETICS, days) == pytest.approx(
            KINETICS.t3_total(now)
        )


@pytest.mark.parametrize(
    "curve", [Curve(1, 2, 3), Curve(1, 0, 3), Curve(1, 2, 0), Curve(1, 7, -0.99)]
)
def test_a_curve_whose_parts_fall_together_or_whose_fast_part_is_small_never_turns(curve):
    # below a ratio of tau4 to tau3, here 7:1, it would have turned before day 0
    assert curve.turning_day(KINETICS) is None


def test_a_curve_turns_just_after_day_0_where_its_fast_part_only_just_wins():
    assert 0 < Curve(1, 7, -1.001).turning_day(KINETICS) < 0.01


def test_intake_keeps_t3_apart_by_where_it_comes_from():
    taken = regimen(lt4=50, lt3=5, mg60=60, fixed=100)
    assert intake_of(taken) == pytest.approx(Intake(50 + 38 + 100, 5 + 25, 9))


# --- the table of parameters ----------------------------------------------------------------

TABLE = {
    "t4_half_life_days": {"value": 7, "low": 6, "high": 10, "source": "a"},
    "t3_half_life_days": {"value": 1, "low": 0.75, "high": 2.5, "source": "b"},
    "t4_absorbed": {"value": 0.75, "low": 0.4, "high": 0.8, "source": "c"},
    "t3_absorbed": {"value": 0.95, "low": 0.43, "high": 1, "source": "d"},
    "t4_to_t3_molar": {"value": 0.35, "low": 0.3, "high": 0.5, "source": "e"},
}


def test_the_shipped_parameters_are_read_with_their_sources():
    assert kinetics_from(TABLE).default == CATALOGUE.kinetics.default
    assert kinetics_from(TABLE).source == (
        "t4_half_life_days: a; t3_half_life_days: b; t4_absorbed: c; t3_absorbed: d;"
        " t4_to_t3_molar: e"
    )
    for name in TABLE:
        assert name in CATALOGUE.kinetics.source


@pytest.mark.parametrize("name", TABLE)
@pytest.mark.parametrize("key", ["value", "low", "high"])
def test_a_missing_number_is_refused_by_the_parameters_name(name, key):
    entry = {k: v for k, v in TABLE[name].items() if k != key}
    with pytest.raises(DomainError, match=f"^{key} is missing$") as refused:
        kinetics_from(TABLE | {name: entry})
    assert (refused.value.category, refused.value.field) == (Category.INVALID, f"{name}.{key}")


@pytest.mark.parametrize("name", TABLE)
def test_a_parameter_that_is_missing_or_no_number_is_refused_by_its_name(name):
    without = {key: entry for key, entry in TABLE.items() if key != name}
    for table, place in (
        (without, name),
        (TABLE | {name: TABLE[name] | {"value": "a week"}}, f"{name}.value"),
        (TABLE | {name: TABLE[name] | {"unit": "days"}}, f"{name}.unit"),
    ):
        with pytest.raises(DomainError) as refused:
            kinetics_from(table)
        assert refused.value.field == place


@pytest.mark.parametrize(("value", "usable"), [(5.9, False), (6, True), (10, True), (10.1, False)])
def test_a_value_outside_its_own_band_is_refused(value, usable):
    table = TABLE | {"t4_half_life_days": {"value": value, "low": 6, "high": 10, "source": "a"}}
    if usable:
        assert kinetics_from(table).default.t4_half_life_days == value
    else:
        with pytest.raises(DomainError, match=r"^the value lies outside its band$") as refused:
            kinetics_from(table)
        assert (refused.value.category, refused.value.field) == (
            Category.INVALID,
            "t4_half_life_days.value",
        )


def test_the_corners_hold_every_pair_of_half_lives_and_the_ends_of_t3_made():
    corners = kinetics_from(TABLE).corners
    pairs = {(corner.t4_half_life_days, corner.t3_half_life_days) for corner in corners}
    assert pairs == {(6, 0.75), (6, 2.5), (10, 0.75), (10, 2.5)}
    made = [corner.t3_made_weight for corner in corners]
    smallest = 0.30 * 650.97 / 776.87 * 0.40 / 1.0
    largest = 0.50 * 650.97 / 776.87 * 0.80 / 0.43
    assert sorted(set(made)) == pytest.approx([smallest, largest])
    assert len(corners) == 8
    assert max(made) < inf
