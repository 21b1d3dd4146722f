"""A draft order judged as written: the four classic slips by name, and the edges."""

from collections.abc import Mapping
from fractions import Fraction

import pytest
from tests.unit.safety.patients import BASES, KINETICS, RULES, regimen

from crossgrain.dosing.bases import Basis, ChartRow, Grade
from crossgrain.dosing.plan import BasisCoverage, Extreme
from crossgrain.dosing.regimens import Regimen
from crossgrain.names.errors import Category, DomainError
from crossgrain.safety.judgement import (
    Ending,
    OrderJudgement,
    Verdict,
    judge_order,
    order_findings,
)
from crossgrain.safety.order import (
    BasisNumbers,
    OrderNumbers,
    OrderReading,
    order_numbers,
    switched_regimen,
)
from crossgrain.safety.rule import Severity

HORIZON = float(RULES.judgement["horizon"].value)


def numbers(now: Regimen, order: Regimen) -> OrderNumbers:
    return order_numbers(now, order, BASES, KINETICS, HORIZON)


def judged(
    now: Regimen, order: Regimen, ending: Ending = Ending.UNKNOWN, basis: str = "practice"
) -> OrderJudgement:
    return judge_order(numbers(now, order), basis, ending, RULES)


def ratios(judgement: OrderJudgement) -> Mapping[str, Fraction]:
    return {b.basis_id: b.switched.ratio for b in judgement.numbers.bases}


def test_slip_one_grain_for_100_ug() -> None:
    found = judged(regimen(levothyroxine=100), regimen(desiccated_thyroid_60=60))
    assert found.verdict is Verdict.UNDER
    assert ratios(found)["practice"] == Fraction(1, 2)
    assert ratios(found)["label"] == 1
    assert [d.basis_id for d in found.disputes] == ["label", "trial"]
    assert "0.5 on practice, 1 on label" in order_findings(found, RULES)[0].statement


def test_slip_label_chart_in_reverse_two_grains_to_200_ug() -> None:
    found = judged(regimen(desiccated_thyroid_60=120), regimen(levothyroxine=200))
    assert found.verdict is Verdict.OVER
    assert ratios(found)["practice"] == 2
    assert ratios(found)["label"] == 1


def test_slip_t3_at_a_factor_of_four_in_the_wrong_direction_up() -> None:
    """100 µg LT4 is 25 µg LT3 on the label's factor; times four instead it is 400."""
    found = judged(regimen(levothyroxine=100), regimen(liothyronine=400))
    assert found.verdict is Verdict.OVER
    assert Verdict.T3_JUMP in found.verdicts
    assert found.disputes == ()
    assert ratios(found)["label"] == 16


def test_slip_t3_at_a_factor_of_four_in_the_wrong_direction_down() -> None:
    """50 µg LT3 is 200 µg LT4 on the label's factor; divided by four instead it is 12.5."""
    found = judged(regimen(liothyronine=50), regimen(levothyroxine="12.5"))
    assert found.verdict is Verdict.UNDER
    assert found.disputes == ()
    assert ratios(found)["label"] == Fraction(1, 16)


def test_slip_old_medicine_never_stopped() -> None:
    now, order = regimen(levothyroxine=100), regimen(desiccated_thyroid_60=120)
    found = judged(now, order, Ending.RUNS)
    assert found.verdict is Verdict.DUPLICATE
    practice = found.numbers.bases[0]
    assert practice.both.ratio == 2
    assert practice.both.coverage.highest.value == pytest.approx(2.0, abs=0.01)
    assert "left running" in order_findings(found, RULES)[0].statement


def test_an_ending_that_nothing_tells_of_is_pointed_out_after_the_verdict_on_the_switch() -> None:
    found = judged(regimen(levothyroxine=100), regimen(desiccated_thyroid_60=60))
    assert found.verdicts == (Verdict.UNDER, Verdict.T3_JUMP, Verdict.DUPLICATE)


def test_an_old_medicine_that_ends_is_no_duplicate() -> None:
    order = regimen(desiccated_thyroid_60=60)
    found = judged(regimen(levothyroxine=100), order, Ending.ENDS)
    assert Verdict.DUPLICATE not in found.verdicts


def test_a_new_dose_of_what_is_taken_is_understood_to_replace_the_old() -> None:
    now, order = regimen(levothyroxine=100), regimen(levothyroxine=112)
    assert judged(now, order).verdicts == (Verdict.FITS,)
    assert judged(now, order, Ending.RUNS).verdict is Verdict.DUPLICATE


def test_an_order_for_one_line_of_several_leaves_the_others() -> None:
    now = regimen(levothyroxine=100, liothyronine=5)
    then = switched_regimen(now, regimen(levothyroxine=75))
    assert (then.pure_t4_ug, then.pure_t3_ug) == (75, 5)


def test_a_small_add_on_is_shown_as_one() -> None:
    found = judged(regimen(levothyroxine=100), regimen(liothyronine=5))
    assert found.verdicts == (Verdict.UNDER,)
    statement = order_findings(found, RULES)[0].statement
    assert "Taken beside the old medicine, both together are 1.1 on practice" in statement
    assert judged(regimen(levothyroxine=100), regimen(liothyronine=5), Ending.RUNS).verdicts == (
        Verdict.FITS,
    )


def test_a_dose_that_is_right_in_the_end_but_dips_on_the_way_is_under_dosed() -> None:
    found = judged(regimen(liothyronine=50), regimen(levothyroxine=100), Ending.ENDS)
    assert ratios(found)["practice"] == 1
    assert found.verdict is Verdict.UNDER
    assert "coverage falls to 38 % on practice" in order_findings(found, RULES)[0].statement


@pytest.mark.parametrize(
    ("lt4_ug", "verdict"),
    [
        (79, Verdict.UNDER),
        (80, Verdict.FITS),
        (81, Verdict.FITS),
        (124, Verdict.FITS),
        (125, Verdict.FITS),
        (126, Verdict.OVER),
    ],
)
def test_the_ratio_fits_from_eight_tenths_to_one_and_a_quarter(
    lt4_ug: int, verdict: Verdict
) -> None:
    found = judged(regimen(levothyroxine=100), regimen(levothyroxine=lt4_ug))
    assert found.verdicts == (verdict,)


@pytest.mark.parametrize(("lt3_ug", "jumps"), [("4.9", False), (5, False), ("5.1", True)])
def test_t3_may_rise_by_five_micrograms_at_once(lt3_ug: str | int, jumps: bool) -> None:
    order = regimen(levothyroxine=90, liothyronine=lt3_ug)
    found = judged(regimen(levothyroxine=100), order, Ending.ENDS)
    assert (Verdict.T3_JUMP in found.verdicts) is jumps


def by_hand(coverage: float = 1.0, exposure: float = 1.0) -> OrderNumbers:
    """Numbers of an order that fits but for its coverage or its T3."""
    calm = Extreme(1, 0)
    covered = BasisCoverage("practice", Extreme(coverage, 9), calm, 1.0, secant=False)
    reading = OrderReading(Fraction(100), Fraction(1), covered)
    practice = BasisNumbers("practice", True, Fraction(100), Fraction(100), reading, reading)
    return OrderNumbers(
        regimen(levothyroxine=100),
        changes_a_line=True,
        bases=(practice,),
        t3_now_ug=Fraction(0),
        t3_switched_ug=Fraction(0),
        t3_both_ug=Fraction(0),
        exposure_switched=Extreme(exposure, 3),
        exposure_both=calm,
    )


@pytest.mark.parametrize(("coverage", "dips"), [(0.69, True), (0.7, False), (0.71, False)])
def test_coverage_may_fall_to_seven_tenths(coverage: float, dips: bool) -> None:
    found = judge_order(by_hand(coverage=coverage), "practice", Ending.ENDS, RULES)
    assert (Verdict.UNDER in found.verdicts) is dips


@pytest.mark.parametrize(("exposure", "jumps"), [(1.49, False), (1.5, False), (1.51, True)])
def test_the_t3_pool_may_reach_one_and_a_half(exposure: float, jumps: bool) -> None:
    found = judge_order(by_hand(exposure=exposure), "practice", Ending.ENDS, RULES)
    assert (Verdict.T3_JUMP in found.verdicts) is jumps


def test_the_basis_asked_for_decides() -> None:
    now, order = regimen(levothyroxine=100), regimen(desiccated_thyroid_60=60)
    assert judged(now, order, Ending.ENDS, "label").verdicts == (Verdict.T3_JUMP,)


def test_a_fit_that_other_charts_dispute_says_so() -> None:
    found = judged(regimen(desiccated_thyroid_60=120), regimen(levothyroxine=100), Ending.ENDS)
    assert found.verdict is Verdict.FITS
    (finding,) = order_findings(found, RULES)
    assert finding.severity is Severity.NOTE
    assert "The charts disagree: label (an under-dosed switch)" in finding.statement


def test_every_verdict_but_a_fit_holds_the_order_and_names_its_lines() -> None:
    found = judged(regimen(levothyroxine=100), regimen(liothyronine=400))
    for finding in order_findings(found, RULES):
        assert finding.severity is Severity.HOLD
        assert finding.origins == ("liothyronine-line",)
        assert "{" not in finding.statement + finding.source


def test_a_reference_basis_is_shown_and_decides_nothing() -> None:
    found = judged(regimen(levothyroxine=100), regimen(desiccated_thyroid_60=60), basis="ddd")
    assert found.basis_id == "practice"
    assert "ddd" in ratios(found)
    assert "ddd" not in order_findings(found, RULES)[0].statement


def test_nothing_taken_now_is_refused() -> None:
    with pytest.raises(DomainError) as caught:
        numbers(Regimen(()), regimen(levothyroxine=100))
    assert (caught.value.category, caught.value.field) == (Category.INVALID, "order")
    assert caught.value.message.startswith("an order is judged against a regimen")


def test_doses_that_no_chart_reaches_are_refused() -> None:
    rows = (
        ChartRow(Fraction(50), Fraction(1), Fraction(25)),
        ChartRow(Fraction(100), Fraction(2), Fraction(50)),
    )
    table = Basis("clinic", "", "", Grade.CLINIC, BASES[0].content, rows=rows)
    found = order_numbers(
        regimen(levothyroxine=75), regimen(liothyronine=80), (table,), KINETICS, HORIZON
    )
    assert found.bases == ()
    with pytest.raises(DomainError) as caught:
        judge_order(found, "clinic", Ending.ENDS, RULES)
    assert caught.value.category is Category.OUT_OF_RANGE
    assert caught.value.field == "order"
    assert caught.value.message == "no chart that steers a plan reaches this dose"


def test_each_reading_of_an_order_is_worth_what_is_taken_under_it() -> None:
    """On `practice` a grain is worth 50 µg LT4 (common practice, no source)."""
    practice = numbers(regimen(levothyroxine=100), regimen(desiccated_thyroid_60=60)).bases[0]
    assert (practice.now_lt4_ug, practice.order_lt4_ug) == (100, 50)
    assert (practice.switched.lt4_ug, practice.both.lt4_ug) == (50, 150)
    assert (practice.switched.ratio, practice.both.ratio) == (Fraction(1, 2), Fraction(3, 2))


@pytest.mark.parametrize(("lt3_ug", "duplicate"), [("12.5", False), ("12.6", True)])
def test_both_together_are_too_much_above_a_quarter_more(lt3_ug: str, duplicate: bool) -> None:
    """On `practice` 12.5 µg LT3 are worth 25 µg LT4 (common practice, no source)."""
    found = judged(regimen(levothyroxine=100), regimen(liothyronine=lt3_ug), Ending.RUNS)
    assert (Verdict.DUPLICATE in found.verdicts) is duplicate


@pytest.mark.parametrize(
    ("ending", "t3_ug"), [(Ending.ENDS, None), (Ending.UNKNOWN, None), (Ending.RUNS, 15)]
)
def test_t3_is_counted_twice_only_where_the_old_dose_runs_on(
    ending: Ending, t3_ug: int | None
) -> None:
    """From 5 to 10 µg is the 5 µg that are allowed; 5 and 10 µg together are not."""
    found = judged(regimen(levothyroxine=100, liothyronine=5), regimen(liothyronine=10), ending)
    assert (Verdict.T3_JUMP in found.verdicts) is (t3_ug is not None)
    said = [f.statement for f in order_findings(found, RULES) if f.code == "order-t3-jump"]
    assert all(f"goes from 5 to {t3_ug} micrograms a day" in statement for statement in said)


def test_an_add_on_that_fits_is_stated_with_what_is_taken_beside_it() -> None:
    found = judged(regimen(levothyroxine=100), regimen(liothyronine=5), Ending.RUNS)
    (finding,) = order_findings(found, RULES)
    assert "fits today's regimen on practice: 1.1 on practice, 1.2 on label" in finding.statement


def test_an_ending_that_is_known_leaves_nothing_to_say_of_both_together() -> None:
    found = judged(regimen(levothyroxine=100), regimen(levothyroxine=50), Ending.ENDS)
    (finding,) = order_findings(found, RULES)
    assert finding.statement.endswith("on practice. Every chart agrees.")
    assert finding.action == RULES.verdicts["under-dosed-switch"].action


def test_every_chart_that_would_decide_otherwise_is_named_with_its_word() -> None:
    found = judged(regimen(levothyroxine=100), regimen(desiccated_thyroid_60=60), Ending.ENDS)
    statement = order_findings(found, RULES)[0].statement
    assert statement.endswith(" The charts disagree: label (fits), trial (fits).")
