"""The examples for cron and Kubernetes call commands and options that there are."""

import re
from pathlib import Path

import pytest
from typer.main import get_command

from crossgrain.cli.commands import app
from crossgrain.cli.screening import ScreenExit

DOCKER = Path(__file__).parents[3] / "docker"
COMMANDS = get_command(app).commands


def calls_of_cron() -> list[list[str]]:
    text = (DOCKER / "nightly.cron").read_text()
    return [
        line.split("crossgrain ")[1].split() for line in text.splitlines() if "* crossgrain" in line
    ]


def calls_of_kubernetes() -> list[list[str]]:
    text = (DOCKER / "nightly-cronjob.yaml").read_text()
    lists = re.findall(r"args:\n((?: +- .+\n)+)", text)
    return [
        [
            item.strip(' -"') if not item.strip().startswith("- --") else item.strip()[2:]
            for item in found.splitlines()
        ]
        for found in lists
    ]


@pytest.mark.parametrize("call", [*calls_of_cron(), *calls_of_kubernetes()], ids=lambda c: c[0])
def test_a_schedule_calls_what_there_is(call):
    command = COMMANDS[call[0]]
    known = {name for parameter in command.params for name in parameter.opts}
    asked = [word for word in call if word.startswith("--")]
    assert asked
    assert set(asked) <= known


def test_both_schedules_screen_and_then_send():
    assert [call[0] for call in calls_of_cron()] == ["screen", "send"]
    assert [call[0] for call in calls_of_kubernetes()] == ["screen", "send"]


def test_the_exit_codes_that_the_examples_name_are_the_commands_own():
    cron = (DOCKER / "nightly.cron").read_text()
    named = {int(code) for code in re.findall(r"(?:^# |· )(\d) [a-z]", cron, re.MULTILINE)}
    assert named == set(ScreenExit)
    assert (
        f"values: [{ScreenExit.INPUT_AT_FAULT:d}]" in (DOCKER / "nightly-cronjob.yaml").read_text()
    )


@pytest.mark.parametrize("where", ["help", "service/docs/nightly.md"])
def test_every_exit_code_is_told_where_one_looks_for_it(where):
    if where == "help":
        text = COMMANDS["screen"].help or ""
        said = re.search(r"Exit code (0.*)", text, re.DOTALL)
    else:
        text = (DOCKER.parent / where).read_text("utf-8")
        said = re.search(r"Exit codes: (0 .*?)\n\n", text, re.DOTALL)
    assert said
    assert {int(code) for code in re.findall(r"\b(\d)[: ]", said[1])} >= set(ScreenExit)
