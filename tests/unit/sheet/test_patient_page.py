"""The patient's page as a document of its own: its numbers, its questions, its locales."""

import json
import re
import tomllib
from collections.abc import Iterator
from datetime import date, timedelta
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient
from tests.api.calls import FHIR
from tests.conformance.patients import AS_OF, CATALOGUE, FIXTURES, proposed
from tests.unit.command import crossgrain
from tests.unit.sheet.pages import (
    ASKED,
    BRITISH,
    PLANNED,
    VERSION,
    Node,
    parsed,
    person_of,
    sheet,
    sources_of,
)
from tests.unit.sheet.test_numbers import CASES, resources
from tests.unit.sheet.visits import VISITS

from crossgrain.app.factory import create_app
from crossgrain.dosing.plan import PriorTherapy
from crossgrain.http.settings import Settings
from crossgrain.sheet import locale as locales
from crossgrain.sheet.locale import DEFAULT, locale, made, tags
from crossgrain.sheet.page import SheetPart, sheet_html
from crossgrain.writing.at_home import SENTENCES
from crossgrain.writing.lab_requests import BEFORE_DOSE

FIRST = "01-levothyroxine-150.json"
NO_PLAN = [file for file in ASKED if file not in PLANNED]
SWITCH = "/sheet?target=desiccated-thyroid&as-of=2025-03-03"
VISIT = f"/sheet/next-step?as-of={VISITS['on-time']['as_of']}"
CALLS = {
    SWITCH: (FIXTURES / "patients" / FIRST).read_bytes(),
    VISIT: (FIXTURES / "visits" / "on-time.json").read_bytes(),
}


@pytest.fixture(scope="module")
def client() -> Iterator[TestClient]:
    with TestClient(create_app(Settings(), CATALOGUE), raise_server_exceptions=False) as client:
        yield client


def part(
    file: str,
    page: SheetPart = SheetPart.PATIENT,
    tag: str = BRITISH,
    prior: PriorTherapy = PriorTherapy.OVERLAP,
) -> Node:
    """One part of a fixture's sheet."""
    return parsed(
        sheet_html(
            proposed(file, ASKED[file], prior),
            CATALOGUE,
            service_version=VERSION,
            person=person_of(file),
            tag=tag,
            sources=sources_of(file),
            page=page,
        )
    )


def ids(page: Node) -> set[str]:
    return {node.attributes["id"] for node in page.walk() if "id" in node.attributes}


@pytest.mark.parametrize("file", PLANNED)
def test_each_part_alone_says_what_it_says_beside_the_other(file: str) -> None:
    both = parsed(sheet(file))
    patients, prescribers = part(file), part(file, SheetPart.PRESCRIBER)
    assert patients.by_id("patient").text == both.by_id("patient").text
    assert prescribers.by_id("prescriber").text == both.by_id("prescriber").text
    assert "prescriber" not in ids(patients)
    assert "patient" not in ids(prescribers)


@pytest.mark.parametrize("file", NO_PLAN)
def test_without_a_plan_the_patient_goes_on_as_now_and_knows_whom_to_call(file: str) -> None:
    told = part(file)
    assert "There is no new plan for you yet. Go on with your tablets as now." in told.text
    assert "When to get help" in told.text
    assert not told.all("table")
    assert not told.all("script")


@pytest.mark.parametrize("file", PLANNED)
def test_the_page_opens_with_whose_it_is_and_ends_its_steps_with_the_day_to_call(
    file: str,
) -> None:
    page = part(file)
    assert person_of(file).name in page.all("p", "who")[0].text
    plan = proposed(file, ASKED[file]).plan
    assert plan
    call_by = AS_OF + timedelta(days=plan.checkpoint.decision_day)
    said = f"We plan to call by {locale(BRITISH).day(call_by)}. If you have not heard from us"
    assert said in page.text


@pytest.mark.parametrize(("file", "prior"), CASES)
def test_no_count_of_tablets_is_a_decimal(file: str, prior: PriorTherapy) -> None:
    """A decimal point is overlooked; ISMP's list of error-prone dose designations, from memory."""
    counted = [
        bold.text
        for step in steps(part(file, prior=prior))
        for bold in step.all("b")
        if "tablet" in bold.text
    ]
    assert counted
    assert not [words for words in counted if re.search(r"\d[.,/]\d|[½¼¾]", words)]


# --- every number is the answer's -----------------------------------------------------------------


def steps(page: Node) -> list[Node]:
    (listed,) = page.all("ol", "steps")
    return [node for node in listed.inside if isinstance(node, Node)]


def given(step: Node) -> tuple[int, int]:
    """The first and the last day of a step, counted from day 1."""
    (numbers,) = step.all("span", "numbers")
    days = re.findall(r"\d+", numbers.text)
    return int(days[0]), int(days[-1])


def daily_amounts(file: str, prior: PriorTherapy, day: date) -> dict[str, Fraction]:
    """Medicine → what the orders of the answer have taken on a day, in the unit of the tablet."""
    found: dict[str, Fraction] = {}
    for order in resources(file, prior, "MedicationRequest", intent="proposal"):
        named = re.fullmatch(
            r"(.+) ([\d.]+) \w+ tablet", order["medicationCodeableConcept"]["text"]
        )
        assert named
        for instruction in order["dosageInstruction"]:
            repeat = instruction["timing"]["repeat"]
            bounds = repeat["boundsPeriod"]
            if bounds["start"] <= day.isoformat() <= bounds["end"]:
                each = Fraction(str(instruction["doseAndRate"][0]["doseQuantity"]["value"]))
                taken = each * repeat["frequency"] * Fraction(named[2])
                found[named[1]] = found.get(named[1], Fraction(0)) + taken
    return found


@pytest.mark.parametrize(("file", "prior"), CASES)
def test_the_total_of_each_day_is_that_of_the_orders(file: str, prior: PriorTherapy) -> None:
    checked = 0
    for step in steps(part(file, prior=prior)):
        first, _ = given(step)
        amounts = daily_amounts(file, prior, AS_OF + timedelta(days=first - 1))
        said = {}
        for medicine in (
            line for kind in ("new", "old", "shared") for line in step.all("li", kind)
        ):
            told = re.match(r"(.+?), (?:about )?([\d.]+) \w+ a day:", medicine.text)
            assert told
            if "go on as you take it now" not in medicine.text:
                said[told[1]] = Fraction(told[2])
                checked += 1
        assert said == amounts
    assert checked


@pytest.mark.parametrize(("file", "prior"), CASES)
def test_the_days_are_counted_from_day_one_without_a_gap_and_each_has_a_box(
    file: str, prior: PriorTherapy
) -> None:
    plan = proposed(file, ASKED[file], prior).plan
    assert plan
    next_day = 1
    for step in steps(part(file, prior=prior)):
        first, last = given(step)
        assert first == next_day
        assert len(step.all("i", "tick")) == last - first + 1
        begins, ends = AS_OF + timedelta(first - 1), AS_OF + timedelta(last - 1)
        words = f"{locale(BRITISH).day(begins)} to {locale(BRITISH).short(ends)}"
        assert words in step.text
        next_day = last + 1
    assert next_day == plan.steps[-1].last_day + 2


@pytest.mark.parametrize(("file", "prior"), CASES)
def test_what_is_fetched_stands_with_its_date_its_day_and_its_count(
    file: str, prior: PriorTherapy
) -> None:
    sent = []
    for order in resources(file, prior, "MedicationRequest", intent="proposal"):
        bounds = order["dosageInstruction"][0]["timing"]["repeat"]["boundsPeriod"]
        first = date.fromisoformat(bounds["start"])
        sent.append(
            (
                locale(BRITISH).dated(first),
                str((first - AS_OF).days + 1),
                f"{order['medicationCodeableConcept']['text']}s",
                str(order["dispenseRequest"]["quantity"]["value"]),
            )
        )
    tables = part(file, prior=prior).all("table", "pharmacy")
    rows = [row.all("td") for table in tables for row in table.all("tr")[1:]]
    assert sorted(tuple(cell.text for cell in row) for row in rows) == sorted(sent)


@pytest.mark.parametrize(("file", "prior"), CASES)
def test_each_blood_test_stands_with_its_date_and_its_day(file: str, prior: PriorTherapy) -> None:
    plan = proposed(file, ASKED[file], prior).plan
    assert plan
    (listed,) = part(file, prior=prior).all("ul", "draws")
    told = [item.text for item in listed.all("li")]
    assert len(told) == len(plan.labs)
    for words, draw in zip(told, plan.labs, strict=True):
        assert locale(BRITISH).day(AS_OF + timedelta(draw.day)) in words
        assert (f"(day {draw.day + 1})" in words) is (draw.day > 0)
        assert ("before you begin this plan" in words) is (draw.day == 0)


# --- the questions --------------------------------------------------------------------------------


@pytest.mark.parametrize("file", PLANNED)
def test_each_step_has_a_place_for_each_question_of_the_published_questionnaire(
    file: str, client: TestClient
) -> None:
    found = client.get("/fhir/r4/Questionnaire", headers={"accept": FHIR["content-type"]}).json()
    (asked,) = (
        entry["resource"]
        for entry in found["entry"]
        if entry["resource"].get("title") == "How it goes"
    )
    page = part(file)
    (section,) = page.all("section", "goes")
    places: dict[str, int] = {}
    for row in (row for table in section.all("table") for row in table.all("tr")[1:]):
        (question,) = row.all("th")
        places[question.text] = places.get(question.text, 0) + len(row.all("td"))
    assert places == {in_a_step(item["text"]): len(steps(page)) for item in asked["item"]}


def in_a_step(asked_at_a_visit: str) -> str:
    """A question of a visit as it is asked at the end of each step."""
    said = asked_at_a_visit.removeprefix("Since your last visit, ")
    return said[0].upper() + said[1:]


# --- locales --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("tag", "day", "week", "ambulance"),
    [
        ("en-US", "Monday, March 3, 2025", "S M T W T F S", "Call 911"),
        ("en-GB", "Monday 3 March 2025", "M T W T F S S", "Call 999"),
        ("en", "Monday 2025-03-03", "M T W T F S S", "Call an ambulance"),
    ],
)
def test_dates_weeks_and_words_follow_the_locale(
    tag: str, day: str, week: str, ambulance: str
) -> None:
    page = part(FIRST, tag=tag)
    assert page.by_id("patient").attributes["lang"] == tag
    assert day in page.all("p", "step-dates")[0].text
    assert page.all("table", "month")[0].all("thead")[0].text == week
    assert ambulance in page.text


def test_the_default_is_the_united_states_and_every_locale_is_whole() -> None:
    assert tags()[0] == DEFAULT == "en-US"
    assert set(tags()) == {"en-US", "en-GB", "en"}
    assert {frozenset(locale(tag).words) for tag in tags()} == {frozenset(locale(DEFAULT).words)}


def test_a_sentence_that_is_unknown_or_has_other_blanks_is_refused() -> None:
    with pytest.raises(ValueError, match=r"no sentence steps\.unheard"):
        made("xx", {"extends": DEFAULT, "steps": {"unheard": "?"}})
    with pytest.raises(ValueError, match=r"steps\.days has other blanks"):
        made("xx", {"extends": DEFAULT, "steps": {"days": "{first}"}})


def foreign(sentence: str) -> str:
    """A sentence of a language in which every word is made of x, its blanks as they were."""
    parts = re.split(r"(\{\w+\}|\*\*)", sentence)
    return "".join(p if p[:1] in "{*" and p else re.sub(r"[^\W\d_]", "x", p) for p in parts)


def translated(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: translated(inner) for key, inner in value.items()}
    if isinstance(value, list):
        return [translated(inner) for inner in value]
    return foreign(value) if isinstance(value, str) else value


def toml(content: dict[str, Any]) -> str:
    """As a file: a basic string of TOML 1.0 is one of JSON."""
    tables = []
    for name, table in content.items():
        rows = [f"{json.dumps(key)} = {json.dumps(value)}" for key, value in table.items()]
        tables.append("\n".join((f"[{name}]", *rows)))
    return "\n\n".join(tables)


@pytest.fixture
def made_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """A language that is one file beside the others."""
    folder = Path(str(locales._FOLDER))
    for file in folder.iterdir():
        (tmp_path / file.name).write_bytes(file.read_bytes())
    content = translated(tomllib.loads((folder / f"{DEFAULT}.toml").read_text("utf-8")))
    english = [
        *(item.text for item in CATALOGUE.codes.how_it_goes.item),
        *SENTENCES.values(),
        BEFORE_DOSE,
        *(each.generic_name for each in CATALOGUE.preparations.values()),
    ]
    content["english"] = {sentence: foreign(sentence) for sentence in english}
    (tmp_path / "xx.toml").write_text(f'extends = "{DEFAULT}"\n\n{toml(content)}\n', "utf-8")
    monkeypatch.setattr(locales, "_FOLDER", tmp_path)
    locale.cache_clear()
    yield "xx"
    locale.cache_clear()


@pytest.mark.parametrize("file", [FIRST, "04-levothyroxine-100-to-liothyronine.json"])
def test_a_translation_is_one_file_and_leaves_no_english_behind(made_up: str, file: str) -> None:
    page = part(file, tag=made_up)
    letters = {letter.text for letter in page.all("b", "letter")}
    name = set(person_of(file).name.split())
    words = set(re.findall(r"[^\W\d_]+", page.by_id("patient").text.rpartition("Crossgrain")[0]))
    assert {word for word in words if set(word.lower()) != {"x"}} <= letters | name
    numbers = [re.findall(r"[\d.]+", part(file, tag=tag).all("ol", "steps")[0].text)
               for tag in (made_up, DEFAULT)]  # fmt: skip
    assert numbers[0] == numbers[1]


def test_a_translation_is_offered_by_the_route_as_soon_as_its_file_is_there(
    made_up: str, client: TestClient
) -> None:
    answer = client.post(
        f"{SWITCH}&page=patient&locale={made_up}", content=CALLS[SWITCH], headers=FHIR
    )
    assert answer.status_code == 200
    assert f'lang="{made_up}"' in answer.text


# --- how it is asked for --------------------------------------------------------------------------


@pytest.mark.parametrize("call", CALLS)
def test_the_route_gives_the_part_and_the_locale_asked_for(call: str, client: TestClient) -> None:
    def found(more: str = "") -> set[str]:
        answer = client.post(f"{call}{more}", content=CALLS[call], headers=FHIR)
        assert answer.status_code == 200
        return ids(parsed(answer.content)) & {"prescriber", "patient"}

    assert found() == found("&page=both") == {"prescriber", "patient"}
    assert found("&page=prescriber") == {"prescriber"}
    assert found("&page=patient&locale=en-GB") == {"patient"}


@pytest.mark.parametrize("call", CALLS)
@pytest.mark.parametrize(
    ("asked", "status", "told"),
    [
        ("page=patients", 400, "page is one of: both, prescriber, patient"),
        ("locale=en-us", 400, "locale is one of: en-US, en, en-GB"),
        ("locale=de", 400, "locale is one of: en-US, en, en-GB"),
        ("detail=brief", 422, "detail=brief is for an answer in FHIR"),
        ("response=transaction", 422, "response=transaction is for an answer in FHIR"),
    ],
)
def test_what_no_sheet_can_be_is_refused_by_name(
    call: str, asked: str, status: int, told: str, client: TestClient
) -> None:
    answer = client.post(f"{call}&{asked}", content=CALLS[call], headers=FHIR)
    assert answer.status_code == status
    (issue,) = answer.json()["issue"]
    assert issue["expression"] == [f"http.{asked.partition('=')[0]}"]
    assert told in issue["diagnostics"]


@pytest.mark.parametrize("asked", ["detail=full", "response=collection", "sheet=true"])
def test_an_option_at_the_value_that_a_sheet_is_anyway_is_taken(
    asked: str, client: TestClient
) -> None:
    answer = client.post(f"{SWITCH}&{asked}", content=CALLS[SWITCH], headers=FHIR)
    assert answer.status_code == 200


def test_the_operation_itself_has_no_page(client: TestClient) -> None:
    path = SWITCH.replace("/sheet", "/fhir/r4/$propose-switch")
    answer = client.post(f"{path}&page=patient", content=CALLS[SWITCH], headers=FHIR)
    assert answer.status_code == 400


def test_the_calendar_follows_the_locale(client: TestClient) -> None:
    asked = FHIR | {"accept": "text/calendar"}
    said = {
        tag: client.post(f"{SWITCH}&locale={tag}", content=CALLS[SWITCH], headers=asked).text
        for tag in ("en-US", "en-GB")
    }
    unfolded = {tag: text.replace("\r\n ", "").replace("\\", "") for tag, text in said.items()}
    assert "Monday, March 3, 2025" in unfolded["en-US"]
    assert "Monday 3 March 2025" in unfolded["en-GB"]


@pytest.mark.parametrize(
    ("command", "call", "file"),
    [
        ("propose", SWITCH, FIXTURES / "patients" / FIRST),
        ("next", VISIT, FIXTURES / "visits" / "on-time.json"),
    ],
)
def test_the_command_line_writes_the_part_that_the_route_serves(
    command: str, call: str, file: Path, tmp_path: Path, client: TestClient
) -> None:
    pairs = dict(pair.split("=") for pair in call.partition("?")[2].split("&"))
    asked = [word for name, value in pairs.items() for word in (f"--{name}", value)]
    part_of = ("--page", "patient", "--locale", "en-GB")
    out = tmp_path / "page.html"
    ran = crossgrain(command, file, *asked, *part_of, "--sheet", out)
    assert ran.returncode == 0, ran.told_beside
    served = client.post(f"{call}&page=patient&locale=en-GB", content=CALLS[call], headers=FHIR)
    assert out.read_bytes() == served.content


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        (("--page", "patient"), "--page is of the plan sheet: give --sheet"),
        (("--locale", "en-GB"), "--locale is of the plan sheet: give --sheet"),
        (("--sheet", "{out}", "--page", "nurse"), "--page: page is one of"),
        (("--sheet", "{out}", "--detail", "brief"), "--detail: detail=brief is for an answer"),
    ],
)
def test_the_command_line_refuses_by_name_too(
    asked: tuple[str, ...], told: str, tmp_path: Path
) -> None:
    out = tmp_path / "page.html"
    words = [word.format(out=out) for word in asked]
    file = FIXTURES / "patients" / FIRST
    ran = crossgrain("propose", file, "--target", "desiccated-thyroid", *words)
    assert ran.returncode == 1
    assert told in " ".join(ran.told_beside.split())
    assert not out.exists()
