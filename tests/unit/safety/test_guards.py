"""The guards on a plan: doses and predictions outside what is usual or labelled."""

import pytest
from tests.unit.safety.patients import CLEAR, RULES
from tests.unit.safety.plans import dose, forecast, plan

from crossgrain.dosing.plan import LineDose, SwitchPart
from crossgrain.safety.assess import after_plan
from crossgrain.safety.rule import Finding, Severity


def guards(*climb: LineDose, **more: object) -> dict[str, Finding]:
    found = after_plan(plan(*climb, **more), CLEAR, RULES)  # type: ignore[arg-type]
    return {finding.code: finding for finding in found}


@pytest.mark.parametrize(
    ("code", "line", "fires"),
    [
        ("t3-above-75", dose("liothyronine", "74"), False),
        ("t3-above-75", dose("liothyronine", "75"), False),
        ("t3-above-75", dose("liothyronine", "75.1"), True),
        ("lt4-above-300", dose("levothyroxine", 299), False),
        ("lt4-above-300", dose("levothyroxine", 300), False),
        ("lt4-above-300", dose("levothyroxine", 301), True),
        ("desiccated-above-usual", dose("desiccated-thyroid-60", 165), False),
        ("desiccated-above-usual", dose("desiccated-thyroid-60", 180), False),
        ("desiccated-above-usual", dose("desiccated-thyroid-60", 195), True),
        ("desiccated-above-usual", dose("desiccated-thyroid-65", "178.75"), False),
        ("desiccated-above-usual", dose("desiccated-thyroid-65", 195), False),
        ("desiccated-above-usual", dose("desiccated-thyroid-65", "211.25"), True),
    ],
)
def test_a_dose_is_held_above_its_maximum_and_not_at_it(
    code: str, line: LineDose, fires: bool
) -> None:
    assert (code in guards(line)) is fires


def test_t3_is_summed_over_everything_swallowed_on_one_day() -> None:
    lines = (dose("desiccated-thyroid-60", 120, SwitchPart.OLD), dose("liothyronine", 60))
    assert "78 micrograms" in guards(*lines)["t3-above-75"].statement


def test_a_dose_in_a_conditional_branch_is_guarded_too() -> None:
    assert "t3-above-75" in guards(dose("liothyronine", 5), branch=(dose("liothyronine", 80),))


def test_the_largest_dose_is_the_one_named() -> None:
    found = guards(dose("levothyroxine", 310), branch=(dose("levothyroxine", 350),))
    assert "350 micrograms" in found["lt4-above-300"].statement


def test_a_dose_of_desiccated_thyroid_is_named_in_milligrams() -> None:
    found = guards(dose("desiccated-thyroid-60", 210))
    assert "210 mg" in found["desiccated-above-usual"].statement


@pytest.mark.parametrize(("exposure", "fires"), [(1.49, False), (1.5, False), (1.51, True)])
def test_modelled_t3_exposure_is_held_above_one_and_a_half(exposure: float, fires: bool) -> None:
    found = guards(chosen=forecast(exposure=exposure))
    assert ("t3-exposure-high" in found) is fires


@pytest.mark.parametrize(("lowest", "fires"), [(0.69, True), (0.7, False), (0.71, False)])
def test_coverage_is_held_below_seven_tenths_on_any_basis(lowest: float, fires: bool) -> None:
    found = guards(chosen=forecast(lowest=lowest))
    assert ("coverage-low" in found) is fires
    if fires:
        assert "on day 12 on the basis label" in found["coverage-low"].statement


def test_what_was_not_chosen_raises_nothing() -> None:
    assert guards(other=forecast(exposure=3.0, lowest=0.1)) == {}


def test_every_guard_is_a_hold_with_its_source() -> None:
    found = guards(
        dose("liothyronine", 80),
        dose("levothyroxine", 320),
        dose("desiccated-thyroid-60", 210),
        chosen=forecast(exposure=2.0, lowest=0.3),
    )
    assert set(found) == set(RULES.after) - {"product-exchanged", "combination-review"}  # notes
    assert {finding.severity for finding in found.values()} == {Severity.HOLD}
    assert all(finding.source for finding in found.values())


@pytest.mark.parametrize(("lowest", "fires"), [(0.49, True), (0.5, False), (0.51, False)])
def test_coverage_below_a_half_is_called_overt_hypothyroidism(lowest: float, fires: bool) -> None:
    found = guards(chosen=forecast(lowest=lowest))
    assert ("overt-hypothyroidism" in found) is fires
    assert "coverage-low" in found
    if fires:
        assert "overt hypothyroidism" in found["overt-hypothyroidism"].statement
        assert "week 4" in found["overt-hypothyroidism"].action
