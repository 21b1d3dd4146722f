"""The command line: what it prints, how it exits, and that it says what HTTP says."""

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest
from fastapi.testclient import TestClient
from tests.unit.command import crossgrain

from crossgrain.app.factory import create_app
from crossgrain.catalogue import load_catalogue
from crossgrain.http.settings import Settings

ROOT = Path(__file__).parents[2]
PATIENTS = ROOT / "fixtures" / "patients"
FIRST = PATIENTS / "01-levothyroxine-150.json"
TO_GRAINS = "desiccated-thyroid"
ASKED = ("--target", TO_GRAINS, "--as-of", "2025-03-03")


@pytest.mark.parametrize(
    ("patient", "options", "status"),
    [
        ("01-levothyroxine-150.json", ("--target", "desiccated-thyroid"), 0),
        ("11-adrenal-insufficiency.json", ("--target", "desiccated-thyroid"), 2),
        ("12-text-only-sig.json", ("--target", "desiccated-thyroid"), 3),
        ("01-levothyroxine-150.json", ("--target", "thyroxine"), 1),
        ("01-levothyroxine-150.json", ("--target", "levothyroxine", "--detail", "brief"), 1),
        ("02-desiccated-120.json", ("--target", "levothyroxine", "--detail", "brief"), 0),
        ("11-adrenal-insufficiency.json", ("--target", TO_GRAINS, "--detail", "brief"), 2),
    ],
)
def test_json_is_the_http_answer_to_the_byte_and_the_exit_tells_how_it_ended(
    patient: str, options: tuple[str, ...], status: int
) -> None:
    ran = crossgrain("propose", PATIENTS / patient, *options, "--as-of", "2025-03-03", "--json")
    with TestClient(create_app(Settings(), load_catalogue())) as client:
        answer = client.post(
            "/fhir/r4/$propose-switch?as-of=2025-03-03&"
            + "&".join(f"{n[2:]}={v}" for n, v in zip(options[::2], options[1::2], strict=True)),
            content=(PATIENTS / patient).read_bytes(),
            headers={"content-type": "application/fhir+json"},
        )
    assert ran.stdout == answer.content
    assert ran.returncode == status


def test_brief_in_a_terminal_leaves_out_the_bases_and_the_forecast_and_no_step_or_finding() -> None:
    whole = crossgrain("propose", FIRST, *ASKED).stdout.decode()
    brief = crossgrain("propose", FIRST, *ASKED, "--detail", "brief").stdout.decode()
    left_out = ("The target on every basis", "What happens to the hormone meanwhile")
    assert all(words in whole and words not in brief for words in left_out)
    kept, every = (list(filter(str.strip, text.splitlines())) for text in (brief, whole))
    apart = {line for line in every if line not in kept}
    assert kept == [line for line in every if line not in apart]
    for words in ("Findings", "The series", "The checkpoint", "Labs", "What was read"):
        assert words in brief


def test_a_record_is_read_from_standard_input() -> None:
    from_stdin = crossgrain("propose", "-", *ASKED, "--json", stdin=FIRST.read_bytes())
    assert from_stdin.returncode == 0
    assert from_stdin.stdout == crossgrain("propose", FIRST, *ASKED, "--json").stdout


def test_a_byte_order_mark_changes_no_byte_of_the_answer_on_either_way_in(tmp_path: Path) -> None:
    """Many an editor and export writes one; no answer begins with one."""
    marked = b"\xef\xbb\xbf" + FIRST.read_bytes()
    file = tmp_path / "marked.json"
    file.write_bytes(marked)
    plain = crossgrain("propose", FIRST, *ASKED, "--json").stdout
    assert plain.startswith(b"{")
    assert crossgrain("propose", file, *ASKED, "--json").stdout == plain
    assert crossgrain("propose", "-", *ASKED, "--json", stdin=marked).stdout == plain
    with TestClient(create_app(Settings(), load_catalogue())) as client:
        answer = client.post(
            "/fhir/r4/$propose-switch?target=desiccated-thyroid&as-of=2025-03-03",
            content=marked,
            headers={"content-type": "application/fhir+json"},
        )
    assert answer.content == plain


def test_a_file_that_is_none_or_empty_is_named_and_why(tmp_path: Path) -> None:
    empty = tmp_path / "empty.json"
    empty.write_bytes(b"\n")
    for file, words in (
        (tmp_path, f"it is a directory; name a file in it, such as {empty}"),
        (tmp_path / "none.json", "No such file or directory"),
        (empty, "it is empty"),
    ):
        ran = crossgrain("propose", file, *ASKED)
        assert (ran.returncode, ran.told) == (1, "")
        assert f"{file}: {words}" in ran.told_beside.replace("\n", "")
        assert "Traceback" not in ran.told_beside
    nothing = crossgrain("propose", "-", *ASKED)
    assert (nothing.returncode, nothing.told) == (1, "")
    assert "standard input: it is empty" in nothing.told_beside


def test_the_installed_command_does_the_same_in_a_process_of_its_own() -> None:
    installed = Path(sys.executable).with_name("crossgrain")
    asked = ["propose", "-", *ASKED, "--json"]
    ran = subprocess.run(
        [installed, *asked], input=FIRST.read_bytes(), capture_output=True, check=False
    )
    assert (ran.returncode, ran.stderr) == (0, b"")
    assert ran.stdout == crossgrain(*asked, stdin=FIRST.read_bytes()).stdout


def test_a_plan_is_told_from_what_was_read_to_the_caution() -> None:
    ran = crossgrain("propose", FIRST, *ASKED)
    told = ran.told
    assert ran.returncode == 0
    parts = [
        "A proposed switch",
        "What was read",
        "levothyroxine sodium 150 micrograms a day",
        "The target on every basis",
        "sets the checkpoint",
        "The series (standard pace, old medicine: overlap)",
        "2025-03-03",
        "new desiccated 15 mg",
        "1 × 15 mg",
        "and wait for labs",
        "The checkpoint:",
        "TSH high: if TSH at the checkpoint is above",
        "TSH in range: if",
        "TSH low, or free T3 high: if",
        "Labs",
        "What happens to the hormone meanwhile",
        "not chosen",
        "licensed prescriber",
    ]
    places = [told.find(part) for part in parts]
    assert -1 not in places, dict(zip(parts, places, strict=True))
    assert places == sorted(places)
    assert "Source:" in crossgrain("propose", FIRST, *ASKED, "--why").told


@pytest.mark.parametrize(
    ("command", "file", "options"),
    [
        ("propose", PATIENTS / "02-desiccated-120.json", ("--target", "levothyroxine")),
        ("propose", FIRST, ("--target", TO_GRAINS)),
        ("next", PATIENTS / "02-desiccated-120.json", ()),
    ],
)
def test_what_is_dispensed_is_what_the_orders_hand_out_with_their_reserve(
    command: str, file: Path, options: tuple[str, ...]
) -> None:
    asked = (command, file, *options, "--as-of", "2025-03-03")
    answer = json.loads(crossgrain(*asked, "--json").stdout)
    orders = [
        entry["resource"]["dispenseRequest"]
        for entry in answer["entry"]
        if entry["resource"]["resourceType"] == "MedicationRequest"
    ]
    shown = crossgrain(*asked, "--detail", "brief", columns=120).stdout.decode()
    cells = re.findall(r"  ((?:\d+ \+ )*\d+)(?: \(([\d +]+) d\))? *$", shown, re.MULTILINE)
    told = {(n, days) for counts, days in cells for n in counts.split(" + ")}
    assert orders
    for order in orders:
        tablets, days = order["quantity"]["value"], order["expectedSupplyDuration"]["value"]
        assert {(f"{tablets}", f"{days}"), (f"{tablets}", "")} & told


def test_recent_labs_and_dated_checks_are_told() -> None:
    told = crossgrain("propose", FIRST, *ASKED).told
    assert "17 February 2025: TSH of that day stands, and is not drawn again" in told
    frail = PATIENTS / "10-older-with-atrial-fibrillation.json"
    told = crossgrain("propose", frail, *ASKED).told
    assert "Resting pulse: 3 March 2025, 31 March 2025, 28 April 2025" in told


def test_a_draft_is_told_apart_from_the_series_proposed_instead() -> None:
    ran = crossgrain("propose", PATIENTS / "16-draft-order.json", "--as-of", "2025-03-03")
    told = ran.told
    assert ran.returncode == 0
    assert "desiccated thyroid 30 mg a day (MedicationRequest/p16-order-3, draft)" in told
    assert "sign one or the other, not both" in told


def test_a_stop_tells_the_finding_and_no_dose() -> None:
    ran = crossgrain("propose", PATIENTS / "11-adrenal-insufficiency.json", *ASKED)
    told = ran.told
    assert ran.returncode == 2
    assert "No switch is proposed: this must be settled first" in told
    assert " stop " in told
    assert "The series" not in told


def test_a_question_is_told_with_its_place() -> None:
    ran = crossgrain("propose", PATIENTS / "12-text-only-sig.json", *ASKED)
    told = ran.told
    assert ran.returncode == 3
    assert "What must be answered" in told
    assert "Bundle.entry[" in told


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("propose", "no-such-file.json"), "no-such-file.json"),
        (("propose", FIRST, "--target", "thyroxine"), "--target: target is one of:"),
        (("propose", FIRST, "--pace"), "requires an argument"),
        (("propose", FIRST, "--dose", "3"), "--dose"),
        (("prescribe",), "prescribe"),
        (("propose", FIRST, *ASKED, "--chart", "no-such-chart.toml"), "--chart"),
    ],
)
def test_a_wrong_call_exits_with_1_and_says_why(
    arguments: tuple[str | Path, ...], says: str
) -> None:
    ran = crossgrain(*arguments)
    assert ran.returncode == 1
    assert says in ran.told_beside
    assert ran.stdout == b""


def test_a_clinics_chart_stands_beside_the_shipped_ones(tmp_path: Path) -> None:
    chart = tmp_path / "chart.toml"
    chart.write_text(
        '[[basis]]\nid = "tarn-row"\nstatement = "One grain = LT4 75 µg = LT3 25 µg"\n'
        'source = "an invented protocol"\nlt4_ug_per_grain = "75"\nlt4_ug_per_lt3_ug = "3"\n'
    )
    listed = crossgrain("bases", "--chart", chart).told
    assert "an invented protocol" in listed
    assert "practice" in listed
    ran = crossgrain("propose", FIRST, *ASKED, "--basis", "tarn-row", "--chart", chart)
    assert ran.returncode == 0
    assert "Aim on tarn-row: desiccated thyroid 2 grains" in ran.told


CLINICS_COMBINATION = """
[numbers.combination]
usual_ratio = "13"
usual_t3_share = "1/2"
"""


@pytest.mark.parametrize(
    ("target", "shipped", "own", "lt3_ug"),
    [  # of 150 micrograms of LT4 where LT3 weighs 2 and a grain 50
        (
            "levothyroxine-liothyronine",  # x = r·LT3 + 2·LT3
            "LT4 about 134.2 micrograms + LT3 about 7.9 micrograms",
            "LT4 130 micrograms + LT3 10 micrograms",
            10,
        ),
        (
            "desiccated-thyroid-liothyronine",
            "desiccated thyroid 2.25 grains + LT3 18.75 micrograms",
            "desiccated thyroid 1.5 grains + LT3 37.5 micrograms",
            37.5,
        ),
    ],
)
def test_a_combination_that_a_call_leaves_open_is_composed_as_the_clinic_says(
    target: str, shipped: str, own: str, lt3_ug: float, tmp_path: Path
) -> None:
    chart = tmp_path / "clinic.toml"
    chart.write_text(CLINICS_COMBINATION)
    for aim, more in ((shipped, ()), (own, ("--chart", chart))):
        asked = ("--target", target, "--as-of", "2025-03-03", *more)
        assert f"Aim on practice: {aim} a day." in crossgrain("propose", FIRST, *asked).told
    with TestClient(create_app(Settings(), load_catalogue(chart))) as client:
        compared = client.post(
            f"/fhir/r4/$compare-bases?as-of=2025-03-03&target={target}",
            content=FIRST.read_bytes(),
            headers={"content-type": "application/fhir+json"},
        ).json()
    (practice,) = (
        {part["name"]: part for part in each["part"]}
        for each in compared["parameter"]
        if each["name"] == "basis" and each["part"][0]["valueCode"] == "practice"
    )
    assert practice["target-lt3"]["valueQuantity"]["value"] == lt3_ug


def test_a_usual_ratio_outside_the_guidelines_range_is_refused_with_its_place(
    tmp_path: Path,
) -> None:
    chart = tmp_path / "clinic.toml"
    chart.write_text('[numbers.combination]\nusual_ratio = "21"\n')
    ran = crossgrain("numbers", "--chart", chart)
    assert ran.returncode == 1
    assert "clinic.toml: numbers.combination.usual_ratio" in " ".join(ran.told_beside.split())


VISITS = ROOT / "fixtures" / "visits"


@pytest.mark.parametrize(
    ("visit", "as_of", "status"),
    [
        ("checkpoint-tsh-high", "2025-06-27", 0),
        ("infarction-in-mid-climb", "2025-04-17", 2),
        ("second-plan-begun", "2025-04-17", 3),
        ("on-time", "no-day", 1),
    ],
)
def test_a_next_step_in_json_is_the_http_answer_to_the_byte(
    visit: str, as_of: str, status: int
) -> None:
    file = VISITS / f"{visit}.json"
    ran = crossgrain("next", file, "--as-of", as_of, "--json")
    with TestClient(create_app(Settings(), load_catalogue())) as client:
        answer = client.post(
            f"/fhir/r4/$next-step?as-of={as_of}",
            content=file.read_bytes(),
            headers={"content-type": "application/fhir+json"},
        )
    assert ran.stdout == answer.content
    assert ran.returncode == status


def test_a_plan_beside_the_record_is_the_parameter_plan_of_the_call(tmp_path: Path) -> None:
    record = json.loads((VISITS / "on-time.json").read_bytes())
    (plan,) = (
        entry["resource"]
        for entry in record["entry"]
        if entry["resource"]["resourceType"] == "CarePlan"
    )
    record["entry"] = [e for e in record["entry"] if e["resource"] is not plan]
    (tmp_path / "record.json").write_text(json.dumps(record))
    (tmp_path / "plan.json").write_text(json.dumps(plan))
    asked = ("--plan", tmp_path / "plan.json", "--as-of", "2025-04-17", "--json")
    ran = crossgrain("next", tmp_path / "record.json", *asked)
    parts = [{"name": "record", "resource": record}, {"name": "plan", "resource": plan}]
    with TestClient(create_app(Settings(), load_catalogue())) as client:
        answer = client.post(
            "/fhir/r4/$next-step?as-of=2025-04-17",
            json={"resourceType": "Parameters", "parameter": parts},
            headers={"content-type": "application/fhir+json"},
        )
    assert answer.status_code == 200
    assert ran.stdout == answer.content


def test_an_answer_that_asks_tells_which_orders_are_not_to_begin() -> None:
    ran = crossgrain("next", VISITS / "palpitations-with-tsh-high.json", "--as-of", "2025-04-17")
    told = " ".join(ran.told.split())
    waits = "Do not begin the order for desiccated thyroid 60 mg tablet until this is answered"
    assert waits in told
    assert "Do not begin the order for levothyroxine sodium 88 microgram" in told


def test_a_next_step_is_told_from_where_the_patient_stands_to_the_caution() -> None:
    ran = crossgrain(
        "next", VISITS / "palpitations-with-tsh-in-range.json", "--as-of", "2025-04-17"
    )
    parts = [
        "Next step: hold today's dose",
        "Today is in step 4 of 6",
        "There are palpitations or a fast pulse",
        "What was read",
        "The series",
        "Labs",
        "one of these",
        "Orders that stand",
        "Orders that are no longer meant",
        "A proposal for the licensed prescriber",
    ]
    told = " ".join(ran.told.split())
    places = [told.find(words) for words in parts]
    assert -1 not in places, dict(zip(parts, places, strict=True))
    assert places == sorted(places)
    assert ran.returncode == 0


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (("propse",), "Did you mean 'propose'?"),
        (("propose",), "Missing argument 'file' (crossgrain propose --help)"),
        (("propose", FIRST, "--taget", "x"), "did you mean --target? (crossgrain propose --help)"),
        (("propose", FIRST.with_name("01-levothyroxine-15.json")), f"did you mean {FIRST.name}?"),
        (("propose", FIRST, "--target", "levothyroxin"), "did you mean levothyroxine?"),
        (("serve", "--port", "99999"), "'--port': "),
        (("screen", "x"), "Missing option '--out' (crossgrain screen --help)"),
    ],
)
def test_a_slip_in_a_call_is_answered_with_what_to_do_next(
    call: tuple[str | Path, ...], says: str
) -> None:
    ran = crossgrain(*call, columns=200)
    assert ran.returncode == 1
    assert says in ran.told_beside
