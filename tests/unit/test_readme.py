"""The README names what there is: options, settings, commands."""

import re
from pathlib import Path

from crossgrain.api.options import switch_options
from crossgrain.api.settings import Settings
from crossgrain.catalogue import load_catalogue

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text()


def first_cells(heading: str) -> list[str]:
    """The first cell of each row of the table below a heading, without its backquotes."""
    section = README.partition(f"## {heading}\n")[2].partition("\n## ")[0]
    return re.findall(r"^\| `([^`]+)`", section, re.MULTILINE)


def test_every_option_is_documented_and_no_other() -> None:
    known = [option.name for option in switch_options(load_catalogue())]
    assert sorted(first_cells("Options")) == sorted(known)


def test_every_setting_is_documented_and_no_other() -> None:
    known = [f"CROSSGRAIN_{name.upper()}" for name in Settings.model_fields]
    assert first_cells("Settings") == known


def test_the_checks_run_the_readmes_own_commands() -> None:
    checks = (ROOT / ".ci" / "run").read_text()
    for heading in ("Run it", "Run the tests"):
        assert f'readme_command "{heading}"' in checks
        command = README.partition(f"## {heading}\n")[2].partition("```sh\n")[2].partition("```")[0]
        assert command.count("\n") == 1
        assert command.startswith("python3.11 -m venv .venv && ")
