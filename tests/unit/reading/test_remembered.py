"""What is remembered is bounded, and changes nothing that is read."""

import pytest
from tests.unit.reading.records import CODES, LT4_100, PREPARATIONS, condition, read, request, ucum
from tests.unit.reading.records import dosage as dose

from crossgrain.reading.elements import Asked, CodeableConcept, Coding
from crossgrain.reading.medicines import product_of
from crossgrain.reading.remembered import LONGEST_KEPT, MOST_KEPT, Remembered


def test_a_result_is_worked_out_once() -> None:
    asked: list[str] = []

    def work_out(key: str) -> str:
        asked.append(key)
        return key.upper()

    memory = Remembered(work_out, len)
    assert [memory["thyroid"], memory["thyroid"]] == ["THYROID", "THYROID"]
    assert asked == ["thyroid"]


@pytest.mark.parametrize(("length", "kept"), [(LONGEST_KEPT, True), (LONGEST_KEPT + 1, False)])
def test_a_longer_key_is_answered_and_not_kept(length: int, kept: bool) -> None:
    memory = Remembered(len, len)
    assert memory["x" * length] == length
    assert bool(memory) is kept


def test_what_fails_is_not_kept() -> None:
    memory = Remembered(int, len)
    with pytest.raises(ValueError, match="invalid literal"):
        memory["one"]
    assert not memory


def test_no_more_are_kept_than_the_bound() -> None:
    memory = Remembered(str, lambda _: 1)
    for key in range(3 * MOST_KEPT):
        memory[key]
        assert len(memory) <= MOST_KEPT


def test_a_concept_of_many_empty_codings_is_long() -> None:
    assert CodeableConcept((Coding(),) * 11).characters > LONGEST_KEPT


def test_the_same_doubt_is_asked_about_every_time_and_where_it_stands() -> None:
    compounded = CodeableConcept(text="levothyroxine 100 mcg compounded capsule")
    for place in ("first", "second"):
        with pytest.raises(Asked) as asked:
            product_of(compounded, CODES, PREPARATIONS, place)
        assert asked.value.expression == place


def test_a_record_is_read_the_same_whatever_was_read_before() -> None:
    records = [
        (request(LT4_100, dose(ucum(amount, "{tbl}"), text=words)), condition("40930008"))
        for amount, words in (
            (1, "Take 1 tablet daily"),
            (2, "Take 1 tablet daily"),
            (1, "as told"),
        )
    ]
    forwards = [read(*record) for record in records]
    backwards = [read(*record) for record in reversed(records)]
    assert forwards == backwards[::-1]
    assert [bool(record.questions) for record in forwards] == [False, True, False]
