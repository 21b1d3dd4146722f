"""The questions at a terminal, and answers from a file: the plan is that of a clear record."""

import io
import json
import os
import pty
import select
import signal
import sys
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from tests.properties.answers.records import (
    AS_OF,
    CASES,
    PATIENT,
    Case,
    Chart,
    a_day,
    bundle,
)
from tests.properties.answers.test_round_trips import answered, plan_of, proposed
from tests.unit.command import crossgrain

from crossgrain.cli import asking
from crossgrain.names.identity import FhirVersion
from crossgrain.operations.desk import parse_resource
from crossgrain.reading.elements import Asks
from crossgrain.reading.question_form import OTHERWISE, Posed, QuestionForm
from crossgrain.writing.forms import to_json

Resource = dict[str, Any]
R4 = Chart(FhirVersion.R4, 100)
UNCLEAR = bundle([R4.order([{"text": "as directed"}])])
CLEAR = bundle([R4.order([a_day(100)])])
TO_GRAINS = ("--target", "desiccated-thyroid", "--as-of", AS_OF)


def typed(form: QuestionForm, case: Case, chart: Chart) -> Iterator[str]:
    """What somebody types who answers the questions of the case, and leaves the others open."""
    picked = case.pick(chart)
    for posed in form.posed:
        another = case.asks is Asks.ORDER and posed.entry.resource["id"] != "d2"
        if not posed.choices:
            continue
        if posed.question.asks is not case.asks or another:
            yield ""
        elif isinstance(picked, dict):
            yield number_of(posed, OTHERWISE)
            for line in posed.doses:
                yield str(picked[line.id]["value"]) if line.id in picked else ""
        else:
            yield number_of(posed, picked)


def number_of(posed: Posed, code: str) -> str:
    return str([choice.code for choice in posed.choices].index(code) + 1)


def say(monkeypatch: pytest.MonkeyPatch, form: QuestionForm, *lines: str) -> asking.Said:
    """The form asked of somebody who types these lines; each of them is read."""
    stream = io.StringIO("".join(f"{line}\n" for line in lines))
    monkeypatch.setattr(sys, "stdin", stream)
    said = asking.asked_of(form)
    assert stream.read() == ""
    return said


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_what_is_typed_gives_the_plan_of_a_clear_record(
    monkeypatch: pytest.MonkeyPatch, case: Case
) -> None:
    chart = Chart(case.versions[0], 100)
    unclear = bundle(case.unclear(chart))
    form = proposed(unclear, chart, case).form
    said = say(monkeypatch, form, *typed(form, case, chart))
    assert not said.is_over
    after = proposed(unclear, chart, case, parse_resource(to_json(said.response)))
    clear = proposed(bundle(case.clear(chart)), chart, case, **case.clear_options)
    assert after.form is None
    tablets = case.same_tablets
    assert plan_of(after, same_tablets=tablets) == plan_of(clear, same_tablets=tablets)


def test_every_kind_of_question_is_answered_at_the_prompt() -> None:
    assert {case.asks for case in CASES} == set(Asks) - {Asks.OTHER}


def form_of(record: Resource) -> QuestionForm:
    return proposed(record, R4, CASES[0]).form


@pytest.mark.parametrize("wrong", ["0", "99", "x", "1.5", "-1", "²", "١"])
def test_a_choice_that_is_none_is_asked_for_again(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], wrong: str
) -> None:
    form = form_of(UNCLEAR)
    last = str(len(form.posed[0].choices))
    said = say(monkeypatch, form, wrong, last, "100", *[""] * (len(form.posed[0].doses) - 1))
    assert f"A number from 1 to {last}." in capsys.readouterr().out
    (item,) = said.response["item"]
    assert item["answer"][0]["valueCoding"]["code"] == OTHERWISE


@pytest.mark.parametrize(
    "wrong", ["abc", "-5", "12,5", "1e3", "1_000", "NaN", "Infinity", "١٠٠", "1234567", "100 mcg"]
)
def test_a_dose_that_is_no_plain_number_is_asked_for_again(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], wrong: str
) -> None:
    """Python would read 1e3 and 1_000 as a thousand, and digits of other scripts."""
    form = form_of(UNCLEAR)
    posed = form.posed[0]
    lines = [str(len(posed.choices)), wrong, "62.5", *[""] * (len(posed.doses) - 1)]
    said = say(monkeypatch, form, *lines)
    assert capsys.readouterr().out.count("A plain number, such as 62.5.") == 1
    (dose,) = said.response["item"][0]["answer"][0]["item"]
    assert str(dose["answer"][0]["valueQuantity"]["value"]) == "62.5"


def test_days_are_counted_within_their_bounds(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from crossgrain.reading.record import Question  # noqa: PLC0415 - one test alone

    choice = form_of(UNCLEAR).posed[0].choices[0]
    question = Question("How many days?", "here", Asks.HOW_IT_GOES)
    posed = Posed(question, "q", "QuestionnaireResponse", choices=(choice,), count=14)
    form = QuestionForm((posed,), "id")
    for wrong, right in (("15", "14"), ("-1", "0")):
        said = say(monkeypatch, form, wrong, right)
        assert said.response["item"] == [{"linkId": "q", "answer": [{"valueInteger": int(right)}]}]
        assert "A number from 0 to 14." in capsys.readouterr().out


def test_an_empty_line_leaves_a_question_open(monkeypatch: pytest.MonkeyPatch) -> None:
    assert say(monkeypatch, form_of(UNCLEAR), "") == (None, False)


def test_another_dose_of_nothing_leaves_the_question_open(monkeypatch: pytest.MonkeyPatch) -> None:
    form = form_of(UNCLEAR)
    lines = [str(len(form.posed[0].choices)), *[""] * len(form.posed[0].doses)]
    assert say(monkeypatch, form, *lines) == (None, False)


TWO = bundle([
    R4.order([{"text": "as directed"}]),
    R4.order([{"text": "as told"}], {"text": "liothyronine sodium"}, own="r2"),
])  # fmt: skip


@pytest.mark.parametrize(("lines", "kept"), [((), 0), (("1",), 1)])
def test_where_the_input_ends_the_rest_is_left_open_and_what_was_said_counts(
    monkeypatch: pytest.MonkeyPatch, lines: tuple[str, ...], kept: int
) -> None:
    said = say(monkeypatch, form_of(TWO), *lines)
    assert said.is_over
    assert len(said.response["item"] if said.response else []) == kept


def at_the_prompt(
    monkeypatch: pytest.MonkeyPatch, record: Resource, *lines: str, command: str = "propose"
) -> tuple[int, str]:
    """The whole command, of somebody at a terminal who types these lines."""
    monkeypatch.setattr(asking, "at_a_terminal", lambda: True)
    written = "\n".join((*lines, "")).encode()
    options = TO_GRAINS if command == "propose" else TO_GRAINS[2:]
    path = Path(os.environ["RECORD"])
    path.write_bytes(to_json(record))
    ran = crossgrain(command, path, *options, stdin=written)
    return ran.returncode, ran.told


@pytest.fixture(autouse=True)
def _record(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("RECORD", str(tmp_path / "record.json"))


@pytest.mark.parametrize("command", ["propose", "next"])
def test_the_command_asks_until_everything_is_answered(
    monkeypatch: pytest.MonkeyPatch, command: str
) -> None:
    """100 000 micrograms are asked about again; then nothing is open."""
    doses = form_of(UNCLEAR).posed[0]
    last, rest = str(len(doses.choices)), [""] * (len(doses.doses) - 1)
    again = ["100", *rest]
    status, told = at_the_prompt(
        monkeypatch, UNCLEAR, last, "100000", *rest, last, *again, command=command
    )
    _, clear = at_the_prompt(monkeypatch, CLEAR, command=command)
    assert status == 0
    assert "not plausible" in told
    after = told.rpartition("Another dose: given below")[2]
    steps = [line for line in clear.splitlines() if "2025-" in line]
    assert len(steps) > 2
    assert [line for line in after.splitlines() if "2025-" in line] == steps


def test_a_command_whose_questions_stay_open_ends_as_it_would_unasked(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    status, told = at_the_prompt(monkeypatch, UNCLEAR, "")
    assert status == 3
    assert told.count("leave a line empty") == 1


def test_a_command_whose_input_ends_asks_no_second_time(monkeypatch: pytest.MonkeyPatch) -> None:
    status, told = at_the_prompt(monkeypatch, TWO, "1")
    assert status == 3
    assert told.count("leave a line empty") == 1


def test_nobody_is_asked_where_there_is_no_terminal(tmp_path: Path) -> None:
    (record := tmp_path / "r.json").write_bytes(to_json(UNCLEAR))
    ran = crossgrain("propose", record, *TO_GRAINS, stdin=b"1\n")
    assert ran.returncode == 3
    assert "leave a line empty" not in ran.told


class Terminal:
    """The command in a pseudo-terminal of its own."""

    def __init__(self, *arguments: str) -> None:
        self.seen = ""
        self.pid, self.master = pty.fork()
        if self.pid == 0:
            os.environ["COLUMNS"], os.environ["NO_COLOR"] = "120", "1"
            # Tests that a shell runs in its background ignore interrupts, and so would the command.
            signal.signal(signal.SIGINT, signal.SIG_DFL)
            program = "from crossgrain.cli import main; main()"
            os.execv(sys.executable, [sys.executable, "-c", program, *arguments])

    def until(self, words: str, seconds: float = 60) -> None:
        """Read until these words are shown."""
        end = time.monotonic() + seconds
        start = len(self.seen)
        while words not in self.seen[start:]:
            assert time.monotonic() < end, self.seen
            if not self._read():
                break

    def _read(self) -> bool:
        ready, _, _ = select.select([self.master], [], [], 1)
        if not ready:
            return True
        try:
            read = os.read(self.master, 65536)
        except OSError:  # how Linux tells that the other end is closed
            return False
        self.seen += read.decode(errors="replace").replace("\r\n", "\n")
        return bool(read)

    def press(self, keys: bytes) -> None:
        with suppress(OSError):  # it has just ended
            os.write(self.master, keys)

    def ended(self, keys: bytes = b"", seconds: float = 60) -> int:
        """Its status, after all that it still had to say.

        What is pressed while the terminal is handed to the prompt may be lost: `keys` are pressed
        again after each second of silence.
        """
        end = time.monotonic() + seconds
        self.press(keys)
        while True:
            seen = self.seen
            if not self._read():
                break
            if self.seen == seen:
                self.press(keys)
            if time.monotonic() > end:
                os.kill(self.pid, signal.SIGKILL)
                pytest.fail(self.seen)
        _, status = os.waitpid(self.pid, 0)
        os.close(self.master)
        return os.waitstatus_to_exitcode(status)


@pytest.fixture
def in_terminal(tmp_path: Path) -> Terminal:
    (record := tmp_path / "r.json").write_bytes(to_json(UNCLEAR))
    terminal = Terminal("propose", str(record), *TO_GRAINS)
    terminal.until("Which: ")
    return terminal


def test_somebody_at_a_real_terminal_types_the_dose_and_sees_the_plan(
    in_terminal: Terminal, tmp_path: Path
) -> None:
    posed = form_of(UNCLEAR).posed[0]
    in_terminal.press(b"nonsense\n")
    in_terminal.until("Which: ")
    in_terminal.press(f"{number_of(posed, OTHERWISE)}\n".encode())
    for line in posed.doses:
        in_terminal.until("a day: ")
        in_terminal.press(b"100\n" if line.id == "levothyroxine" else b"\n")
    assert in_terminal.ended() == 0
    (record := tmp_path / "clear.json").write_bytes(to_json(CLEAR))
    clear = crossgrain("propose", record, *TO_GRAINS).told
    steps = [line.rstrip() for line in clear.splitlines() if "2025-" in line]
    shown = [line.rstrip() for line in in_terminal.seen.splitlines()]
    assert len(steps) > 4
    assert set(steps) <= set(shown)


@pytest.mark.parametrize(("keys", "status"), [(b"\x04", 3), (b"\x03", 130)])
def test_the_end_of_input_leaves_questions_open_and_an_interrupt_ends_without_a_traceback(
    in_terminal: Terminal, keys: bytes, status: int
) -> None:
    assert in_terminal.ended(keys) == status
    assert "Traceback" not in in_terminal.seen


def orders(answer: bytes) -> list[Resource]:
    entries = json.loads(answer)["entry"]
    found = [e["resource"] for e in entries if e["resource"]["resourceType"] == "MedicationRequest"]
    return [{k: order[k] for k in ("medicationCodeableConcept", "dosageInstruction")}
            for order in found]  # fmt: skip


@pytest.mark.parametrize("command", ["propose", "next"])
def test_answers_from_files_give_the_orders_of_a_clear_record(tmp_path: Path, command: str) -> None:
    """Two files, of which the second answers what the first raised."""
    options = [*(TO_GRAINS if command == "propose" else TO_GRAINS[2:]), "--json"]
    (record := tmp_path / "r.json").write_bytes(to_json(UNCLEAR))
    files: list[str] = []
    for name, value in (("a.json", 100000), ("b.json", 100)):
        asked = json.loads(crossgrain(command, record, *options, *files).stdout)
        form = next(e["resource"] for e in asked["entry"]
                    if e["resource"]["resourceType"] == "Questionnaire")  # fmt: skip
        (file := tmp_path / name).write_bytes(to_json(otherwise(form, value)))
        files += ["--answers", str(file)]
    ran = crossgrain(command, record, *options, *files)
    assert ran.returncode == 0
    record.write_bytes(to_json(CLEAR))
    clear = crossgrain(command, record, *options).stdout
    assert orders(ran.stdout) == orders(clear)
    assert orders(clear)


def otherwise(form: Resource, value: int) -> Resource:
    link = form["item"][0]["linkId"]
    quantity = {"value": value, "unit": "ug", "system": "http://unitsofmeasure.org", "code": "ug"}
    dose = {"linkId": f"{link}.levothyroxine", "answer": [{"valueQuantity": quantity}]}
    answer = {"valueCoding": {"system": form["url"], "code": OTHERWISE}, "item": [dose]}
    return {
        "resourceType": "QuestionnaireResponse", "status": "completed",
        "questionnaire": form["url"], "item": [{"linkId": link, "answer": [answer]}],
    }  # fmt: skip


def test_answers_may_come_from_standard_input(tmp_path: Path) -> None:
    case = CASES[0]
    (record := tmp_path / "r.json").write_bytes(to_json(UNCLEAR))
    given = to_json(answered(form_of(UNCLEAR), case, R4))
    ran = crossgrain("propose", record, *TO_GRAINS, "--answers", "-", stdin=given)
    assert ran.returncode == 0


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (None, "No such file"),
        (b"", "it is empty"),
        (b"{", "JSON"),
        (json.dumps(PATIENT).encode(), "QuestionnaireResponse"),
        (
            b'{"resourceType": "QuestionnaireResponse", "status": "completed", "item": []}',
            "questionnaire",
        ),
    ],
)
def test_a_file_of_answers_that_is_none_is_refused(
    tmp_path: Path, content: bytes | None, says: str
) -> None:
    (record := tmp_path / "r.json").write_bytes(to_json(UNCLEAR))
    file = tmp_path / "a.json"
    if content is not None:
        file.write_bytes(content)
    ran = crossgrain("propose", record, *TO_GRAINS, "--answers", file)
    assert ran.returncode == 1
    assert says in ran.told_beside
    assert "Traceback" not in ran.told_beside
