"""The card of an order: every line of it, for the slips that it is there for."""

import re
from datetime import date
from itertools import pairwise
from typing import Any

import pytest
from tests.api.hooks import INSTANCE, call, grains, levothyroxine, liothyronine, order
from tests.api.test_cds_orders import standing_order

from crossgrain.cds.cards import LONGEST_SUMMARY, summary
from crossgrain.names.identity import stable_id
from crossgrain.words.doses import CAUTION

from .conftest import Cards

LT4, GRAINS = "01-levothyroxine-150.json", "02-desiccated-120.json"
TEXT_ONLY, ADRENAL = "12-text-only-sig.json", "11-adrenal-insufficiency.json"
Card = dict[str, Any]


def blocks(card: Card) -> list[str]:
    """The detail, paragraph by paragraph."""
    whole: str = card["detail"]
    return whole.split("\n\n")


def after(card: Card, heading: str) -> str:
    """The block after a heading in bold."""
    found = blocks(card)
    return found[found.index(f"**{heading}**") + 1]


def slip(cards: Cards, hook: str = "order-sign", **drop: None) -> Card:
    """One grain for 150 µg, which is a third of it on `practice`."""
    body = call(LT4, [grains(60, "p01")], hook)
    for key in drop:
        del body["prefetch"][key]
    (card,) = cards(body)
    return card


def test_a_card_says_who_says_it_about_what_and_why_it_may_be_set_aside(cards: Cards) -> None:
    card = slip(cards)
    assert card["uuid"] == stable_id(f"{INSTANCE}|order")
    assert card["indicator"] == "warning"
    assert card["source"] == {
        "label": "Crossgrain",
        "topic": {
            "system": "http://crossgrain.example/fhir/CodeSystem/topic",
            "code": "thyroid-hormone-switch",
            "display": "Switch of thyroid hormone",
        },
    }
    reasons = card["overrideReasons"]
    assert [set(reason) for reason in reasons] == [{"code", "system", "display"}] * len(reasons)
    assert {reason["system"] for reason in reasons} == {
        "http://crossgrain.example/fhir/CodeSystem/override-reason"
    }
    assert reasons[0] == {
        "code": "dose-agreed",
        "system": "http://crossgrain.example/fhir/CodeSystem/override-reason",
        "display": "The dose was agreed with the patient or a specialist",
    }


def test_a_card_is_known_by_its_call_in_any_letters(cards: Cards) -> None:
    body = call(LT4, [grains(60, "p01")])
    body["hookInstance"] = INSTANCE.upper()
    (card,) = cards(body)
    assert card == slip(cards)


@pytest.mark.parametrize(
    ("file", "draft", "words"),
    [
        (
            LT4,
            grains(60, "p01"),
            "Desiccated thyroid 60 mg a day: 0.333 of today's dose on practice, an under-dosed"
            " switch",
        ),
        (
            GRAINS,
            levothyroxine(200, "p02"),
            "Levothyroxine sodium 200 micrograms a day: 2 of today's dose on practice, too"
            " much at once",
        ),
        (
            LT4,
            liothyronine(50, "p01"),
            "Liothyronine sodium 50 micrograms a day: T3 from 0 to 50 micrograms a day at once",
        ),
        (
            GRAINS,
            levothyroxine(100, "p02"),
            "Levothyroxine sodium 100 micrograms a day: nothing says that the old medicine ends",
        ),
        (ADRENAL, grains(60, "p11"), "Desiccated thyroid 60 mg a day: STOP, adrenal insufficiency"),
    ],
)
def test_the_summary_names_the_order_and_the_gravest_thing_about_it(
    cards: Cards, file: str, draft: Card, words: str
) -> None:
    (card,) = cards(call(file, [draft]))
    assert card["summary"] == words


@pytest.mark.parametrize("basis", ["label", "trial"])
def test_the_size_is_that_of_the_basis_that_the_clinic_chose(cards: Cards, basis: str) -> None:
    """One grain is 100 µg on `label` and 88 on `trial`: of 150 µg 0.667 and 0.587."""
    (card,) = cards(call(LT4, [grains(60, "p01")]), cds_basis=basis)
    ratio = {"label": "0.667", "trial": "0.587"}[basis]
    assert f": {ratio} of today's dose on {basis}, an under-dosed switch" in card["summary"]


def test_the_detail_begins_with_the_order_and_what_is_taken_now(cards: Cards) -> None:
    assert blocks(slip(cards))[0] == (
        "- **Order**: desiccated thyroid 60 mg a day (MedicationRequest/rx-1)\n"
        "- **Taken now**: levothyroxine sodium 150 micrograms a day"
    )


def test_each_concern_stands_with_what_to_do_and_on_whose_word(cards: Cards) -> None:
    lines = blocks(slip(cards))[1].split("\n")
    assert lines[0].startswith(
        "- HOLD, not to be started before this is done: As written the order is an under-dosed"
        " switch: 0.333 on practice, 0.667 on label, 0.587 on trial, 0.451 on content"
    )
    for line in lines:
        assert re.fullmatch(r"- (HOLD, [^:]+|Note): .+ What to do: .+ Source: .+", line)


def test_without_a_series_an_orders_verdict_does_not_speak_of_one(cards: Cards) -> None:
    """A stop offers none: "see the proposed series" would lead nowhere."""
    (card,) = cards(call(ADRENAL, [grains(60, "p11")]))
    stop, *others = blocks(card)[1].split("\n")
    assert " What to do: Correct it first." in stop
    assert all("proposed series" not in line for line in others)
    verdicts = [line for line in others if "As written" in line]
    assert len(verdicts) == 2
    assert all(" What to do: " not in line and " Source: " in line for line in verdicts)
    assert "Proposed instead" not in card["detail"]


def test_every_chart_stands_beside_the_one_that_was_used(cards: Cards) -> None:
    """150 µg and one grain: 50, 100, 88 (Hoang 2013), 38 + 9 × 3.3 and 90 (WHO) µg."""
    table = next(block for block in blocks(slip(cards)) if block.startswith("| Basis"))
    assert table.split("\n") == [
        "| Basis | LT4-equivalent now | of the order | New over old |",
        "| --- | --- | --- | --- |",
        "| practice | 150 micrograms | 50 micrograms | 0.333 |",
        "| label | 150 micrograms | 100 micrograms | 0.667 |",
        "| trial | 150 micrograms | 88 micrograms | 0.587 |",
        "| content | 150 micrograms | 67.7 micrograms | 0.451 |",
        "| ddd (for comparison only) | 150 micrograms | 90 micrograms | 0.6 |",
    ]


def days(row: str) -> tuple[date, date, str, str]:
    """A row of the series."""
    first, last, dose, tablets = row.strip("| ").split(" | ")
    months = {"January": 1, "March": 3, "April": 4, "May": 5, "June": 6, "July": 7, "August": 8}

    def day(words: str) -> date:
        number, month, year = words.split()
        return date(int(year), months[month], int(number))

    return day(first), day(last), dose, tablets


def test_the_series_stands_with_its_days_doses_and_tablets(cards: Cards) -> None:
    card = slip(cards)
    head, rule, *rows = after(card, "Proposed instead").split("\n")
    assert (head, rule) == ("| From | To | Dose | Tablets a day |", "| --- | --- | --- | --- |")
    read = [days(row) for row in rows]
    assert read[0][0] == date(2025, 3, 2)
    assert all(first <= last for first, last, _, _ in read)
    assert (read[0][2], read[0][3]) == ("desiccated thyroid 15 mg a day", "1 tablet of 15 mg")
    assert (read[1][2], read[1][3]) == (
        "levothyroxine sodium 150 micrograms a day",
        "as taken now",
    )
    for medicine in ("desiccated", "levothyroxine"):
        spans = [(first, last) for first, last, dose, _ in read if dose.startswith(medicine)]
        gaps = [(later[0] - before[1]).days for before, later in pairwise(spans)]
        assert set(gaps) == {1}  # each dose follows the one before without a gap
    filed = [
        action["resource"]["dosageInstruction"][0]["timing"]["repeat"]["boundsPeriod"]
        for action in card["suggestions"][0]["actions"]
        if action.get("resource", {}).get("resourceType") == "MedicationRequest"
        and action["resource"]["intent"] == "proposal"
    ]
    said = {(first.isoformat(), last.isoformat()) for first, last, _, _ in read}
    assert {(period["start"], period["end"]) for period in filed} <= said


def test_the_wait_for_labs_is_said_with_the_dose_and_the_day(cards: Cards) -> None:
    card = slip(cards)
    wait = next(block for block in blocks(card) if block.startswith("It waits"))
    found = re.fullmatch(
        r"It waits at desiccated thyroid 1\.5 grains a day for labs on (.+)\."
        r" Lowest modelled coverage (\d+) % of today's\.",
        wait,
    )
    assert found
    assert 70 <= int(found[2]) <= 100
    last = days(after(card, "Proposed instead").split("\n")[-1])
    number, month, _ = found[1].split()
    assert last[0] < date(2025, 6 if month == "June" else 7, int(number)) <= last[1]


def test_what_becomes_of_the_tablets_at_home_is_said(cards: Cards) -> None:
    home = [block for block in blocks(slip(cards)) if " at home: " in block]
    assert len(home) == 1
    assert home[0].startswith("- Levothyroxine sodium")


def test_what_was_not_checked_is_said(cards: Cards) -> None:
    said = after(slip(cards), "Not checked")
    assert said.startswith("- Not checked, because the record carries no goals: ")


def test_what_is_missing_of_the_record_is_said_before_the_caution(cards: Cards) -> None:
    assert blocks(slip(cards))[-1] == CAUTION
    assert "Of the record" not in slip(cards)["detail"]
    card = slip(cards, conditions=None, goals=None)
    assert blocks(card)[-2:] == [
        "- Of the record, Condition was not sent.\n- Of the record, Goal was not sent.",
        CAUTION,
    ]


def test_an_order_that_was_read_from_words_is_to_be_confirmed(cards: Cards) -> None:
    drafted = grains(60, "p01")
    drafted["dosageInstruction"] = [{"text": "1 tablet once daily"}]
    (card,) = cards(call(LT4, [drafted]))
    said = after(card, "To be confirmed")
    assert said == (
        "- desiccated thyroid, 60 mg per grain 60 mg a day was read from text. Is that what is"
        " taken? (context.draftOrders.entry\\[0\\].resource)"
    )


def test_a_question_stands_on_a_card_of_its_own_with_its_place(cards: Cards) -> None:
    (card,) = cards(call(TEXT_ONLY, [grains(60, "p12")]))
    assert card == {
        "uuid": stable_id(f"{INSTANCE}|question"),
        "summary": "Desiccated thyroid 60 mg a day: not judged, since something must be answered"
        " first",
        "detail": card["detail"],
        "indicator": "info",
        "source": slip(cards)["source"],
    }
    first, heading, asked, caution = blocks(card)
    assert first == "- **Order**: desiccated thyroid 60 mg a day (MedicationRequest/rx-1)"
    assert (heading, caution) == ("**To be answered first**", CAUTION)
    assert asked.startswith("- How much is taken, and how often?")
    assert asked.endswith(
        "(prefetch.medicationRequests.entry\\[0\\].resource.dosageInstruction\\[0\\].text)"
    )


def test_an_order_whose_dose_is_not_read_is_named_by_its_reference(cards: Cards) -> None:
    unfinished = grains(60, "p01")
    del unfinished["dosageInstruction"]
    (card,) = cards(call(LT4, [unfinished]))
    assert card["summary"].startswith("Order MedicationRequest/rx-1: not judged")
    assert blocks(card)[0].startswith("- **Order**: dose not read (MedicationRequest/rx-1)")


def test_orders_judged_together_are_told_from_the_one_in_hand(cards: Cards) -> None:
    drafts = [grains(60, "p01"), liothyronine(25, "p01", own_id="rx-2")]
    body = call(LT4, drafts, "order-select", ["MedicationRequest/rx-2"])
    (card,) = cards(body)
    assert blocks(card)[0] == (
        "- **Order**: liothyronine sodium 25 micrograms a day (MedicationRequest/rx-2)\n"
        "- Judged together with: desiccated thyroid 60 mg a day (MedicationRequest/rx-1)\n"
        "- **Taken now**: levothyroxine sodium 150 micrograms a day"
    )


def test_the_suggestions_are_named_and_the_series_is_recommended(cards: Cards) -> None:
    card = slip(cards)
    series, page = card["suggestions"]
    assert card["selectionBehavior"] == "any"
    assert (series["label"], series["uuid"], series["isRecommended"]) == (
        "Put the proposed series in its place",
        stable_id(f"{INSTANCE}|series"),
        True,
    )
    assert (page["label"], page["uuid"]) == (
        "File the plan as a page",
        stable_id(f"{INSTANCE}|page"),
    )
    assert "isRecommended" not in page
    assert len(page["actions"]) == 1


def duplicate(**changes: Any) -> Card:
    """100 µg beside two grains: right on `practice`, but nothing says that the grains end."""
    body = call(GRAINS, [levothyroxine(100, "p02")])
    standing_order(body)
    body["context"]["draftOrders"]["entry"][0]["resource"] |= changes
    return body


def test_where_only_an_ending_is_missing_saying_so_is_recommended(cards: Cards) -> None:
    (card,) = cards(duplicate())
    said, series = card["suggestions"]
    assert card["selectionBehavior"] == "at-most-one"
    assert (said["label"], said["uuid"], said["isRecommended"]) == (
        "Say what the order replaces",
        stable_id(f"{INSTANCE}|replaces"),
        True,
    )
    assert said["actions"][0]["type"] == "update"
    assert series["label"] == "Put the proposed series in its place"
    assert "isRecommended" not in series


def updates(cards: Cards, body: Card) -> bool:
    return any(
        action["type"] == "update"
        for card in cards(body)
        for each in card.get("suggestions", [])
        for action in each["actions"]
    )


def test_an_ending_is_suggested_only_where_it_is_all_that_is_wrong_and_plain(cards: Cards) -> None:
    assert updates(cards, duplicate())
    too_much = call(GRAINS, [levothyroxine(200, "p02")])
    standing_order(too_much)
    assert not updates(cards, too_much)
    stated = call(GRAINS, [levothyroxine(100, "p02")])  # no order stands that could be named
    assert not updates(cards, stated)
    two = duplicate()
    second = levothyroxine(12.5, "p02", own_id="rx-2")
    two["context"]["draftOrders"]["entry"].append({"resource": second})
    assert not updates(cards, two)
    assert not updates(cards, duplicate(priorPrescription={"display": "the old one"}))


@pytest.mark.parametrize(
    ("words", "line"),
    [
        ("a  b\n c", "a b c"),
        ("x" * LONGEST_SUMMARY, "x" * LONGEST_SUMMARY),
        ("a " * 69 + "ab", ("a " * 69)[:-1] + "…"),
        ("ab " * 60, ("ab " * 45) + "ab…"),
        ("a\x00b", "a\ufffdb"),
    ],
)
def test_a_summary_is_one_line_of_fewer_than_140_characters(words: str, line: str) -> None:
    """CDS Hooks 2.0, card.summary."""
    assert len(summary(words)) < 140
    assert summary(words) == line


def test_an_order_for_another_medicine_is_no_concern_of_ours(cards: Cards) -> None:
    assert cards(call(LT4, [order("amoxicillin", "723", 500, "mg", "p01")])) == []
