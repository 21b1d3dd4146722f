"""The extension of a series is read whole or not at all: a step that anybody changed is no step."""

from collections.abc import Iterator
from copy import deepcopy
from dataclasses import replace
from datetime import date
from fractions import Fraction
from typing import Any

import pytest
from tests.unit.reading.records import COMBINING, Json, encoded

from crossgrain.dosing.onward import Act
from crossgrain.dosing.plan import LabReading, PriorTherapy
from crossgrain.dosing.targets import Target, TargetDose
from crossgrain.names.series_extension import MOST_ACTS, SERIES_URL
from crossgrain.reading.json import parse
from crossgrain.reading.series_mark import (
    ActTaken,
    OrderedDose,
    OrderedStep,
    PlannedLine,
    SeriesFacts,
    SeriesMark,
    acts_after,
    mark_in,
)
from crossgrain.writing.series_mark import facts_parts, on_order, on_plan

STEP = OrderedStep(
    step=2,
    steps=5,
    branch="tsh-high",
    preparation_id="levothyroxine",
    strength=Fraction(50),
    doses=(
        OrderedDose(Fraction(75), 1, date(2026, 1, 5), date(2026, 1, 18)),
        OrderedDose(Fraction(225, 2), 2, date(2026, 1, 19), date(2026, 2, 1)),
    ),
)
FACTS = SeriesFacts(
    plan_id="plan-1",
    original=(
        ("levothyroxine", (Fraction(100), Fraction(0))),
        ("liothyronine", (Fraction(5),)),
    ),
    target=Target.LT4_LT3,
    basis_id="practice",
    pace="cautious",
    prior_therapy=PriorTherapy.OVERLAP,
    mixture=COMBINING.mixture(ratio=Fraction(14)),
    family="desiccated-thyroid-65",
    most_generous=True,
    day_one=date(2026, 1, 5),
    decision=date(2026, 4, 20),
    checkpoint=TargetDose(Fraction(75), Fraction(5), Fraction(0)),
    need=Fraction(3, 2),
    tables="t",
    lt3_doses=3,
    weekly=True,
    another_product=True,
    too_much_weighs=True,
    too_little_weighs=True,
    titration=True,
    acts=(
        ActTaken(date(2026, 2, 2), Act.HOLD, "overdue"),
        ActTaken(date(2026, 4, 20), Act.BRANCH, "labs-decide", LabReading.HIGH),
    ),
)
PLANNED = (
    PlannedLine(
        "levothyroxine",
        date(2026, 1, 5),
        ((0, Fraction(100)), (14, Fraction(175, 2)), (28, Fraction(0))),
        98,
    ),
    PlannedLine("liothyronine", date(2026, 1, 5), ((0, Fraction(20, 3)),), 98),
)
OTHERS = {
    "to desiccated thyroid": replace(
        FACTS,
        target=Target.DESICCATED_THYROID,
        mixture=COMBINING.mixture(),
        checkpoint=TargetDose(grains=Fraction(3, 2)),
        most_generous=False,
        prior_therapy=PriorTherapy.STOP,
    ),
    "a dose that no decimal holds": replace(
        FACTS, original=(("levothyroxine", (Fraction(400, 7),)),)
    ),
    "as it was made before visits were told of": replace(
        FACTS,
        lt3_doses=None,
        weekly=False,
        another_product=False,
        too_much_weighs=False,
        too_little_weighs=False,
        titration=False,
        acts=(),
    ),
    "by the guideline": replace(FACTS, mixture=COMBINING.mixture(guideline=True)),
    "by the share of T3": replace(
        FACTS,
        target=Target.DESICCATED_LT3,
        mixture=COMBINING.mixture(t3_share=Fraction(1, 5)),
    ),
}


def sent(extensions: Any) -> Any:
    """As it comes back from the EHR: through bytes."""
    return parse(encoded({"resourceType": "CarePlan", "extension": extensions}))["extension"]


ON_ORDER = sent(on_order(STEP, "ug", facts_parts(FACTS)))


@pytest.mark.parametrize("facts", [FACTS, *OTHERS.values()], ids=["both", *OTHERS])
def test_what_was_written_is_read_back(facts: SeriesFacts) -> None:
    parts = facts_parts(facts)
    assert mark_in(sent(on_order(STEP, "ug", parts)), COMBINING) == SeriesMark(facts, STEP)
    assert mark_in(sent(on_plan(parts, PLANNED)), COMBINING) == SeriesMark(facts, None, PLANNED)
    assert mark_in(sent(on_plan(parts, ())), COMBINING) == SeriesMark(facts, None)


def test_a_step_of_no_branch_is_read_back() -> None:
    plain = replace(STEP, branch="")
    assert mark_in(sent(on_order(plain, "ug", facts_parts(FACTS))), COMBINING) == SeriesMark(
        FACTS, plain
    )


def test_other_extensions_beside_it_change_nothing() -> None:
    beside = {"url": "https://x.example", "valueString": "x"}
    assert mark_in([beside, *ON_ORDER, "no extension"], COMBINING) == SeriesMark(FACTS, STEP)


@pytest.mark.parametrize("extensions", [None, [], {}, "x", [{"url": "https://x.example"}], [[]]])
def test_without_it_there_is_no_mark(extensions: object) -> None:
    assert mark_in(extensions, COMBINING) is None


def places(extension: Json) -> Iterator[tuple[int, ...]]:
    """The place of each part, by the indices that lead to it."""
    for number, part in enumerate(extension.get("extension", [])):
        yield (number,)
        yield from ((number, *deeper) for deeper in places(part))


def part_at(extensions: list[Json], place: tuple[int, ...]) -> tuple[list[Json], Json]:
    """The list that a part stands in, and the part."""
    inside: list[Json] = extensions
    for number in (0, *place[:-1]):
        inside = inside[number]["extension"]
    return inside, inside[place[-1]]


MAY_BE_LEFT_OUT = {"branch", "ratio", "most-generous", "original", "dose", "levothyroxine",
                   "liothyronine", "order", "step", "steps", "lt3-doses", "weekly-pattern",
                   "another-product", "leaning", "titration", "act"}  # fmt: skip
MAY_STAND_AGAIN = {"original", "dose", "act"}
EVERY = list(places(ON_ORDER[0]))


@pytest.mark.parametrize("place", EVERY, ids=str)
def test_a_part_that_is_missing_doubled_renamed_or_of_another_form_makes_it_no_mark(
    place: tuple[int, ...],
) -> None:
    _, part = part_at(ON_ORDER, place)
    value = next((key for key in part if key.startswith("value")), "")

    def changed(change: Any) -> SeriesMark | None:
        copy = deepcopy(ON_ORDER)
        change(*part_at(copy, place))
        return mark_in(copy, COMBINING)

    if part["url"] not in MAY_BE_LEFT_OUT:
        assert changed(lambda inside, one: inside.remove(one)) is None
    else:
        assert changed(lambda inside, one: inside.remove(one)) != SeriesMark(FACTS, STEP)
    if part["url"] not in MAY_STAND_AGAIN:
        assert changed(lambda inside, one: inside.append(one)) is None
    assert changed(lambda inside, one: one.update(url="x")) is None
    assert changed(lambda inside, one: inside.append({"url": "x", "valueString": "x"})) is None
    assert changed(lambda inside, one: inside.append("x")) is None
    assert changed(lambda inside, one: one.pop(value or "extension")) is None
    if value:
        assert changed(lambda inside, one: one.update({value: []})) is None


FORMS = {
    "a dose of three parts": ("dose", "75 1 2026-01-05"),
    "a dose taken no times": ("dose", "75 0 2026-01-05 2026-01-18"),
    "a day that there is not": ("dose", "75 1 2026-02-30 2026-03-01"),
    "a dose with a tail": ("dose", "75 1 2026-01-05 2026-01-18 x"),
    "a cycle of nothing": ("cycle", ""),
    "a cycle of words": ("cycle", "100 none"),
    "a cycle over nothing": ("cycle", "1/0"),
    "a target of none that there is": ("target", "compounded"),
    "a first day of no date": ("day-one", "soon"),
    "a need in words": ("need", "3/2"),
    "a step that is true": ("step", True),
    "a ratio in words": ("ratio", "14"),
    "doses of LT3 in words": ("lt3-doses", "3"),
    "a leaning that there is not": ("leaning", "both"),
    "an act on no day": ("act", "hold overdue"),
    "an act on a day that there is not": ("act", "2026-02-30 hold overdue"),
    "an act that there is not": ("act", "2026-02-02 halt overdue"),
    "an act for nothing": ("act", "2026-02-02 hold"),
    "a branch without its reading": ("act", "2026-02-02 branch labs-decide"),
    "a hold with a reading": ("act", "2026-02-02 hold overdue tsh-high"),
    "a reading that there is not": ("act", "2026-02-02 branch labs-decide tsh"),
    "an act with a tail": ("act", "2026-02-02 branch labs-decide tsh-high x"),
}


@pytest.mark.parametrize(("name", "value"), FORMS.values(), ids=FORMS.keys())
def test_a_value_that_is_not_as_it_was_written_makes_it_no_mark(name: str, value: object) -> None:
    copy = deepcopy(ON_ORDER)
    (place, *_) = (p for p in EVERY if part_at(copy, p)[1]["url"] == name)
    _, part = part_at(copy, place)
    part[next(key for key in part if key.startswith("value"))] = value
    assert mark_in(copy, COMBINING) is None


def test_two_marks_are_none() -> None:
    assert [each["url"] for each in ON_ORDER] == [SERIES_URL]
    assert mark_in([*ON_ORDER, *ON_ORDER], COMBINING) is None


@pytest.mark.parametrize("grains", [False, "", [], "1.5"])
def test_grains_that_are_no_number_make_it_no_mark(grains: object) -> None:
    extensions = sent(on_plan(facts_parts(OTHERS["to desiccated thyroid"]), ()))
    (checkpoint,) = (p for p in extensions[0]["extension"] if p["url"] == "checkpoint")
    checkpoint["extension"][0]["valueDecimal"] = grains
    assert mark_in(extensions, COMBINING) is None


def test_of_more_visits_than_it_may_tell_of_it_is_no_mark() -> None:
    acts = (FACTS.acts[0],) * MOST_ACTS
    assert mark_in(sent(on_plan(facts_parts(replace(FACTS, acts=acts)), ())), COMBINING) is not None
    assert (
        mark_in(sent(on_plan(facts_parts(replace(FACTS, acts=(*acts, acts[0]))), ())), COMBINING)
        is None
    )


def test_the_last_labs_that_called_a_dose_too_much_are_not_forgotten() -> None:
    day = date(2026, 3, 2)
    low = ActTaken(day, Act.BRANCH, "labs-decide", LabReading.LOW)
    acts: tuple[ActTaken, ...] = (low,)
    for _ in range(2 * MOST_ACTS):
        in_range = ActTaken(day, Act.BRANCH, "labs-adjust", LabReading.IN_RANGE)
        acts = acts_after(acts, in_range)
    assert len(acts) == MOST_ACTS
    assert [act for act in acts if act.reading is LabReading.LOW] == [low]


def test_the_same_leaning_twice_makes_it_no_mark() -> None:
    extensions = sent(on_plan(facts_parts(FACTS), ()))
    leanings = [p for p in extensions[0]["extension"] if p["url"] == "leaning"]
    leanings[1]["valueCode"] = leanings[0]["valueCode"]
    assert mark_in(extensions, COMBINING) is None


LINES = {
    "without its first day": "levothyroxine 0:100 98",
    "from a day that there is not": "levothyroxine 2026-02-30 0:100 98",
    "of no dose": "levothyroxine 2026-01-05 98",
    "of a dose in words": "levothyroxine 2026-01-05 0:some 98",
    "that begins later than its first day": "levothyroxine 2026-01-05 7:100 98",
    "whose days go back": "levothyroxine 2026-01-05 0:100 28:75 14:50 98",
    "with two doses on one day": "levothyroxine 2026-01-05 0:100 0:75 98",
    "that ends before its last dose": "levothyroxine 2026-01-05 0:100 14:75 14",
    "without an end": "levothyroxine 2026-01-05 0:100",
    "with a tail": "levothyroxine 2026-01-05 0:100 98 x",
}


@pytest.mark.parametrize("line", LINES.values(), ids=LINES.keys())
def test_a_planned_line_that_is_not_as_it_was_written_makes_it_no_mark(line: str) -> None:
    extensions = sent(on_plan(facts_parts(FACTS), PLANNED))
    (first, _) = [p for p in extensions[0]["extension"] if p["url"] == "planned"]
    first["valueString"] = line
    assert mark_in(extensions, COMBINING) is None


def done(*acts: Act) -> tuple[ActTaken, ...]:
    """Acts of one month after the other."""
    return tuple(
        ActTaken(date(2026, month, 1), act, "labs", LabReading.HIGH if act is Act.BRANCH else None)
        for month, act in enumerate(acts, start=1)
    )


@pytest.mark.parametrize(
    ("before", "one_more", "told"),
    [
        ((), Act.HOLD, "1"),
        ((Act.CONTINUE, Act.CONTINUE), Act.CONTINUE, "3"),
        ((Act.HOLD, Act.CONTINUE), Act.SLOW_DOWN, "1 3"),
        ((Act.HOLD, Act.HOLD, Act.HOLD, Act.HOLD), Act.HOLD, "2 3 4 5"),
        ((Act.BRANCH, Act.BRANCH, Act.HOLD, Act.HOLD), Act.HOLD, "1 2 4 5"),
        ((Act.BRANCH, Act.BRANCH, Act.BRANCH, Act.BRANCH), Act.BRANCH, "2 3 4 5"),
        ((Act.TURN_BACK, Act.BRANCH, Act.BRANCH, Act.BRANCH), Act.BRANCH, "1 3 4 5"),
        ((Act.TURN_BACK, Act.BRANCH, Act.BRANCH, Act.HOLD), Act.HOLD, "1 2 3 5"),
    ],
)
def test_of_its_visits_it_tells_what_the_next_one_must_know(
    before: tuple[Act, ...], one_more: Act, told: str
) -> None:
    *earlier, last = done(*before, one_more)
    kept = acts_after(earlier, last)
    assert [str(act.day.month) for act in kept] == told.split()
