"""The patient's words: plain, and complete."""

import re
from dataclasses import replace

import pytest
import textstat
from tests.conformance.patients import CATALOGUE, proposed
from tests.unit.sheet.pages import ASKED, PLANNED, Node, page_of, parsed, sheet
from tests.unit.writing.plans import PLANNED as HAND_MADE

from crossgrain.core.proposal import Outcome
from crossgrain.dosing.plan import PriorTherapy
from crossgrain.dosing.wording import dose_words
from crossgrain.reading.record import Question
from crossgrain.safety.rule import Severity
from crossgrain.words.doses import daily_dose

GRADE = 6
"""What is read with ease at about the age of twelve, in years of school in the United States."""
LONGEST = 25
"""Words in a sentence: an easy mean may hide a hard one."""
WAIT = "Do not start yet."


def sentences(page: Node, *tags: str) -> str:
    """What is read as sentences, each list item as one; the month pages are left out."""
    said = [
        node.text
        for node in page.by_id("patient").walk()
        if node.tag in tags and not node.all("ul")
    ]
    return " ".join(line if line.endswith((".", ":")) else f"{line}." for line in said if line)


@pytest.mark.parametrize("file", PLANNED)
@pytest.mark.parametrize(("tags", "least_words"), [(("p", "li"), 250), (("p",), 120)])
def test_the_patients_part_reads_at_the_age_of_twelve(
    file: str, tags: tuple[str, ...], least_words: int
) -> None:
    """Flesch-Kincaid (syllables) and the Automated Readability Index (letters), by textstat.

    The medicines' long names are measured as they stand: they must match the box. The
    paragraphs are measured alone as well, since short list items flatter the whole.
    """
    said = sentences(parsed(sheet(file)), *tags)
    assert textstat.lexicon_count(said) > least_words
    assert textstat.flesch_kincaid_grade(said) <= GRADE
    assert textstat.automated_readability_index(said) <= GRADE
    for sentence in re.split(r"(?<=[.:?])\s", said):
        assert len(sentence.split()) <= LONGEST, sentence


def test_the_measure_can_fail() -> None:
    hard = (
        "Concomitant administration of preparations containing polyvalent cations substantially"
        " diminishes gastrointestinal absorption; separate the administrations by four hours."
    )
    assert textstat.flesch_kincaid_grade(hard) > GRADE
    assert textstat.automated_readability_index(hard) > GRADE


@pytest.mark.parametrize("file", PLANNED)
def test_the_patient_is_told_not_to_start_exactly_where_something_is_to_be_done_first(
    file: str,
) -> None:
    proposal = proposed(file, ASKED[file])
    held = any(finding.severity is Severity.HOLD for finding in proposal.findings)
    told = WAIT in parsed(sheet(file)).by_id("patient").text
    assert told is (held or bool(proposal.record.confirm))


def test_what_is_to_be_confirmed_is_asked_and_holds_the_patient_back() -> None:
    fair = proposed("01-levothyroxine-150.json", "desiccated-thyroid")
    unsure = replace(fair.record, confirm=(Question("Bundle.entry[3]", "Is it 150 µg?"),))
    page = parsed(page_of(replace(fair, record=unsure)))
    assert WAIT in page.by_id("patient").text
    assert "To confirm Is it 150 µg? Bundle.entry[3]" in page.by_id("prescriber").text


def test_what_binds_the_hormone_is_kept_apart_and_biotin_stopped() -> None:
    told = parsed(sheet("14-binders-and-biotin.json")).by_id("patient").text
    assert "Take at least 4 hours apart from: calcium and iron." in told
    numbers = CATALOGUE.rules.before["biotin"].numbers
    assert f"Stop biotin {numbers['days'].value} days before each test" in told


def test_liothyronine_alone_needs_no_empty_stomach_and_is_taken_twice() -> None:
    told = parsed(sheet("04-levothyroxine-100-to-liothyronine.json", PriorTherapy.STOP))
    said = told.by_id("patient").text
    assert "empty stomach" not in said
    assert "in the morning and again at bedtime" in said


def test_each_day_of_the_plan_stands_once_on_the_month_pages() -> None:
    for file, target in PLANNED.items():
        plan = proposed(file, target).plan
        assert plan
        cells = [cell for cell in parsed(sheet(file)).by_id("patient").all("td") if cell.all("b")]
        assert len(cells) == plan.steps[-1].last_day + 1
        assert len([c for c in cells if "lab" in c.attributes["class"].split()]) == len(plan.labs)


def test_a_blood_test_on_the_way_names_the_step_that_waits_for_it() -> None:
    told = parsed(sheet("01-levothyroxine-150.json")).by_id("patient").text
    assert "Monday 7 April 2025 (day 36). We read it before step D" in told
    assert "If you have not heard from us by the day a step begins, call us first." in told


def test_the_patient_is_told_of_the_two_weeks_in_reserve() -> None:
    told = parsed(sheet("01-levothyroxine-150.json")).by_id("patient").text
    assert "You have tablets for 14 days more." in told


@pytest.mark.parametrize("file", [file for file in ASKED if file not in PLANNED])
def test_without_a_plan_there_is_no_dose_and_no_patients_part(file: str) -> None:
    outcome = proposed(file, ASKED[file]).outcome
    page = parsed(sheet(file))
    assert outcome is not Outcome.PLAN
    assert not [node for node in page.walk() if node.attributes.get("id") == "patient"]
    assert not page.all("table")
    assert not page.all("script")


@pytest.mark.parametrize("file", ASKED)
def test_a_licensed_prescriber_decides_says_every_sheet(file: str) -> None:
    assert "licensed prescriber, who decides" in parsed(sheet(file)).all("header")[0].text


@pytest.mark.parametrize("name", HAND_MADE)
def test_bedtime_halves_and_the_empty_stomach_are_told_of_exactly_where_they_are_needed(
    name: str,
) -> None:
    """Told of a bedtime that no order names, a patient may take a second dose then."""
    proposal = HAND_MADE[name]()
    assert proposal.plan
    told = parsed(page_of(proposal)).by_id("patient").text
    lines = [line for step in proposal.plan.steps for line in step.lines]
    pieces = [piece for line in lines if line.tablets for piece in line.tablets.pieces]
    assert ("take that dose as you go to bed" in told) is any(
        line.doses_per_day > 1 for line in lines
    )
    assert ("on an empty stomach" in told) is any(line.preparation.t4_ug_per_unit for line in lines)
    if any(piece.count % 1 for piece in pieces):
        assert "cut it with a pill cutter" in told


def glance(file: str) -> Node:
    (found,) = parsed(sheet(file)).by_id("prescriber").all("dl", "glance")
    return found


@pytest.mark.parametrize("file", PLANNED)
def test_the_first_screen_says_what_is_ordered_today_and_the_boldest_dose_is_of_an_order(
    file: str,
) -> None:
    plan = proposed(file, ASKED[file]).plan
    assert plan
    today, following, checkpoint, wrong = (tile.text for tile in glance(file).all("div"))
    for line in plan.steps[0].lines:
        assert daily_dose(line) in today
    assert "the labs decide what follows" in following
    assert "Lowest coverage" in wrong
    bold = [dose.text for dose in glance(file).all("dd") if "class" not in dose.attributes]
    aim = f"{dose_words(plan.aim)} a day"
    assert dose_words(plan.checkpoint.dose) in checkpoint
    assert aim not in bold or plan.aim == plan.checkpoint.dose


@pytest.mark.parametrize("file", PLANNED)
def test_stops_and_what_is_to_be_confirmed_stand_before_the_orders(file: str) -> None:
    proposal, told = proposed(file, ASKED[file]), parsed(sheet(file)).by_id("prescriber").text
    held = any(finding.severity is Severity.HOLD for finding in proposal.findings)
    assert (told.index("Findings") < told.index("At a glance")) is held
    if proposal.record.confirm:
        assert told.index("To confirm") < told.index("At a glance")


@pytest.mark.parametrize("file", PLANNED)
def test_each_term_of_ours_is_explained_where_it_first_stands(file: str) -> None:
    told = glance(file).text
    assert "here for labs" in told[told.index("Checkpoint") :][:120] or "labelled grains" in told
    assert "Coverage: the hormone in the body, as a share of what the old regimen held" in told
    if "any basis" in told:
        assert "A basis is a chart of how much of one hormone replaces another" in told
