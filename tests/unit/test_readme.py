"""The README names what there is, and its commands and its chart work as written."""

import re
import shlex
import subprocess
import sys
from pathlib import Path

from tests.unit.command import crossgrain

from crossgrain.api.options import comparison_options, switch_options
from crossgrain.api.settings import Settings
from crossgrain.catalogue import load_catalogue

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text()


def section(heading: str) -> str:
    """What stands below a heading."""
    return README.partition(f"## {heading}\n")[2].partition("\n## ")[0]


def block(heading: str, language: str = "sh") -> str:
    """The first fenced block below a heading."""
    return section(heading).partition(f"```{language}\n")[2].partition("```")[0]


def first_cells(heading: str) -> list[str]:
    """The first cell of each row of the table below a heading, without its backquotes."""
    return re.findall(r"^\| `([^`]+)`", section(heading), re.MULTILINE)


def test_every_option_is_documented_and_no_other() -> None:
    known = [option.name for option in switch_options(load_catalogue())]
    assert sorted(first_cells("Options")) == sorted(known)


def test_every_setting_is_documented_and_no_other() -> None:
    known = [f"CROSSGRAIN_{name.upper()}" for name in Settings.model_fields]
    assert first_cells("Settings") == known


def shown(default: object) -> str:
    """A setting's default in the words of the table."""
    if default in (None, (), {}):
        return "none"
    if isinstance(default, bool):
        return str(default).lower()
    return f"{default:g}" if isinstance(default, float) else str(default)


def test_every_setting_is_documented_with_its_default() -> None:
    said = re.findall(r"^\| `CROSSGRAIN_.* \| (.+) \|$", section("Settings"), re.MULTILINE)
    fields = Settings.model_fields.values()
    assert said == [shown(field.get_default(call_default_factory=True)) for field in fields]


def test_the_options_of_a_comparison_are_all_named() -> None:
    (sentence,) = re.findall(r"^`\$compare-bases` takes (.+?)\.$", README, re.MULTILINE | re.DOTALL)
    named = set(re.findall(r"`([\w-]+)`", sentence)) - {"levothyroxine"}
    assert named == {option.name for option in comparison_options()}


def test_the_clinics_own_chart_is_read_as_written(tmp_path: Path) -> None:
    chart = tmp_path / "chart.toml"
    chart.write_text(block("A clinic's own chart", "toml"), "utf-8")
    catalogue = load_catalogue(chart)
    assert catalogue.basis("our-chart").source == "our protocol of 2024"
    assert catalogue.preparations["levothyroxine"].strengths == (25, 50, 100)


def test_the_nights_commands_work_as_written(tmp_path: Path) -> None:
    calls = block("At night: a whole population").replace("../demo", str(tmp_path)).splitlines()
    generate, *night = (shlex.split(call) for call in calls)
    assert generate[0] == ".venv/bin/python"
    subprocess.run([sys.executable, *generate[1:]], check=True, cwd=ROOT)
    assert [call[:2] for call in night] == [
        [".venv/bin/crossgrain", command] for command in ("screen", "send")
    ]
    screened, sent = (crossgrain(*call[1:]) for call in night)
    assert (screened.returncode, sent.returncode) == (0, 0)
    assert "1000 patients in" in screened.told
    assert "would be created" in sent.told


def test_the_checks_run_the_readmes_own_commands() -> None:
    checks = (ROOT / ".ci" / "run").read_text()
    for heading in ("Run it", "Run the tests"):
        assert f'readme_command "{heading}"' in checks
        command = block(heading)
        assert command.count("\n") == 1
        assert command.startswith("python3.11 -m venv .venv && ")
