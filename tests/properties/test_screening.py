"""What holds of the screening for every course."""

from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st
from tests.unit.screening.courses import (
    LIMITS,
    RULER,
    outcome,
    screened,
    took,
    tsh,
)

from crossgrain.screening.course import FlagCode, FlagGrade, ScreeningOutcome, TakingHistory
from crossgrain.screening.screen import screen
from crossgrain.screening.stretches import stretches_of
from crossgrain.screening.switches import ratios

AMOUNTS = {
    "lt4": st.integers(25, 300),
    "lt3": st.integers(5, 75),
    "dt": st.sampled_from([15, 30, 45, 60, 75, 90, 120, 150, 180, 240]),
}
WHAT = st.sampled_from(sorted(AMOUNTS))


@st.composite
def medicines(draw: st.DrawFn):
    what = draw(WHAT)
    first = draw(st.integers(-900, 0))
    last = draw(st.none() | st.integers(first, 30))
    return took(what, draw(AMOUNTS[what]), first, last, reference=f"r/{draw(st.integers())}")


@st.composite
def switches(draw: st.DrawFn):
    """A plain switch from one preparation to another, with bloods around it."""
    old, new = draw(st.permutations(sorted(AMOUNTS)))[:2]
    ago = draw(st.integers(1, 700))
    intakes = (
        took(old, draw(AMOUNTS[old]), -ago - 600, -ago - 1),
        took(new, draw(AMOUNTS[new]), -ago),
    )
    return TakingHistory(intakes, tsh=tuple(draw(st.lists(results, max_size=4))))


results = st.builds(
    tsh, st.decimals("0.01", "60", places=2, allow_nan=False), st.integers(-1100, 0)
)
courses = st.builds(
    TakingHistory,
    intakes=st.lists(medicines(), max_size=6).map(tuple),
    tsh=st.lists(results, max_size=4).map(tuple),
    age_years=st.none() | st.integers(18, 95),
)


@given(courses)
def test_every_course_ends_somewhere_with_flags_exactly_where_it_says_so(course):
    answer = screened(course)
    assert (answer.outcome is ScreeningOutcome.FLAGGED) == bool(answer.flags)
    assert all(flag.statement and flag.act and flag.evidence for flag in answer.flags)
    if answer.outcome is ScreeningOutcome.NEEDS_REVIEW:
        assert answer.why


@given(courses, st.randoms())
def test_the_order_in_which_things_are_written_changes_nothing(course, dice):
    intakes, results = list(course.intakes), list(course.tsh)
    dice.shuffle(intakes)
    dice.shuffle(results)
    assert screened(replace(course, intakes=tuple(intakes), tsh=tuple(results))) == screened(course)


@given(st.lists(medicines(), max_size=6))
def test_stretches_follow_one_another_up_to_today(intakes):
    found = stretches_of(TakingHistory(tuple(intakes)), LIMITS)
    for before, after in pairwise(found):
        assert before.last_day < after.first_day
    assert all(s.first_day <= s.last_day <= 0 and s.intakes for s in found)


@given(switches(), st.integers(1, 8))
def test_twice_the_dose_on_both_sides_is_the_same_switch(course, times):
    old, new = (intake.lines for intake in course.intakes)
    many = [
        tuple(replace(line, cycle=tuple(times * a for a in line.cycle)) for line in lines)
        for lines in (old, new)
    ]
    scaled = tuple(replace(i, lines=own) for i, own in zip(course.intakes, many, strict=True))
    first, second = screened(course), screened(replace(course, intakes=scaled))
    assert [(f.code, f.grade) for f in first.flags] == [(f.code, f.grade) for f in second.flags]


@given(switches())
def test_a_fine_tsh_on_the_dose_leaves_no_flag(course):
    if -course.intakes[1].first_day < LIMITS.labs_settled_days:
        return
    fine = replace(course, tsh=(tsh("1.9", 0),))
    assert outcome(fine) in {ScreeningOutcome.CLEARED, ScreeningOutcome.SOUND}


@given(switches())
def test_a_lower_new_dose_never_makes_an_underdose_less_certain(course):
    def certainty(of):
        found = [f.grade for f in screen(of, RULER).flags if f.code is FlagCode.UNDER]
        return -list(FlagGrade).index(found[0]) if found else -len(FlagGrade)

    new = course.intakes[1]
    line = new.lines[0]
    halved = replace(line, cycle=tuple(a / 2 for a in line.cycle))
    lower = replace(course, intakes=(course.intakes[0], replace(new, lines=(halved,))))
    disputed = any(f.code is FlagCode.DISPUTED for f in screened(lower).flags)
    assert disputed or certainty(lower) >= certainty(course)


@given(switches())
def test_there_and_back_are_reciprocal_on_every_basis(course):
    old, new = (stretch.regimen for stretch in stretches_of(course, LIMITS))
    there, back = ratios(old, new, RULER.bases), ratios(new, old, RULER.bases)
    assert all(there[basis] * back[basis] == Fraction(1) for basis in there)


def _a_day_earlier(intake):
    last = None if intake.last_day is None else intake.last_day - 1
    return replace(intake, first_day=intake.first_day - 1, last_day=last)


@given(courses)
def test_a_flag_names_the_same_switch_on_the_next_night(course):
    later = replace(RULER, as_of=RULER.as_of.replace(day=RULER.as_of.day + 1))
    shifted = replace(
        course,
        intakes=tuple(map(_a_day_earlier, course.intakes)),
        tsh=tuple(replace(m, day=m.day - 1) for m in course.tsh),
    )
    today = {(f.code, f.switch) for f in screened(course).flags}
    answer = screen(shifted, later)
    tomorrow = {(f.code, f.switch) for f in answer.flags}
    # A supply may run out overnight, and a medicine that ends today runs beside none tomorrow.
    ends_today = any(intake.last_day == 0 for intake in course.intakes)
    if answer.outcome is not ScreeningOutcome.NEEDS_REVIEW and not ends_today:
        assert {switch for _, switch in tomorrow} >= {switch for _, switch in today}
