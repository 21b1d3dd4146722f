"""Consecutive steps merged into courses: what becomes one set of orders."""

from fractions import Fraction

from tests.unit.dosing.switches import GRAIN_60, LT4

from crossgrain.dosing.case import order_line
from crossgrain.dosing.steps import LineDose, OrderedCourse, Stage, Step, SwitchPart, courses
from crossgrain.dosing.tablets import best_day_dose


def lt4(amount):
    return line(LT4, amount, SwitchPart.OLD)


def grain(amount):
    return line(GRAIN_60, amount, SwitchPart.NEW)


def line(preparation, amount, part):
    dose = best_day_dose(preparation, Fraction(amount))
    return order_line(preparation, Fraction(amount), part, dose)


def steps(*doses, days=14):
    return [
        Step(Stage.CLIMB, number * days, number * days + days - 1, lines)
        for number, lines in enumerate(doses)
    ]


def test_no_steps_are_no_courses():
    assert courses([]) == ()


def test_a_dose_that_does_not_change_is_one_course():
    (course,) = courses(steps((lt4(100),), (lt4(100),), (lt4(100),)))
    assert course == OrderedCourse(lt4(100), Stage.CLIMB, 0, 41)
    assert course.days == 42


def test_a_changed_dose_begins_a_course_the_day_after_the_last_one_ends():
    first, second = courses(steps((lt4(100),), (lt4(75),)))
    assert (first.first_day, first.last_day) == (0, 13)
    assert (second.first_day, second.last_day) == (14, 27)


def test_one_medicine_goes_on_while_another_changes():
    merged = courses(steps((grain(15), lt4(100)), (grain(30), lt4(100))))
    assert [(c.line.amount, c.first_day, c.last_day) for c in merged] == [
        (15, 0, 13),
        (100, 0, 27),
        (30, 14, 27),
    ]


def test_a_medicine_that_ends_has_no_course_after_its_last_step():
    merged = courses(steps((grain(15), lt4(25)), (grain(30),)))
    assert [c.last_day for c in merged if c.line.preparation is LT4] == [13]


def test_a_medicine_that_comes_back_begins_a_new_course():
    merged = courses(steps((lt4(25),), (grain(15),), (lt4(25),)))
    assert [(c.first_day, c.last_day) for c in merged if c.line.preparation is LT4] == [
        (0, 13),
        (28, 41),
    ]


def test_the_same_amount_taken_as_before_and_then_ordered_is_two_courses():
    as_taken = LineDose(LT4, Fraction(100), SwitchPart.OLD, None)
    merged = courses(steps((as_taken,), (lt4(100),)))
    assert [course.line for course in merged] == [as_taken, lt4(100)]


def test_courses_are_ordered_by_their_first_day():
    merged = courses(steps((grain(15), lt4(100)), (grain(30), lt4(75)), (grain(30),)))
    assert [c.first_day for c in merged] == sorted(c.first_day for c in merged)


def test_a_step_of_one_day_is_one_day_long():
    (course,) = courses(steps((lt4(100),), days=1))
    assert course.days == 1
