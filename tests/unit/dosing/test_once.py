"""What is kept of a pure function: known by the very objects it was given."""

import pytest

from crossgrain.dosing.once import MOST_KEPT, kept


def counting():
    """A kept sum of two lists, and how often it was worked out."""
    asked = []

    @kept()
    def together(first, second):
        asked.append((first, second))
        return [*first, *second]

    return together, asked


def test_the_very_same_objects_are_asked_for_once():
    together, asked = counting()
    first, second = [1], [2]
    assert together(first, second) is together(first, second)
    assert len(asked) == 1


def test_equal_objects_are_not_the_same():
    together, asked = counting()
    assert together([1], [2]) == together([1], [2]) == [1, 2]
    assert len(asked) == 2


def test_the_order_of_the_arguments_counts():
    together, _ = counting()
    first, second = [1], [2]
    assert together(first, second) == [1, 2]
    assert together(second, first) == [2, 1]


def test_what_is_kept_is_bounded_and_the_least_lately_asked_for_goes_first():
    together, asked = counting()
    parts = [[number] for number in range(MOST_KEPT + 1)]
    for part in parts:
        together(part, part)
    together(parts[-1], parts[-1])
    assert len(asked) == MOST_KEPT + 1
    together(parts[0], parts[0])
    assert len(asked) == MOST_KEPT + 2


def test_an_argument_by_name_is_refused_rather_than_passed_over():
    together, _ = counting()
    with pytest.raises(TypeError, match="by place"):
        together([1], second=[2])
