"""Blood draws: what, when, and before that morning's dose."""

from dataclasses import replace

from tests.unit.writing.answers import intended, resources, written
from tests.unit.writing.plans import levothyroxine_to_desiccated, old_order_outlasts_the_series

THREE = ("3016-3", "3024-7", "3051-0")
"""LOINC: TSH, free T4, free T3."""


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
    assert len(every) == 3 * (2 + 1 + 1 + 1)
    assert all("before that morning's dose" in r["patientInstruction"] for r in every)


def optional_draws(proposal):
    """Code, first day and the condition of each draw that waits for the checkpoint."""
    return [
        (
            request["code"]["coding"][0]["code"],
            request.get("occurrenceDateTime") or request["occurrenceTiming"]["event"][0],
            request["note"][0]["text"],
        )
        for request in intended(written(proposal), "ServiceRequest", "option")
    ]


def test_maintenance_is_a_timing_of_dated_events_asked_once_for_the_branches_that_share_it():
    options = intended(written(levothyroxine_to_desiccated()), "ServiceRequest", "option")
    timings = [r["occurrenceTiming"] for r in options if "occurrenceTiming" in r]
    # Days 180, 270 and 540 from 1 May 2024.
    assert timings == [{"event": ["2024-10-28", "2025-01-26", "2025-10-23"]}] * 3


def test_a_draw_of_one_branch_repeats_its_condition():
    own = [draw for draw in optional_draws(levothyroxine_to_desiccated()) if "10-28" not in draw[1]]
    assert [(code, day) for code, day, _ in own] == [
        (code, day) for day in ("2024-10-02", "2024-09-18") for code in THREE
    ]
    assert {only_if[: only_if.index(" is ")] for _, _, only_if in own} == {
        "Only if: TSH at the checkpoint"
    }


def test_a_draw_that_branches_share_names_them():
    shared = [draw for draw in optional_draws(levothyroxine_to_desiccated()) if "10-28" in draw[1]]
    assert {only_if for _, _, only_if in shared} == {
        "Only if one of these options is taken at the checkpoint: TSH high; TSH in range."
    }


def with_labs(proposal, *labs_of_each):
    """The same plan with other draws in its branches."""
    checkpoint = proposal.plan.checkpoint
    branches = tuple(
        replace(branch, labs=own)
        for branch, own in zip(checkpoint.branches, labs_of_each, strict=True)
    )
    plan = replace(proposal.plan, checkpoint=replace(checkpoint, branches=branches))
    return replace(proposal, plan=plan)


def test_a_draw_of_every_branch_waits_for_none():
    made = levothyroxine_to_desiccated()
    draw = made.plan.checkpoint.branches[0].labs[0]
    assert optional_draws(with_labs(made, (draw,), (draw,), (draw,))) == [
        (code, "2024-10-02", "Whichever option is taken at the checkpoint.") for code in THREE
    ]


def test_draws_that_differ_in_a_word_a_day_or_what_is_known_are_each_asked_for():
    made = levothyroxine_to_desiccated()
    draw = made.plan.checkpoint.branches[0].labs[0]
    for other in (
        replace(draw, statement="Another reason"),
        replace(draw, day=draw.day + 1),
        replace(draw, modelled_steady_day=draw.day + 1),  # said in words: not steady yet
    ):
        asked = optional_draws(with_labs(made, (draw,), (other,), ()))
        assert [only_if.startswith("Only if: ") for _, _, only_if in asked] == [True] * 6
    known = replace(draw, leaves_out=("free-t3",))
    assert len(optional_draws(with_labs(made, (draw,), (known,), ()))) == 3 + 2
    unsaid = replace(draw, modelled_steady_day=draw.day)  # steady by then: nothing is said
    assert len(optional_draws(with_labs(made, (draw,), (unsaid,), ()))) == 3


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
