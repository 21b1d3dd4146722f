"""The table of the next step is refused, with its place, rather than read past."""

import copy
from collections.abc import Callable
from typing import Any

import pytest
from tests.unit.safety.patients import NUMBERS, RULES, parsed

from crossgrain.catalogue.visits import alarms_from, decisions_from, mixture_source_from
from crossgrain.names.errors import DomainError
from crossgrain.safety.visit import Act

FILE = parsed("next_step.toml")


def row(data: dict[str, Any], code: str) -> dict[str, Any]:
    (found,) = (entry for entry in data["row"] if entry["code"] == code)
    return found  # type: ignore[no-any-return]


def broken(change: Callable[[dict[str, Any]], object]) -> DomainError:
    data = copy.deepcopy(FILE)
    change(data)
    with pytest.raises(DomainError) as caught:
        decisions_from(data, NUMBERS)
    return caught.value


@pytest.mark.parametrize(
    ("change", "place", "says"),
    [
        (lambda d: d.pop("row"), "row", "missing"),
        (lambda d: d.update(row=[]), "row", "at least one"),
        (lambda d: d.update(rows=[]), "rows", "not known"),
        (lambda d: d["row"].insert(0, "emergency"), "row[1]", "table"),
        (lambda d: d["row"].append(d["row"][0]), "code", "twice"),
        (lambda d: d["row"][0].pop("code"), "row[1].code", "missing"),
        (lambda d: d["row"][0].update(code=" "), "row[1].code", "blank"),
        (lambda d: d["row"][0].update(stage="soon"), "row[1].stage", "soon is not known"),
        (lambda d: d["row"][0].update(act="halt"), "row[1].act", "halt is not known"),
        (lambda d: d["row"][0].update(when="always"), "row[1].when", "table"),
        (lambda d: d["row"][0].update(when={"mood": ["bad"]}), "row[1].when.mood", "not known"),
        (lambda d: d["row"][0].update(when={"alarm": []}), "row[1].when.alarm", "at least one"),
        (lambda d: d["row"][0].update(when={"alarm": ["red"]}), "row[1].when.alarm[1]", "red"),
        (
            lambda d: d["row"][0].update(when={"alarm": ["none", "none"]}),
            "row[1].when.alarm",
            "twice",
        ),
        (lambda d: d["row"][0].update(says=""), "row[1].says", "blank"),
        (lambda d: d["row"][0].pop("do"), "row[1].do", "missing"),
        (lambda d: d["row"][0].pop("source"), "row[1].source", "missing"),
        (lambda d: d["row"][0].update(colour="red"), "row[1].colour", "not known"),
        (lambda d: d["row"][0].update(reading="as-read"), "row[1].reading", "a branch names"),
        (lambda d: row(d, "labs-decide").pop("reading"), ".reading", "a branch names"),
        (lambda d: row(d, "labs-decide").update(reading="tsh"), ".reading", "tsh is not known"),
        (lambda d: d["row"][0].update(hold="next_step.hold_days"), ".hold", "only a hold"),
        (lambda d: row(d, "gap").update(hold="next_step.never"), ".hold", "no number is called"),
        (lambda d: row(d, "gap").update(hold="tsh.high"), ".hold", "does not count days"),
        (lambda d: row(d, "gap").update(freeze=True), ".freeze", "only what goes on"),
        (lambda d: row(d, "as-planned").update(freeze="yes"), ".freeze", "true or false"),
        (lambda d: row(d, "jitters-first").update(again="?"), ".again", "by itself"),
        (lambda d: row(d, "gap").update(again=" "), ".again", "blank"),
    ],
)
def test_what_is_unknown_missing_or_twice_is_refused_with_its_place(
    change: Callable[[dict[str, Any]], object], place: str, says: str
) -> None:
    wrong = broken(change)
    assert wrong.field.endswith(place)
    assert says in wrong.message


def test_what_is_asked_the_second_time_becomes_a_row_of_its_own() -> None:
    table, _ = decisions_from(FILE, NUMBERS)
    by_code = {each.code: each for each in table}
    first, later = by_code["overdue"], by_code["overdue-again"]
    assert (first.act, first.hold_days) == (Act.HOLD, 14)
    assert (later.act, later.hold_days, later.reason) == (Act.ASK, None, "overdue")
    assert first.when["before"].isdisjoint(later.when["before"])


def test_the_loader_names_the_numbers_by_which_rows_hold_and_which_they_say() -> None:
    _, held_by = decisions_from(FILE, NUMBERS)
    assert held_by == {
        "next_step.hold_days",
        "next_step.labs_days",
        "next_step.gap_days",
        "labs.wait_days",
        "pregnancy.tsh_weeks",
    }


@pytest.mark.parametrize(
    ("change", "place"),
    [
        (lambda d: d.pop("mixture"), "mixture"),
        (lambda d: d["mixture"].pop("source"), "mixture.source"),
        (lambda d: d["mixture"].update(source=" "), "mixture.source"),
        (lambda d: d["mixture"].update(falls="lt4"), "mixture.falls"),
    ],
)
def test_on_whose_word_a_mixture_is_adjusted_must_be_said(
    change: Callable[[dict[str, Any]], object], place: str
) -> None:
    assert mixture_source_from(FILE).startswith("our judgement")
    data = copy.deepcopy(FILE)
    change(data)
    with pytest.raises(DomainError) as caught:
        mixture_source_from(data)
    assert caught.value.field == place


@pytest.mark.parametrize(
    ("change", "place", "says"),
    [
        (lambda d: d.pop("alarms"), "alarms", "missing"),
        (lambda d: d["alarms"].pop("emergency"), "alarms.emergency", "missing"),
        (lambda d: d["alarms"].update(urgent=["biotin"]), "alarms.urgent", "not known"),
        (lambda d: d["alarms"].update(elsewhere=[]), "alarms.elsewhere", "at least one"),
        (lambda d: d["alarms"]["emergency"].append("fever"), "alarms.emergency", "called fever"),
        (lambda d: d["alarms"]["emergency"].append("biotin"), "alarms.emergency", "that stops"),
        (lambda d: d["alarms"]["pregnancy"].append("plan-running"), "alarms.elsewhere", "twice"),
    ],
)
def test_an_alarm_is_a_rule_that_stops_a_plan_and_stands_once(
    change: Callable[[dict[str, Any]], object], place: str, says: str
) -> None:
    data = copy.deepcopy(FILE)
    change(data)
    with pytest.raises(DomainError) as caught:
        alarms_from(data, RULES)
    assert caught.value.field == place
    assert says in caught.value.message
