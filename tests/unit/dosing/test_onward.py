"""The visit after the first, act by act."""

from collections.abc import Mapping
from dataclasses import replace
from fractions import Fraction

import pytest
from tests.unit.dosing.switches import COMBINING, SHORT, amounts, plan, regimen, tables, wish

from crossgrain.dosing.onward import Act, Dated, Underway, plan_onward, while_waiting
from crossgrain.dosing.plan import LabReading, Plan
from crossgrain.dosing.preparations import Kind
from crossgrain.dosing.regimens import DoseLine, Regimen
from crossgrain.dosing.steps import Stage
from crossgrain.dosing.targets import Target, TargetDose
from crossgrain.dosing.underway import DrawnWhen, LabsAwaited


def titrated(taken: Regimen, target: Target, **more: object) -> Underway:
    """Where no plan runs."""
    return Underway(taken, wish(target), 0, None, (), taken, (), False, **more)


def until_yesterday(steps: tuple[Dated, ...]) -> tuple[Dated, ...]:
    """What of some steps is past."""
    return tuple(replace(s, last_day=min(s.last_day, -1)) for s in steps if s.first_day < 0)


def on_day(first: Plan, taken: Regimen, day: int) -> Underway:
    """A plan that was followed to the letter until a day of it."""
    steps = tuple(
        Dated(
            step.first_day - day,
            step.last_day - day,
            tuple((line.preparation, line.amount) for line in step.lines),
        )
        for step in first.steps
    )
    today = next((s for s in steps if s.first_day <= 0 <= s.last_day), steps[-1])
    return Underway(
        taken,
        wish(first.target),
        -day,
        first.checkpoint.dose,
        until_yesterday(steps),
        Regimen(tuple(DoseLine(preparation, (a,)) for preparation, a in today.amounts)),
        steps,
        day < first.checkpoint.day,
    )


# --- titration where no plan runs ------------------------------------------------------------


def test_lt4_100_with_tsh_9_rises_by_one_label_step_and_draws_tsh_six_weeks_later():
    # levothyroxine label: 12.5-25 micrograms every 4-6 weeks (secondary); TSH 6-8 weeks after
    taken = titrated(regimen(lt4=100), Target.LEVOTHYROXINE)
    next_dose = plan_onward(taken, Act.BRANCH, tables(), reading=LabReading.HIGH)
    (step,) = next_dose.steps
    assert step.stage is Stage.HOLD
    assert amounts(step) == {"levothyroxine": Fraction(112)}
    assert 42 <= next_dose.checkpoint.lab_day <= 56
    assert next_dose.checkpoint.decision_day == next_dose.checkpoint.lab_day + 7


def test_a_dose_whose_first_labs_are_in_range_stays_and_is_drawn_once_more_within_eight_weeks():
    taken = titrated(regimen(lt4=100), Target.LEVOTHYROXINE)
    once = plan_onward(taken, Act.BRANCH, tables(), reading=LabReading.IN_RANGE)
    assert amounts(once.steps[0]) == {"levothyroxine": Fraction(100)}
    assert once.checkpoint.lab_day == 49  # eight weeks after the draw a week ago
    assert not once.prescriptions


def test_a_dose_that_was_in_range_twice_is_drawn_after_3_6_and_12_months():
    # ATA 2014: 3-6-monthly, then yearly (from memory)
    taken = titrated(regimen(lt4=100), Target.LEVOTHYROXINE, in_range_before=True)
    twice = plan_onward(taken, Act.BRANCH, tables(), reading=LabReading.IN_RANGE)
    assert twice.checkpoint.lab_day == 91 - 7
    (after,) = [b for b in twice.checkpoint.branches if b.reading is LabReading.IN_RANGE]
    (draw,) = after.labs
    since = twice.checkpoint.lab_day
    assert (draw.purpose, draw.day - since) == ("maintenance", 91)
    assert [day - since for day in draw.repeat_days] == [274]  # a year after the second


# --- titration of a mixture that no move leads to ---------------------------------------------


def mixture(**daily: int | str) -> Underway:
    """Levothyroxine beside what else is taken, where no plan runs."""
    taken = regimen(**daily)
    beside = taken.kinds - {Kind.LEVOTHYROXINE}
    return titrated(taken, Target.LEVOTHYROXINE, beside=beside, beside_source="our judgement")


def next_dose(taken: Underway, reading: LabReading) -> dict[str, Fraction]:
    made = plan_onward(taken, Act.BRANCH, tables(), reading=reading)
    (step,) = made.steps
    (branch,) = (b for b in made.checkpoint.branches if b.reading is LabReading.IN_RANGE)
    assert amounts(branch.steps[-1]) == amounts(step)  # what labs in range lead to is to stay
    return {key.partition("-")[0]: amount for key, amount in amounts(step).items() if amount}


@pytest.mark.parametrize(
    ("reading", "lt4", "mg"),
    [
        (LabReading.VERY_HIGH, "88", 15),  # at least 12 % on every chart; steps are 12.5 to 25
        (LabReading.HIGH, "88", 15),
        (LabReading.HIGH_FREE_T3, "88", 15),
        (LabReading.IN_RANGE, "75", 15),
        (LabReading.SYMPTOMS, "75", 15),
        (LabReading.LOW, "75", 0),  # at least 10 %, swallowed T3 first
        (LabReading.VERY_LOW, "62.5", 0),  # at least 20 %: then levothyroxine too
    ],
)
def test_levothyroxine_rises_beside_desiccated_thyroid_which_falls_first(
    reading: LabReading, lt4: str, mg: int
) -> None:
    # levothyroxine label: steps of 12.5-25 micrograms (secondary); what falls first: our judgement
    taken = mixture(lt4=75, mg60=15)
    wanted = {"levothyroxine": Fraction(lt4), "desiccated": Fraction(mg)}
    assert next_dose(taken, reading) == {key: dose for key, dose in wanted.items() if dose}


def test_of_two_medicines_with_t3_beside_levothyroxine_liothyronine_falls_first() -> None:
    taken = mixture(lt4=75, mg60=15, lt3=5)
    low, very_low = next_dose(taken, LabReading.LOW), next_dose(taken, LabReading.VERY_LOW)
    assert low == {"levothyroxine": 75, "desiccated": 15}
    assert very_low == {"levothyroxine": 75}
    raised = next_dose(taken, LabReading.HIGH)
    assert raised == {"levothyroxine": 88, "desiccated": 15, "liothyronine": 5}


def test_a_mixture_that_is_held_says_what_stays_and_what_falls_first() -> None:
    held = plan_onward(mixture(lt4=75, mg60=15), Act.HOLD, tables())
    (said,) = (each for each in held.rationale if "stays beside it" in each.title)
    assert "raise levothyroxine alone" in said.arithmetic
    assert "take desiccated thyroid down first" in said.arithmetic
    assert said.source == "our judgement"
    alone = plan_onward(mixture(lt4=75), Act.HOLD, tables())
    assert not any("stays beside it" in each.title for each in alone.rationale)


def test_in_pregnancy_a_mixture_turns_back_to_levothyroxine_alone() -> None:
    # combination not to be used in pregnancy: Jonklaas et al., Endocr Rev 2021 (secondary)
    taken = mixture(lt4=75, mg60=15)
    generous = replace(taken.wish, lt4_at_least_most_generous=True)
    back = plan_onward(replace(taken, wish=generous), Act.TURN_BACK, tables())
    last = amounts(back.steps[-1])
    assert set(last) == {"levothyroxine"}
    assert last["levothyroxine"] >= 75 + 25  # a quarter grain is worth up to 25: `label`


# --- the checkpoint's branch -----------------------------------------------------------------


def test_a_branch_taken_on_its_day_leads_where_the_first_plan_said():
    taken = regimen(lt4=150)
    first = plan(taken, Target.DESICCATED_THYROID)
    decision = first.checkpoint.decision_day
    underway = on_day(first, taken, decision)
    for branch in first.checkpoint.branches:
        again = plan_onward(underway, Act.BRANCH, tables(), reading=branch.reading)
        told = [(s.first_day - decision, amounts(s)) for s in branch.steps]
        assert [(s.first_day, amounts(s)) for s in again.steps] == told


@pytest.mark.parametrize(("last_day", "anew"), [(19, False), (18, True), (3, True)])
def test_a_medicine_whose_order_ends_before_its_dose_changes_is_ordered_anew(
    last_day: int, *, anew: bool
) -> None:
    """Whatever else the plan once ordered of it: that may be withdrawn."""
    taken = regimen(lt4=150)
    first = plan(taken, Target.DESICCATED_THYROID)
    (decision,) = {first.checkpoint.decision_day}
    day = decision - 20
    underway = replace(on_day(first, taken, day), ends=(("levothyroxine", last_day),))
    made = plan_onward(underway, Act.CONTINUE, tables())
    assert ("levothyroxine" in {each.preparation.id for each in made.prescriptions}) is anew


# --- while nothing is settled ---


def test_while_nothing_is_settled_coverage_on_todays_dose_is_as_low_as_it_gets_in_the_end() -> None:
    steady = while_waiting(titrated(regimen(lt4=100), Target.LEVOTHYROXINE), tables())
    assert steady == pytest.approx(dict.fromkeys(steady, 1.0))
    halved = replace(titrated(regimen(lt4=100), Target.LEVOTHYROXINE), today=regimen(lt4=50))
    assert while_waiting(halved, tables()) == pytest.approx(dict.fromkeys(steady, 0.5))


def test_what_is_filed_to_fall_counts_in_how_low_it_gets_and_what_rises_does_not() -> None:
    underway = titrated(regimen(lt4=100), Target.LEVOTHYROXINE)
    half, more = Dated.of(10, 20, regimen(lt4=50)), Dated.of(21, 30, regimen(lt4=75))
    steady = while_waiting(underway, tables())
    assert while_waiting(underway, tables(), (half,)) == pytest.approx(dict.fromkeys(steady, 0.5))
    # eleven days of half the dose, then three quarters for good: t½ 7 days
    fallen = 0.5 + 0.5 * 0.5 ** (11 / 7)
    again = while_waiting(underway, tables(), (half, more))
    assert again == pytest.approx(dict.fromkeys(steady, min(fallen, 0.75)))
    rise = Dated.of(10, 20, regimen(lt4=200))
    assert while_waiting(underway, tables(), (rise,)) == pytest.approx(steady)


def test_where_nothing_is_taken_there_is_no_dose_that_goes_on() -> None:
    nothing = replace(titrated(regimen(lt4=100), Target.LEVOTHYROXINE), today=Regimen(()))
    assert while_waiting(nothing, tables()) == {}


# --- the steps still to come -----------------------------------------------------------------


def by_day(made: Plan, until: int | None = None) -> list[dict[str, Fraction]]:
    """What is taken on each day."""
    days = [amounts(step) for step in made.steps for _ in range(step.days)]
    return days if until is None else days[:until]


MID_CLIMB = on_day(plan(regimen(lt4=150), Target.DESICCATED_THYROID), regimen(lt4=150), 35)
"""A week into the third step of six."""


def test_a_plan_that_was_followed_goes_on_by_its_own_dates():
    first = plan(regimen(lt4=150), Target.DESICCATED_THYROID)
    goes_on = plan_onward(MID_CLIMB, Act.CONTINUE, tables())
    assert by_day(goes_on) == by_day(first)[35:]
    assert goes_on.checkpoint.lab_day == first.checkpoint.lab_day - 35
    assert goes_on.checkpoint.dose == first.checkpoint.dose


def test_a_hold_of_three_weeks_moves_the_steps_after_it():
    held = by_day(plan_onward(MID_CLIMB, Act.HOLD, tables(), hold_days=21))
    on = by_day(plan_onward(MID_CLIMB, Act.CONTINUE, tables()))
    assert held[:21] == [on[0]] * 21
    assert held[21:] == on[7:]


def test_a_hold_for_labs_on_the_way_has_them_read_before_the_next_step():
    held = plan_onward(
        MID_CLIMB, Act.HOLD, tables(), hold_days=14, awaited=LabsAwaited(DrawnWhen.BEFORE_NEXT)
    )
    first, second, *_ = held.steps
    (before,) = (draw for draw in held.labs if draw.read_before == second.first_day)
    assert first.first_day < before.day < second.first_day
    assert held.labs[0] == before


@pytest.mark.parametrize("earliest", [0, 5])
def test_labs_that_are_needed_now_are_drawn_today_or_once_nothing_spoils_them(earliest: int):
    held = plan_onward(
        MID_CLIMB, Act.HOLD, tables(), hold_days=14, awaited=LabsAwaited(DrawnWhen.NOW, earliest)
    )
    assert (held.labs[0].day, held.labs[0].read_before) == (earliest, held.steps[1].first_day)


def test_labs_that_are_overdue_decide_on_the_day_on_which_they_are_drawn():
    first = plan(regimen(lt4=150), Target.DESICCATED_THYROID)
    late = on_day(first, regimen(lt4=150), first.checkpoint.lab_day + 3)
    for draw in (DrawnWhen.NOW, DrawnWhen.WHEN_DUE):
        held = plan_onward(late, Act.HOLD, tables(), hold_days=14, awaited=LabsAwaited(draw))
        assert [each.day for each in held.labs] == [held.checkpoint.lab_day] == [0]
        assert held.steps[-1].last_day == 13


def test_labs_that_are_not_due_yet_are_drawn_as_planned_where_they_are_not_needed_now():
    first = plan(regimen(lt4=150), Target.DESICCATED_THYROID)
    waits = on_day(first, regimen(lt4=150), first.checkpoint.lab_day - 20)
    due = plan_onward(
        waits, Act.HOLD, tables(), hold_days=14, awaited=LabsAwaited(DrawnWhen.WHEN_DUE)
    )
    assert [each.day for each in due.labs] == [20]
    now = plan_onward(waits, Act.HOLD, tables(), hold_days=14, awaited=LabsAwaited(DrawnWhen.NOW))
    assert [each.day for each in now.labs] == [0, 20]


def test_slowing_down_makes_each_step_of_the_climb_twice_as_long():
    slow = by_day(plan_onward(MID_CLIMB, Act.SLOW_DOWN, tables()))
    on = by_day(plan_onward(MID_CLIMB, Act.CONTINUE, tables()))
    assert [slow.count(dose) for dose in (on[0], on[7], on[21])] == [28 - 7, 28, 28]
    assert slow.count(on[-1]) == on.count(on[-1])  # the wait for labs is as long as it was


def test_a_step_back_takes_the_new_medicine_alone_back_and_waits_for_labs():
    (step,) = plan_onward(MID_CLIMB, Act.STEP_BACK, tables()).steps
    assert amounts(step) == {"desiccated-thyroid-60": Fraction(30), "levothyroxine": Fraction(88)}
    assert step.days == 49


def test_where_the_climb_goes_on_with_the_old_dose_frozen_it_does_not_fall():
    frozen = by_day(plan_onward(MID_CLIMB, Act.CONTINUE, tables(), freeze_old=True))
    on = by_day(plan_onward(MID_CLIMB, Act.CONTINUE, tables()))
    new, old = "desiccated-thyroid-60", "levothyroxine"
    assert [dose[new] for dose in frozen] == [dose[new] for dose in on]
    assert {dose[old] for dose in frozen} == {Fraction(88)}


def test_turning_back_takes_lt4_at_once_and_leaves_no_t3_to_end_before_it_has_built_up():
    back = plan_onward(MID_CLIMB, Act.TURN_BACK, tables())
    days = by_day(back)
    assert {dose["levothyroxine"] for dose in days} == {Fraction(150)}
    t3 = [dose.get("desiccated-thyroid-60", Fraction(0)) for dose in days]
    assert t3 == sorted(t3, reverse=True)
    assert t3.index(0) == 28  # four half-lives of T4
    assert back.labs[0].day == 0


def test_turning_back_to_t3_at_once_leaves_no_other_t3_beside_it_that_no_tablets_make_smaller():
    # 1/2 grain and LT3 5 hold 9.5 micrograms of T3, a grain holds 9: together they would be 14.
    before, today = regimen(mg60=60), regimen(mg60=30, lt3=5)
    steps = (Dated(0, 48, ((SHORT["mg60"], Fraction(30)), (SHORT["lt3"], Fraction(5)))),)
    checkpoint = TargetDose(lt3_ug=Fraction(5), grains=Fraction(1, 2))
    wanted = wish(Target.DESICCATED_LT3, mixture=COMBINING.mixture(t3_share=Fraction(1, 10)))
    back = plan_onward(
        Underway(before, wanted, 0, checkpoint, (), today, steps, False), Act.TURN_BACK, tables()
    )
    assert {dose.get("liothyronine") for dose in by_day(back)} == {None}
    assert {dose["desiccated-thyroid-60"] for dose in by_day(back)} == {Fraction(60)}


# --- after a step back -----------------------------------------------------------------------


def lived(made: Plan, before: Underway, days: int) -> Underway:
    """The same patient so many days into a plan of a visit, followed to the letter."""
    moved = tuple(
        Dated(step.first_day - days, step.last_day - days,
              tuple((line.preparation, line.amount) for line in step.lines))
        for step in made.steps
    )  # fmt: skip
    taken = tuple(replace(d, first_day=d.first_day - days, last_day=d.last_day - days)
                  for d in before.taken)  # fmt: skip
    today = next(step for step in moved if step.last_day >= 0 or step is moved[-1])
    return replace(
        before,
        day_one=before.day_one - days,
        taken=(*taken, *until_yesterday(moved)),
        planned=moved,
        today=Regimen(tuple(DoseLine(preparation, (a,)) for preparation, a in today.amounts)),
    )


PARKED = plan_onward(MID_CLIMB, Act.STEP_BACK, tables())


def test_after_a_step_back_labs_in_range_let_the_climb_go_on_to_the_checkpoint_and_no_further():
    back = lived(PARKED, MID_CLIMB, PARKED.checkpoint.decision_day)
    for on in (
        plan_onward(back, Act.BRANCH, tables(), reading=LabReading.IN_RANGE),
        plan_onward(back, Act.CONTINUE, tables()),
    ):
        climb = list(dict.fromkeys(dose["desiccated-thyroid-60"] for dose in by_day(on)))
        assert climb == [45, 60, 75, 90]
        assert on.checkpoint.dose == MID_CLIMB.checkpoint


def test_the_branches_after_a_step_back_say_what_the_next_visit_will_do():
    back = lived(PARKED, MID_CLIMB, PARKED.checkpoint.decision_day)
    for branch in PARKED.checkpoint.branches:
        again = plan_onward(back, Act.BRANCH, tables(), reading=branch.reading)
        assert [amounts(s) for s in again.steps] == [amounts(s) for s in branch.steps]


def test_a_visit_before_those_labs_keeps_the_hold_and_draws_before_the_climb_goes_on():
    early = lived(PARKED, MID_CLIMB, 20)
    on = plan_onward(early, Act.CONTINUE, tables())
    assert by_day(on)[:29] == [amounts(PARKED.steps[0])] * 29
    assert by_day(on)[29]["desiccated-thyroid-60"] == 45
    assert 22 in [draw.day for draw in on.labs if draw.read_before == 29]


# --- a dose that labs called too much ----------------------------------------------------------


@pytest.mark.parametrize(
    ("lt4_then", "lt3_then", "reaches"),
    [
        (100, 10, 5),  # the very dose: one increment short of it
        (100, 15, 10),  # more than the checkpoint: nothing is held back
        (100, 5, 0),  # less than it: what labs called too much is not begun again
        (88, 15, 5),  # where LT3 weighs 2, 100 + 2 × 10 is as much as 88 + 2 × 15, and 5 is less
        (88, 10, 0),  # 100 + 2 × 5 is as much as 88 + 2 × 10
        (112, 10, 10),  # less of both
    ],
)
def test_in_range_after_a_step_back_the_climb_stops_short_of_what_was_too_much(
    lt4_then: int, lt3_then: int, reaches: int
) -> None:
    now = regimen(lt4=100)
    first = Underway(
        original=regimen(lt4=125),
        wish=wish(Target.LT4_LT3),
        day_one=-120,
        checkpoint=TargetDose(lt4_ug=Fraction(100), lt3_ug=Fraction(10)),
        taken=(Dated.of(-120, -1, now),),
        today=now,
        planned=(Dated.of(-60, -1, now),),
        climbing=False,
        too_much=(regimen(lt4=lt4_then, lt3=lt3_then),),
    )
    made = plan_onward(first, Act.BRANCH, tables(), reading=LabReading.IN_RANGE)
    assert amounts(made.steps[-1]).get("liothyronine", 0) == reaches
    held_back = reaches < 10
    words = repr(made.rationale)
    assert ("short of the dose that labs called too much" in words) == (held_back and reaches > 0)


def by_label(doses: Mapping[str, Fraction]) -> Fraction:
    """LT4-equivalent where 60 mg of desiccated thyroid = LT4 100 µg, as US labels have it."""
    grain = doses.get("desiccated-thyroid-60", Fraction(0))
    return doses.get("levothyroxine", Fraction(0)) + grain * Fraction(100, 60)


def back_on_levothyroxine(dose: int | str, *, was: int, too_much: Regimen) -> Underway:
    """After a move from levothyroxine to desiccated thyroid whose start labs called too much."""
    now = regimen(lt4=dose)
    return Underway(
        original=regimen(lt4=was),
        wish=wish(Target.DESICCATED_THYROID),
        day_one=-120,
        checkpoint=TargetDose(grains=Fraction(3, 2)),
        taken=(Dated.of(-120, -61, too_much), Dated.of(-60, -1, now)),
        today=now,
        planned=(Dated.of(-60, -1, now),),
        climbing=False,
        too_much=(too_much,),
    )


@pytest.mark.parametrize(
    ("then", "reaches"),
    [
        (regimen(lt4=150, mg60=15), 90),  # 175 by the label, and 105 mg are as much
        (regimen(lt4=150, mg60=30), 105),  # 200, and 120 mg are as much
        (regimen(lt4=150), 75),  # 150, and 90 mg are as much
    ],
)
def test_in_range_on_less_an_exchange_stays_short_of_what_was_too_much_on_every_step(
    then: Regimen, reaches: int
) -> None:
    back = back_on_levothyroxine(137, was=150, too_much=then)
    made = plan_onward(back, Act.BRANCH, tables(), reading=LabReading.IN_RANGE)
    steps = [amounts(step) for step in made.steps]
    was = by_label({line.preparation.id: line.daily for line in then})
    assert steps[-1] == {"desiccated-thyroid-60": reaches}
    assert max(map(by_label, steps)) < was
    assert min(map(by_label, steps)) > Fraction(8, 10) * min(137, by_label(steps[-1]))
    assert "No dose on the way or at its end is as much as what labs called too much" in repr(
        made.rationale
    )
    free = plan_onward(
        replace(back, too_much=()), Act.BRANCH, tables(), reading=LabReading.IN_RANGE
    )
    assert max(by_label(amounts(step)) for step in free.steps) >= was
    assert "as much as what labs called" not in repr(free.rationale)


def test_where_any_exchange_would_be_as_much_as_what_was_too_much_all_stays_as_it_is() -> None:
    back = back_on_levothyroxine("12.5", was=50, too_much=regimen(lt4=25))  # 15 mg are worth 25
    made = plan_onward(back, Act.BRANCH, tables(), reading=LabReading.IN_RANGE)
    (step,) = made.steps
    assert amounts(step) == {"levothyroxine": Fraction("12.5")}
    assert "Stay on this dose, what is left of the old medicine included" in repr(made.rationale)


def test_what_is_filed_after_labs_called_a_dose_too_much_stays_short_of_it() -> None:
    visit = replace(MID_CLIMB, too_much=())
    low = plan_onward(visit, Act.BRANCH, tables(), reading=LabReading.LOW)
    (filed,) = (b for b in low.checkpoint.branches if b.reading is LabReading.IN_RANGE)
    back = replace(
        lived(low, visit, low.checkpoint.decision_day), climbing=False, too_much=(visit.today,)
    )
    again = plan_onward(back, Act.BRANCH, tables(), reading=LabReading.IN_RANGE)
    assert [amounts(step) for step in filed.steps] == [amounts(step) for step in again.steps]


@pytest.mark.parametrize(
    ("taken", "target", "checkpoint", "stock"),
    [
        (  # 15 mg cannot be had, and 30 at once is more than an increment
            regimen(lt4="12.5"),
            Target.DESICCATED_THYROID,
            TargetDose(grains=Fraction(1, 4)),
            (("desiccated-thyroid-60", 30), ("desiccated-thyroid-60", 60)),
        ),
        (  # nothing between 7.5 and 0 micrograms of liothyronine can be had
            regimen(lt4=75, lt3="7.5"),
            Target.LT4_LT3,
            TargetDose(lt4_ug=Fraction(75), lt3_ug=Fraction(5)),
            (("liothyronine", 25), ("liothyronine", 50)),
        ),
    ],
)
def test_in_range_where_no_tablets_make_an_exchange_nobody_is_left_without_hormone(
    taken: Regimen, target: Target, checkpoint: TargetDose, stock: tuple[tuple[str, int], ...]
) -> None:
    here = Underway(
        original=taken,
        wish=replace(wish(target), stock=tuple((key, Fraction(each)) for key, each in stock)),
        day_one=-56,
        checkpoint=checkpoint,
        taken=(Dated.of(-56, -1, taken),),
        today=taken,
        planned=(Dated.of(-56, -1, taken),),
        climbing=False,
    )
    stays = plan_onward(here, Act.BRANCH, tables(), reading=LabReading.IN_RANGE)
    assert [amounts(step) for step in stays.steps] == [amounts_of_regimen(taken)]
    assert "make an exchange for it in safe steps" in repr(stays.rationale)
    had = plan_onward(
        replace(here, wish=wish(target)), Act.BRANCH, tables(), reading=LabReading.IN_RANGE
    )
    assert amounts(had.steps[-1]) != amounts_of_regimen(taken)
    assert "make an exchange" not in repr(had.rationale)


def amounts_of_regimen(taken: Regimen) -> dict[str, Fraction]:
    return {line.preparation.id: line.daily for line in taken}
