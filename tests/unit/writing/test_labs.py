"""Blood draws: what, when, and before that morning's dose."""

from dataclasses import replace

from tests.unit.writing.answers import intended, resources, written
from tests.unit.writing.plans import levothyroxine_to_desiccated, old_order_outlasts_the_series


def drawn(requests):
    return [(r["code"]["coding"][0]["code"], r.get("occurrenceDateTime")) for r in requests]


def test_each_draw_asks_for_tsh_free_t4_and_free_t3():
    series = intended(written(old_order_outlasts_the_series()), "ServiceRequest", "proposal")
    # LOINC: TSH 3016-3, free T4 3024-7, free T3 3051-0
    assert drawn(series) == [
        ("3016-3", "2024-05-01"),
        ("3024-7", "2024-05-01"),
        ("3051-0", "2024-05-01"),
        ("3016-3", "2024-06-18"),
        ("3024-7", "2024-06-18"),
        ("3051-0", "2024-06-18"),
    ]


def test_every_draw_is_before_that_mornings_dose():
    every = resources(written(levothyroxine_to_desiccated()), "ServiceRequest")
    assert len(every) == 3 * (2 + 2 + 1 + 1)
    assert all("before that morning's dose" in r["patientInstruction"] for r in every)


def test_maintenance_is_a_timing_of_dated_events():
    options = intended(written(levothyroxine_to_desiccated()), "ServiceRequest", "option")
    timings = [r["occurrenceTiming"] for r in options if "occurrenceTiming" in r]
    # Days 180, 270 and 540 from 1 May 2024.
    assert timings == [{"event": ["2024-10-28", "2025-01-26", "2025-10-23"]}] * 6


def test_a_conditional_draw_repeats_its_condition():
    options = intended(written(levothyroxine_to_desiccated()), "ServiceRequest", "option")
    assert len(options) == 12
    for request in options:
        assert request["note"][0]["text"].startswith("Only if: TSH at the checkpoint is")
        assert "Only if: TSH at the checkpoint is" in request["text"]["div"]


def test_what_the_plan_says_of_a_draw_is_its_note():
    series = intended(written(levothyroxine_to_desiccated()), "ServiceRequest", "proposal")
    assert series[0]["note"][0]["text"] == "TSH, free T4 and free T3: baseline"


def test_a_draw_before_the_modelled_steady_state_says_from_which_day_it_is_steady():
    made = levothyroxine_to_desiccated()
    early = replace(made.plan.labs[1], modelled_steady_day=made.plan.labs[1].day + 1)
    on_time = replace(made.plan.labs[1], modelled_steady_day=made.plan.labs[1].day)
    for draw, said in ((early, True), (on_time, False)):
        bundle = written(replace(made, plan=replace(made.plan, labs=(draw,))))
        for request in intended(bundle, "ServiceRequest", "proposal"):
            # Day 90 is 30 July 2024; a draw on the steady day itself says nothing.
            day = "31 July 2024" if said else ""
            words = f"The model calls the levels steady from {day}"
            assert any(words in note["text"] for note in request["note"]) is said
            assert (words in request["text"]["div"]) is said
