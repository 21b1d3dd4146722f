"""The card of an order: every line of it, for the slips that it is there for."""

import re
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
        (
            ADRENAL,
            grains(60, "p11"),
            "Desiccated thyroid 60 mg a day: STOP: The record holds adrenal insufficiency"
            " and no glucocorticoid: thyroid hormone may bring on an acute…",
        ),
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


def test_the_detail_begins_with_the_numbers_that_matter(cards: Cards) -> None:
    """150 µg and one grain: 50, 100, 88 (Hoang 2013) and 38 + 9 × 3.3 µg; both 150 + 50 of 150."""
    assert blocks(slip(cards))[:3] == [
        "- **New over old**: 0.333 on practice, 0.667 on label, 0.587 on trial, 0.451 on content\n"
        "- Lowest coverage 33 %; T3 from 0 to 9 micrograms a day, pool to 113 %\n"
        "- With the old medicine left running: 1.333",
        "- **Order**: desiccated thyroid 60 mg a day (MedicationRequest/rx-1)\n"
        "- **Taken now**: levothyroxine sodium 150 micrograms a day",
        "- **HOLD**: an under-dosed switch, T3 rises too much at once, old and new together. Do not"
        " sign as written: see the proposed series.",
    ]


def test_the_chart_that_decided_leads_the_numbers(cards: Cards) -> None:
    (card,) = cards(call(LT4, [grains(60, "p01")]), cds_basis="label")
    assert blocks(card)[0].startswith("- **New over old**: 0.667 on label, 0.333 on practice, ")


def test_what_is_proposed_instead_is_said_with_its_labs(cards: Cards) -> None:
    said = blocks(slip(cards))[3]
    assert re.fullmatch(
        r"- \*\*Proposed instead\*\*: desiccated thyroid 15 mg a day until 15 March 2025;"
        r" levothyroxine sodium 150 micrograms a day until 15 March 2025\. Then by steps to"
        r" desiccated thyroid 1\.5 grains a day, and labs on \d+ June 2025\.",
        said,
    ), said


def test_a_stop_goes_before_the_verdict_and_no_series_is_spoken_of(cards: Cards) -> None:
    (card,) = cards(call(ADRENAL, [grains(60, "p11")]))
    stop, verdict, *_ = blocks(card)[2].split("\n")
    assert stop.startswith("- **STOP**: ")
    assert "Correct it first." in stop
    assert (
        verdict
        == "- **HOLD**: an under-dosed switch, T3 rises too much at once, old and new together."
    )
    assert "roposed instead" not in card["detail"]
    assert "proposed series" not in card["detail"]


def test_what_is_missing_of_the_record_is_said_beside_the_verdict(cards: Cards) -> None:
    assert blocks(slip(cards))[-1] == CAUTION
    assert "Of the record" not in slip(cards)["detail"]
    card = slip(cards, conditions=None, goals=None)
    assert blocks(card)[2].split("\n")[1:] == [
        "- Of the record, Condition was not sent.",
        "- Of the record, Goal was not sent.",
    ]


def test_an_order_that_was_read_from_words_is_to_be_confirmed(cards: Cards) -> None:
    drafted = grains(60, "p01")
    drafted["dosageInstruction"] = [{"text": "1 tablet once daily"}]
    (card,) = cards(call(LT4, [drafted]))
    assert (
        "- **To be confirmed**: desiccated thyroid 60 mg a day was read from text."
        " Is that what is taken?"
    ) in card["detail"]


def test_a_standing_dose_that_was_read_from_words_is_to_be_confirmed_by_that_dose(
    cards: Cards,
) -> None:
    body = call(LT4, [grains(60, "p01")])
    (standing,) = body["prefetch"]["medicationStatements"]["entry"]
    standing["resource"]["dosage"] = [{"text": "take 150 mcg by mouth every day"}]
    (card,) = cards(body)
    assert "**To be confirmed**: levothyroxine sodium 150 micrograms a day" in card["detail"]
    assert "prefetch" not in card["detail"]


def test_orders_judged_together_are_told_from_the_one_in_hand(cards: Cards) -> None:
    drafts = [grains(60, "p01"), liothyronine(25, "p01", own_id="rx-2")]
    body = call(LT4, drafts, "order-select", ["MedicationRequest/rx-2"])
    (card,) = cards(body)
    assert blocks(card)[1] == (
        "- **Order**: liothyronine sodium 25 micrograms a day (MedicationRequest/rx-2)\n"
        "- Judged together with: desiccated thyroid 60 mg a day (MedicationRequest/rx-1)\n"
        "- **Taken now**: levothyroxine sodium 150 micrograms a day"
    )


def test_a_detail_is_under_800_characters_and_says_how_much_more_there_is(cards: Cards) -> None:
    long = [grains(60, "p01", own_id=f"rx-{'9' * 50}{number}") for number in range(9)]
    for card in (slip(cards, conditions=None), *cards(call(LT4, long))):
        assert len(card["detail"]) < 800
        assert re.fullmatch(r"And \d+ more\.", blocks(card)[-2])
        assert blocks(card)[-1] == CAUTION


def switched(cards: Cards) -> Card:
    """200 µg for two grains: a series short enough to be offered whole."""
    (card,) = cards(call(GRAINS, [levothyroxine(200, "p02")]))
    return card


def test_the_first_order_is_recommended_and_the_whole_series_can_be_had_instead(
    cards: Cards,
) -> None:
    card = switched(cards)
    first, series = card["suggestions"]
    assert card["selectionBehavior"] == "at-most-one"
    assert (first["label"], first["uuid"], first["isRecommended"]) == (
        "Start the proposed series: its first order alone",
        stable_id(f"{INSTANCE}|first"),
        True,
    )
    assert (series["label"], series["uuid"]) == (
        "Put the whole proposed series in its place",
        stable_id(f"{INSTANCE}|series"),
    )
    assert "isRecommended" not in series


def test_a_series_too_long_for_a_card_is_not_offered_whole(cards: Cards) -> None:
    """A client is kept waiting by no more than 50 kB."""
    card = slip(cards)
    assert [each["uuid"] for each in card["suggestions"]] == [stable_id(f"{INSTANCE}|first")]
    assert card["selectionBehavior"] == "at-most-one"


def test_a_question_stands_on_a_card_of_its_own_with_its_words(
    cards: Cards,
) -> None:
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
    words = "Levothyroxine sodium tablets “as directed by the clinic”"
    assert asked.startswith(f"- **{words}**: How much is taken, and how often?")
    assert "prefetch" not in asked


def test_an_order_whose_dose_is_not_read_is_named_by_its_reference(cards: Cards) -> None:
    unfinished = grains(60, "p01")
    del unfinished["dosageInstruction"]
    (card,) = cards(call(LT4, [unfinished]))
    assert card["summary"].startswith("Order MedicationRequest/rx-1: not judged")
    assert blocks(card)[0].startswith("- **Order**: dose not read (MedicationRequest/rx-1)")


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
    assert series["label"] == "Put the whole proposed series in its place"
    assert "isRecommended" not in series


def updates(cards: Cards, body: Card) -> bool:
    """Whether all that is suggested first is to say what the order replaces."""
    return any(
        each["label"] == "Say what the order replaces"
        for card in cards(body)
        for each in card.get("suggestions", [])
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
