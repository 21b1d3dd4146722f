"""The guards on a plan: doses and predictions outside what is usual or labelled."""

from dataclasses import replace
from fractions import Fraction

import pytest
from tests.unit.safety.patients import BASES, CLEAR, RULES, raised, regimen
from tests.unit.safety.plans import dose, forecast, plan

from crossgrain.dosing.plan import BasisRow, PriorTherapy
from crossgrain.dosing.steps import LineDose, Stage, Step, SwitchPart
from crossgrain.dosing.tablets import Piece, Tablets
from crossgrain.dosing.targets import TargetDose
from crossgrain.safety.assess import after_plan
from crossgrain.safety.facts import Facts
from crossgrain.safety.rule import Finding, Severity


def guards(*climb: LineDose, **more: object) -> dict[str, Finding]:
    found = after_plan(plan(*climb, **more), CLEAR, RULES)  # type: ignore[arg-type]
    return {finding.code: finding for finding in found}


CHARTS = tuple(
    BasisRow(basis, Fraction(100), TargetDose(Fraction(100)))
    for basis in BASES
    if basis.sets_checkpoint
)


def weighed(*climb: LineDose, facts: Facts = CLEAR, **more: object) -> dict[str, Finding]:
    """The guards of a plan that the charts were asked about, for one of 70 kg."""
    made = replace(plan(*climb, **more), comparison=CHARTS)  # type: ignore[arg-type]
    return {finding.code: finding for finding in after_plan(made, facts, RULES)}


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


def lt3_in(*single: int | str, part: SwitchPart = SwitchPart.NEW) -> LineDose:
    """LT3 in doses of so much, the largest first; none of them made of tablets that matter here."""
    times = tuple(Tablets((Piece(Fraction(ug), Fraction(1)),)) for ug in single)
    line = dose("liothyronine", str(sum(map(Fraction, single))), part)
    return replace(line, doses_per_day=len(single), times=times, tablets=times[0])


@pytest.mark.parametrize(
    ("single", "fires"), [((24, 19), False), ((25, 25), False), (("25.1", 25), True)]
)
def test_a_single_dose_of_lt3_is_held_above_25_and_not_at_it(
    single: tuple[int | str, ...], fires: bool
) -> None:
    assert ("lt3-single-dose" in guards(lt3_in(*single))) is fires


def test_t3_of_desiccated_thyroid_is_counted_with_the_morning_dose_of_lt3() -> None:
    beside = dose("desiccated-thyroid-60", 60)  # 9 µg of T3
    assert "lt3-single-dose" not in guards(beside, lt3_in(15, 15))
    assert "29 micrograms" in guards(beside, lt3_in(20, 15))["lt3-single-dose"].statement


def test_desiccated_thyroid_alone_is_taken_once_a_day_as_labelled() -> None:
    assert "lt3-single-dose" not in guards(dose("desiccated-thyroid-60", 180))  # 27 µg of T3


def test_an_old_dose_of_lt3_that_tapers_is_not_held_for_its_size() -> None:
    assert "lt3-single-dose" not in guards(lt3_in(30, 30, part=SwitchPart.OLD))


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


# 70 kg: 140 µg of LT4 are 2 µg/kg. On `practice` a grain is 50 µg and LT3 counts twice, on the
# other charts more, so that what is above the limit there is above it on every one.
@pytest.mark.parametrize(
    ("line", "fires"),
    [
        (dose("levothyroxine", 139), False),
        (dose("levothyroxine", 140), False),
        (dose("levothyroxine", 141), True),
        (dose("desiccated-thyroid-60", 168), False),
        (dose("desiccated-thyroid-60", 169), True),
        (dose("liothyronine", 70), False),
        (dose("liothyronine", "70.5"), True),
    ],
)
def test_a_dose_that_is_kept_is_held_above_2_ug_per_kg_on_every_basis(
    line: LineDose, fires: bool
) -> None:
    assert ("plan-high-by-weight" in weighed(line)) is fires
    in_branch = weighed(dose("levothyroxine", 25), branch=(line,))
    assert ("plan-high-by-weight" in in_branch) is fires


def test_a_small_patients_large_dose_is_held_and_an_unknown_weight_is_named() -> None:
    found = weighed(dose("levothyroxine", 250), facts=replace(CLEAR, weight_kg=Fraction(45)))
    assert "5.6 micrograms of LT4 per kg" in found["plan-high-by-weight"].statement
    unknown = replace(CLEAR, weight_kg=None, regimen=regimen(desiccated_thyroid_60=60))
    assert "plan-high-by-weight" not in weighed(dose("levothyroxine", 250), facts=unknown)
    said = raised(unknown)["not-checked-weight"].statement
    assert "a plan high for the weight" in said


def test_old_and_new_together_are_not_a_dose_that_is_kept() -> None:
    """One takes over from the other: what both come to meanwhile, coverage tells."""
    old, new = dose("liothyronine", 50, SwitchPart.OLD), dose("levothyroxine", 100)
    taking_over = Step(Stage.CLIMB, 0, 27, (old, new))
    made = replace(plan(new), comparison=CHARTS)
    made = replace(made, steps=(taking_over, *made.steps))
    codes = {finding.code for finding in after_plan(made, CLEAR, RULES)}
    assert "plan-high-by-weight" not in codes


@pytest.mark.parametrize(
    ("highest", "fires"),
    [((1.24, 2.0), False), ((1.25, 2.0), False), ((1.26, 2.0), True), ((2.0, 1.26), True)],
)
def test_coverage_is_held_above_one_and_a_quarter_on_every_basis(
    highest: tuple[float, float], fires: bool
) -> None:
    found = guards(chosen=forecast(highest=highest))
    assert ("coverage-high" in found) is fires
    if fires:
        assert "126 %" in found["coverage-high"].statement
        assert "on day 30" in found["coverage-high"].statement


@pytest.mark.parametrize(
    ("prior", "highest", "slowly", "helps"),
    [
        (PriorTherapy.STOP, (1.25, 2.0), False, True),
        (PriorTherapy.STOP, (1.26, 2.0), False, False),
        (PriorTherapy.STOP, (1.0, 1.0), True, False),  # the old medicine must taper
        (PriorTherapy.OVERLAP, (1.0, 1.0), False, False),  # it ends on day one already
    ],
)
def test_where_the_old_medicine_makes_it_too_much_its_end_on_day_one_is_offered(
    prior: PriorTherapy, highest: tuple[float, float], slowly: bool, helps: bool
) -> None:
    other = forecast(prior=prior, lowest=0.5, highest=highest)
    made = plan(chosen=forecast(highest=(1.5, 2.0)), other=other)
    found = {each.code: each for each in after_plan(made, CLEAR, RULES, slowly=slowly)}
    action = found["coverage-high"].action
    assert ("the old medicine ends on day one" in action) is helps
    assert ("coverage would be 50 % at the lowest" in action) is helps
    assert ("another basis or a smaller target" in action) is not helps


@pytest.mark.parametrize(
    ("amount", "highest", "fires"),
    [
        (168, (1.0, 1.5), False),  # 2.4 µg/kg
        (169, (1.0, 1.5), True),
        (168, (1.0, 1.51), True),
        (168, (1.51, 1.0), True),
    ],
)
def test_in_pregnancy_the_limits_are_higher_and_one_basis_is_enough(
    amount: int, highest: tuple[float, float], fires: bool
) -> None:
    pregnant = replace(CLEAR, pregnant=True)
    found = weighed(dose("levothyroxine", amount), facts=pregnant, chosen=forecast(highest=highest))
    assert ("plan-high-in-pregnancy" in found) is fires
    assert not {"plan-high-by-weight", "coverage-high"} & set(found)
    if fires:
        assert "specialist" in found["plan-high-in-pregnancy"].action


def test_in_pregnancy_the_most_generous_basis_speaks() -> None:
    """2 grains are 100 µg on one chart and 200 on another."""
    pregnant = replace(CLEAR, pregnant=True)
    found = weighed(dose("desiccated-thyroid-60", 120), facts=pregnant)
    assert "on “label”" in found["plan-high-in-pregnancy"].statement


def test_what_was_not_chosen_raises_nothing() -> None:
    assert guards(other=forecast(exposure=3.0, lowest=0.1)) == {}


def test_every_guard_is_a_hold_with_its_source() -> None:
    found = weighed(
        lt3_in(40, 40),
        dose("levothyroxine", 320),
        dose("desiccated-thyroid-60", 210),
        chosen=forecast(exposure=2.0, lowest=0.3, highest=(1.6, 1.6)),
    )
    pregnant = weighed(dose("levothyroxine", 320), facts=replace(CLEAR, pregnant=True))
    assert set(found) | {"plan-high-in-pregnancy"} == set(RULES.after) - {
        "product-exchanged", "combination-review",  # notes
    }  # fmt: skip
    found |= pregnant
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
