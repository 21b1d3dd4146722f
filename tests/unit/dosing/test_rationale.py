"""Why a plan is what it is: the arithmetic, the inputs and the sources that are given."""

from dataclasses import replace
from fractions import Fraction

import pytest
from tests.unit.dosing.switches import (
    CATALOGUE,
    COMBINING,
    GRAIN,
    GRAIN_60,
    LT4,
    plan,
    regimen,
    tables,
)

from crossgrain.dosing.bases import Basis, ChartRow, Grade
from crossgrain.dosing.dose_rationale import by_weight
from crossgrain.dosing.plan import PriorTherapy
from crossgrain.dosing.regimens import DoseLine, Regimen
from crossgrain.dosing.taper import Choice, Taper
from crossgrain.dosing.taper_rationale import price_of_simplicity
from crossgrain.dosing.targets import Target, TargetDose
from crossgrain.dosing.wording import dose_words, off_ratio
from crossgrain.names.printing import decimal, percent, quantity


def to_desiccated(**wanted):
    """From 100 µg LT4 to desiccated thyroid."""
    return plan(regimen(lt4=100), Target.DESICCATED_THYROID, **wanted)


def to_lt4(**wanted):
    """From two grains to LT4."""
    return plan(regimen(mg60=120), Target.LEVOTHYROXINE, **wanted)


def said_of(planned, branch):
    """The statement of a branch; those of a high and of a very high TSH may end alike."""
    places = [s for s in planned.rationale if s.title.startswith("If the")]
    statement = places[planned.checkpoint.branches.index(branch)]
    assert statement.title.endswith(f": {branch.statement}")
    return statement


def said(planned, start):
    (statement,) = [s for s in planned.rationale if s.title.startswith(start)]
    return statement


def test_a_dose_is_worded_in_the_trades_currencies():
    assert dose_words(TargetDose(grains=Fraction(1))) == "desiccated thyroid 1 grain"
    both = TargetDose(lt3_ug=Fraction(5), grains=Fraction(3, 2))
    assert dose_words(both) == "desiccated thyroid 1.5 grains + LT3 5 micrograms"
    assert dose_words(TargetDose()) == "nothing"


def test_what_is_taken_is_stated_with_its_hormone():
    statement = said(plan(regimen(mg65=130), Target.LEVOTHYROXINE), "Taken now")
    assert (
        "130 mg = 2 grains a day, which holds 76 micrograms of T4 and 18 micrograms of T3"
        in statement.arithmetic
    )


def test_a_weekly_pattern_is_averaged_in_sight():
    week = Regimen((DoseLine(LT4, (Fraction(100),) * 5 + (Fraction(50),) * 2),))
    statement = said(plan(week, Target.DESICCATED_THYROID), "Taken now")
    assert (
        "(100 + 100 + 100 + 100 + 100 + 50 + 50) / 7 days = about 85.7 micrograms"
        in statement.arithmetic
    )


def test_alternate_days_are_averaged_in_sight():
    alternate = Regimen((DoseLine(LT4, (Fraction(100), Fraction(0))),))
    statement = said(plan(alternate, Target.DESICCATED_THYROID), "Taken now")
    assert statement.arithmetic.startswith(
        "(100 + 0) / 2 days = 50 micrograms a day, which holds 50 micrograms of T4"
    )


@pytest.mark.parametrize(
    ("basis_id", "arithmetic"),
    [
        (
            "practice",
            "50 micrograms of LT4 + 1.5 grains × 50 + 5 micrograms of LT3 × 2 = 135"
            " micrograms of LT4",
        ),
        (
            "label",
            "50 micrograms of LT4 + 1.5 grains × 100 + 5 micrograms of LT3 × 4 = 220"
            " micrograms of LT4",
        ),
        (
            "content",
            "50 micrograms of LT4 + 1.5 grains × 67.7 + 5 micrograms of LT3 × 3.3 = 168.05"
            " micrograms of LT4",
        ),
    ],
)
def test_each_basis_shows_its_sum(basis_id, arithmetic):
    planned = plan(regimen(lt4=50, mg60=90, lt3=5), Target.LEVOTHYROXINE)
    assert said(planned, f"On the basis “{basis_id}”").arithmetic == arithmetic


def test_each_basis_names_its_source_and_grade():
    planned = to_desiccated()
    for row in planned.comparison:
        statement = said(planned, f"On the basis “{row.basis_id}”")
        assert statement.source == f"{row.basis.source} [{row.basis.grade}]"
        assert ("steers nothing" in statement.title) is (not row.sets_checkpoint)


def test_every_statement_on_the_regimen_names_where_it_was_read():
    lines = tuple(replace(line, origin="Bundle.entry[1]") for line in regimen(lt4=100))
    planned = plan(Regimen(lines), Target.DESICCATED_THYROID)
    assert said(planned, "Taken now").inputs == ("Bundle.entry[1]",)
    assert said(planned, "On the basis “label”").inputs == ("Bundle.entry[1]",)
    assert said(planned, "The target on the chosen basis").inputs == ("Bundle.entry[1]",)


def test_the_spread_between_the_bases_is_stated():
    planned = to_desiccated()
    statement = said(
        planned, "The target on the chosen basis “practice” is desiccated thyroid 2 grains"
    )
    assert (
        "disagree by a factor of 2: from desiccated thyroid 1 grain to desiccated"
        " thyroid 2 grains" in (statement.arithmetic)
    )


def test_the_checkpoint_names_every_rung():
    planned = to_desiccated()
    statement = said(
        planned, "The climb waits for labs at desiccated thyroid 1 grain, the target of “label”"
    )
    for rung in planned.checkpoint.ladder:
        assert f"“{rung.basis_id}” {dose_words(rung.target)}" in statement.arithmetic


def test_a_climb_is_stated_with_its_pace_and_no_climb_as_such():
    planned = to_desiccated()
    statement = said(planned, "Swallowed T3 rises from 0 to 9 micrograms")
    assert "by 15 mg every 14 days" in statement.arithmetic
    none = said(plan(regimen(mg60=120), Target.LEVOTHYROXINE), "Swallowed T3 does not rise")
    assert "18 micrograms before, 0 micrograms at the checkpoint" in none.arithmetic


@pytest.mark.parametrize("mode", PriorTherapy)
def test_what_was_not_chosen_is_stated_with_its_lowest_coverage(mode):
    planned = plan(regimen(lt4=150), Target.DESICCATED_THYROID, prior_therapy=mode)
    own, other = planned.forecasts
    statement = said(planned, f"Prior therapy: {mode}")
    assert f"Lowest coverage {percent(own.lowest.lowest.value)}" in statement.title
    assert f"with {other.prior_therapy} it would be {percent(other.lowest.lowest.value)}" in (
        statement.title
    )


def test_each_branch_is_stated_with_the_dose_that_it_leads_to():
    planned = to_desiccated()
    for branch in planned.checkpoint.branches:
        last = branch.steps[-1]
        statement = said_of(planned, branch)
        assert f"from day {last.first_day}" in statement.arithmetic
        assert all(line.preparation.name in statement.arithmetic for line in last.lines)
        assert all(f"“{basis_id}”" in statement.source for basis_id in branch.basis_ids)


def test_the_model_states_its_assumptions_and_where_its_parameters_come_from():
    planned = to_desiccated()
    statement = said(planned, "The model assumes no residual gland")
    assert "half-lives T4 7 d, T3 1 d" in statement.arithmetic
    assert "Surks" in statement.source


def test_a_pool_that_was_none_is_stated_in_micrograms():
    statement = said(plan(regimen(lt3=50), Target.LEVOTHYROXINE), "Forecast with overlap")
    assert "T4 pool from nothing to" in statement.arithmetic
    # 100 µg a day, 0.75 absorbed, 10.1 days' residence
    assert "micrograms" in statement.arithmetic.split("T4 pool from nothing to")[1]


def test_content_by_mg_is_shown_as_a_sensitivity_only_where_desiccated_thyroid_is_met():
    planned = to_desiccated()
    start = "A labelled grain is counted the same in both strength families"
    assert "8 %" in said(planned, start).arithmetic
    without = plan(regimen(lt4=100), Target.LIOTHYRONINE).rationale
    assert not [s for s in without if s.title.startswith(start)]


def stopped():
    """The same, where the old medicine ends on day 0."""
    return to_desiccated(prior_therapy=PriorTherapy.STOP)


@pytest.mark.parametrize(
    ("planned", "title", "arithmetic", "source"),
    [
        (
            to_desiccated,
            "Taken now: levothyroxine sodium 100 micrograms a day",
            "100 micrograms a day, which holds 100 micrograms of T4 and 0 micrograms of T3",
            LT4.source,
        ),
        (
            to_desiccated,
            "The target on the chosen basis “practice” is desiccated thyroid 2 grains",
            "nearest tablets: desiccated thyroid, 60 mg per grain 120 mg. The bases in use"
            " disagree by a factor of 2: from desiccated thyroid 1 grain to desiccated"
            " thyroid 2 grains",
            "each basis' own source",
        ),
        (
            to_desiccated,
            "A labelled grain is counted the same in both strength families",
            "38 micrograms of T4 and 9 micrograms of T3 per 60 or 65 mg; if content went by"
            " mg instead, the other"
            " family would hold 8 % more or less",
            "US desiccated thyroid label (per 65 mg); common practice (per 60 mg)",
        ),
        (
            to_desiccated,
            "The climb waits for labs at desiccated thyroid 1 grain, the target of “label”",
            "targets along the climb: “label” desiccated thyroid 1 grain, “trial” desiccated"
            " thyroid about 1.14 grains, “content” desiccated thyroid about 1.48 grains,"
            " “practice” desiccated thyroid 2 grains; rounded to the increments of the climb,"
            " never below one. No dose past it without a TSH in"
            " between",
            "the smallest target that any enabled basis gives",
        ),
        (
            to_desiccated,
            "Swallowed T3 rises from 0 to 9 micrograms, so it climbs at the pace “standard”",
            "desiccated thyroid, 60 mg per grain by 15 mg every 14 days",
            CATALOGUE.policy.pace("standard").source,
        ),
        (
            to_desiccated,
            "The model assumes no residual gland and steady, regular intake before day 0",
            "half-lives T4 7 d, T3 1 d; absorbed LT4 0.75, LT3 0.95; 0.35 of T4 cleared becomes"
            " T3 by moles",
            CATALOGUE.kinetics.source,
        ),
        (
            to_lt4,
            "Taken now: desiccated thyroid, 60 mg per grain 120 mg a day",
            "120 mg = 2 grains a day, which holds 76 micrograms of T4 and 18 micrograms of T3",
            GRAIN_60.source,
        ),
        (
            # handout "Switching Desiccated Thyroid to Levothyroxine": 90 mg 112-175, 125 mg 175-300
            to_lt4,
            "A published table puts LT4 between 112 and 300 micrograms; the target lies"
            " outside that range",
            "120 mg desiccated: 112 to 300 micrograms, against 100 micrograms on “practice”",
            CATALOGUE.cross_checks.handout_source,
        ),
        (
            to_lt4,
            "Swallowed T3 does not rise, so there is no climb",
            "18 micrograms before, 0 micrograms at the checkpoint: the new medicine starts"
            " at the checkpoint's"
            " dose",
            "the climb is for a heart that is not used to T3",
        ),
    ],
)
def test_a_prescriber_reads_each_step_with_its_numbers(planned, title, arithmetic, source):
    statement = said(planned(), title.split(" is ")[0].split(" rises ")[0])
    assert (statement.title, statement.arithmetic, statement.source) == (title, arithmetic, source)


@pytest.mark.parametrize(
    ("basis_id", "says"), [("practice", "outside"), ("label", "inside"), ("trial", "inside")]
)
def test_a_target_is_held_against_the_handouts_range(basis_id, says):
    planned = plan(regimen(mg60=60), Target.LEVOTHYROXINE, basis_id=basis_id)
    statement = said(planned, "A published table puts LT4 between 88 and 112 micrograms")
    assert statement.title.endswith(f"the target lies {says} that range")


def test_between_two_rows_the_handout_reaches_from_the_lowers_low_to_the_uppers_high():
    planned = plan(regimen(mg60=45), Target.LEVOTHYROXINE, basis_id="label")
    statement = said(planned, "A published table puts LT4 between 25 and 112 micrograms")
    assert statement.arithmetic == (
        "45 mg desiccated: 25 to 112 micrograms, against 75 micrograms on “label”"
    )


def test_the_handout_speaks_of_pure_desiccated_thyroid_alone():
    for taken in (regimen(mg60=60, lt3=5), regimen(lt3=25)):
        planned = plan(taken, Target.LEVOTHYROXINE)
        assert not [s for s in planned.rationale if s.title.startswith("A published table")]


def test_in_pregnancy_the_checkpoint_names_its_own_rule():
    raised = plan(regimen(mg60=120), Target.LEVOTHYROXINE, lt4_at_least_most_generous=True)
    statement = said(
        raised, "The climb waits for labs at LT4 200 micrograms, the target of “label”"
    )
    assert statement.source == (
        "in pregnancy, no less than the largest sourced target (ATA, as summarised)"
    )


@pytest.mark.parametrize(
    ("planned", "why"),
    [
        (
            to_desiccated,
            "the simplest taper among those nearly as good as the best: fewest strengths to buy,"
            " fewest changes of dose, fewest days with a broken tablet, and only then the smallest"
            " worst deviation of ln coverage over the enabled bases",
        ),
        (stopped, "the old medicine ends, or takes its new dose, on day 0, as asked"),
    ],
)
def test_the_prior_therapy_says_why_it_is_so(planned, why):
    statement = said(planned(), "Prior therapy")
    assert statement.arithmetic == why
    assert statement.source == (
        "two-pool model; the charts disagree, so the taper hedges over all of them"
    )


@pytest.mark.parametrize(
    ("chosen", "best", "words"),
    [
        (
            Taper((), 0.746, 1.31, 1, 0, 2, False),
            Taper((), 0.751, 1.31, 2, 1, 2, True),
            "One more strength would hold 75.1 % instead of 74.6 %",
        ),
        (
            Taper((), 0.75, 1.31, 1, 0, 1, True),
            Taper((), 0.76, 1.31, 1, 0, 3, True),
            "Two more changes of dose would hold 76 % instead of 75 %",
        ),
        (
            Taper((), 0.75, 1.31, 1, 0, 1, True),
            Taper((), 0.74, 1.29, 1, 1, 2, True),
            "One more strength and one more change of dose would stay below 129 % instead of 131 %",
        ),
        (
            Taper((), 0.75, 1.31, 1, 0, 1, True),
            Taper((), 0.76, 1.31, 1, 0, 1, False),
            "Broken tablets would hold 76 % instead of 75 %",
        ),
        (
            Taper((), 0.7504, 1.31, 1, 0, 1, True),
            Taper((), 0.7501, 1.31, 1, 0, 1, False),
            "No taper that was found holds more than this one",
        ),
        (  # 240 mg to LT4: 134.5 % either way
            Taper((), 0.75003, 1.34501, 1, 1, 2, True),
            Taper((), 0.74547, 1.34547, 1, 1, 2, True),
            "No taper that was found holds more than this one",
        ),
        (  # 225 mg to LT4: 76.7 % either way
            Taper((), 0.76667, 1.31801, 1, 0, 2, True),
            Taper((), 0.76671, 1.30334, 1, 0, 3, True),
            "One more change of dose would stay below 130.3 % instead of 131.8 %",
        ),
    ],
)
def test_what_a_simpler_taper_costs_is_said_in_words(chosen, best, words):
    assert price_of_simplicity(Choice(chosen, best)) == words


def test_the_chosen_taper_and_the_best_one_both_stand_in_the_rationale():
    planned = to_desiccated()
    statement = said(planned, price_of_simplicity(planned.taper))
    for taper in planned.taper:
        assert f"{100 * taper.lowest:.1f} %" in statement.arithmetic
    assert "our judgement" in statement.source


def test_a_risk_that_weighs_is_named_beside_the_taper():
    planned = plan(regimen(lt4=150), Target.DESICCATED_THYROID, too_much_weighs=True)
    statement = said(planned, price_of_simplicity(planned.taper))
    assert "coverage above 1 weighs 2 times" in statement.arithmetic


@pytest.mark.parametrize("planned", [to_desiccated, stopped])
@pytest.mark.parametrize("chosen", [True, False])
def test_a_forecast_is_stated_with_every_basis_its_days_and_its_band(planned, chosen):
    planned = planned()
    forecast = planned.forecasts[0 if chosen else 1]
    statement = said(planned, f"Forecast with {forecast.prior_therapy}")
    low, high = forecast.t3_exposure
    lowest = forecast.lowest
    assert statement.title == (
        f"Forecast with {forecast.prior_therapy}: coverage from {percent(lowest.lowest.value)} on"
        f" “{lowest.basis_id}”, T3 exposure {percent(low.value)} to {percent(high.value)}"
    )
    by_basis, pool, *rest = statement.arithmetic.removeprefix("coverage ").rsplit("; ", 2)
    assert by_basis.split("; ") == [
        f"“{c.basis_id}” {percent(c.lowest.value)} (day {decimal(c.lowest.day)}) to"
        f" {percent(c.highest.value)} (day {decimal(c.highest.day)})"
        for c in forecast.coverage
    ]
    assert pool == (
        f"T4 pool {percent(forecast.t4_pool[0].value)} to {percent(forecast.t4_pool[1].value)}"
        " of before"
    )
    steady, _, band = rest[0].partition(". ")
    assert steady == f"steady from day {forecast.steady_day}"
    assert (forecast.band is not None) is chosen
    assert band == (
        f"Over the parameters' band: lowest coverage {percent(forecast.band.lowest_coverage[0])} to"
        f" {percent(forecast.band.lowest_coverage[1])}, highest T3 exposure"
        f" {percent(forecast.band.highest_t3_exposure[0])} to"
        f" {percent(forecast.band.highest_t3_exposure[1])}"
        if chosen
        else ""
    )


def test_a_branch_is_stated_with_its_days_and_every_medicine():
    for planned in (to_desiccated(), to_lt4()):
        for branch in planned.checkpoint.branches:
            first, last = branch.steps[0], branch.steps[-1]
            doses = " + ".join(
                f"{line.preparation.name} {quantity(line.amount, line.preparation.unit)}"
                for line in last.lines
            )
            assert said_of(planned, branch).arithmetic == (
                f"from day {first.first_day}; leads to {doses} from day {last.first_day}"
            )


def test_the_labs_are_stated_with_the_days_that_they_rest_on():
    """Six weeks after a dose that will be kept (ATA 2014, 4 to 8 weeks, from memory)."""
    planned = to_desiccated()
    checkpoint = planned.checkpoint
    statement = said(planned, "Labs at the checkpoint")
    assert statement.title == (
        f"Labs at the checkpoint on day {checkpoint.lab_day}, decision from day"
        f" {checkpoint.decision_day}"
    )
    assert statement.arithmetic == (
        f"the checkpoint's dose is reached on day {checkpoint.day}; the later of 42 days after it"
        f" and the modelled steady state, day {planned.forecasts[0].steady_day}"
    )


def test_full_replacement_by_weight_is_a_reference_where_the_weight_is_known():
    """1.6 µg LT4 per kg (ATA 2014, as summarised): 70 kg make 112 µg."""
    (statement,) = by_weight(CATALOGUE.cross_checks, Fraction(70))
    assert statement.title == "Full replacement by weight would be 112 micrograms of LT4 a day"
    assert statement.arithmetic == (
        "1.6 micrograms/kg × 70 kg; a reference beside the bases, not a target"
    )
    assert statement.source == CATALOGUE.cross_checks.weight_source
    assert not list(by_weight(CATALOGUE.cross_checks, None))


def test_a_table_chart_is_marked_and_one_that_does_not_reach_says_so():
    rows = tuple(ChartRow(Fraction(m) * 50, Fraction(m), Fraction(m) * 25) for m in (1, 2, 3))
    chart = Basis("clinic-x", "our chart", "our protocol", Grade.CLINIC, GRAIN, rows=rows)
    by = tables(bases=(*CATALOGUE.bases, chart))
    reached = said(plan(regimen(lt4=100), Target.LIOTHYRONINE, by=by), "On the basis “clinic-x”")
    assert reached.arithmetic == (
        "100 micrograms of LT4 = 100 micrograms of LT4; a table chart, shown by its"
        " straight line at this dose"
    )
    beyond = said(plan(regimen(lt4=175), Target.LIOTHYRONINE, by=by), "The basis “clinic-x”")
    assert beyond.title == "The basis “clinic-x” gives no answer here"
    assert beyond.source == "our protocol"
    assert "runs from 50 to 150 and does not reach 175" in beyond.arithmetic


@pytest.mark.parametrize(
    ("lt4_ug", "lt3_ug", "said_of_it"),
    [
        (64, 5, " T4 to T3 is then 12.8:1, outside 13:1 to 20:1 (ETA 2012)."),
        (65, 5, ""),
        (100, 5, ""),
        (101, 5, " T4 to T3 is then 20.2:1, outside 13:1 to 20:1 (ETA 2012)."),
        (101, 0, ""),
        (0, 5, ""),
    ],
)
def test_a_ratio_outside_the_guidelines_is_said(lt4_ug, lt3_ug, said_of_it):
    """ETA 2012, Eur Thyroid J 1:55: T4 to T3 between 13:1 and 20:1 by weight."""
    dose = TargetDose(lt4_ug=Fraction(lt4_ug), lt3_ug=Fraction(lt3_ug))
    assert off_ratio(dose, COMBINING) == said_of_it


def test_the_guidelines_ratio_says_nothing_of_desiccated_thyroid():
    dose = TargetDose(lt4_ug=Fraction(25), lt3_ug=Fraction(5), grains=Fraction(1))
    assert off_ratio(dose, COMBINING) == ""


def test_the_rationale_says_after_which_labs_each_branch_is_taken():
    titles = [one.title for one in plan(regimen(lt4=100), Target.DESICCATED_THYROID).rationale]
    for begins in (
        "If the labs ask for much more: ",
        "If the labs ask for more: ",
        "If the labs ask for more, but free T3 is above its range: ",
        "If the labs are in range: ",
        "If there are symptoms and the labs are in range: ",
        "If the labs say that it is too much: ",
        "If the labs say that it is much too much: ",
    ):
        assert sum(title.startswith(begins) for title in titles) == 1
