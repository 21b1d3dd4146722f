"""The README's commands and the example of a clinic's file work as written."""

import json
import re
import shlex
import subprocess
import sys
from fractions import Fraction
from pathlib import Path

import pytest
from tests.unit.command import crossgrain

from crossgrain.catalogue import load_catalogue
from crossgrain.catalogue.aliases import AliasEntry
from crossgrain.catalogue.codes import ProductEntry
from crossgrain.catalogue.decoding import FileForm

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text()
CLINIC = (ROOT / "service/docs/clinic.md").read_text()


def block(heading: str) -> str:
    """The first fenced block below a heading of the README."""
    section = README.partition(f"## {heading}\n")[2].partition("\n## ")[0]
    return section.partition("```sh\n")[2].partition("```")[0]


def printed(heading: str) -> list[str]:
    """The output that the README shows below a heading; dots stand for what is left out."""
    section = README.partition(f"## {heading}\n")[2].partition("\n## ")[0]
    return section.partition("```text\n")[2].partition("```")[0].splitlines()


def shows(told: str, lines: list[str]) -> bool:
    """Whether the lines stand in an output in their order; between dots they follow each other."""
    seen = "\n".join(line.rstrip() for line in told.splitlines())
    for part in "\n".join(lines).split("\n…\n"):
        _, found, seen = seen.partition(part)
        if not found:
            return False
    return True


def test_the_first_command_prints_what_is_shown() -> None:
    call = shlex.split(block("Run it").rpartition("&& ")[2])
    assert call[0] == ".venv/bin/crossgrain"
    ran = crossgrain(call[1], ROOT / call[2], *call[3:], columns=120)
    assert len(printed("Run it")) > 4
    assert shows(ran.told, printed("Run it"))
    assert not shows(ran.told, printed("Run it")[::-1])


def test_the_container_is_run_as_its_own_file_says() -> None:
    written = (ROOT / "docker" / "Dockerfile").read_text().replace(" \\\n#    ", "")
    for call in block("Deploying it").splitlines():
        assert f"#   {call}\n" in written


def _expand(file: Path) -> None:
    """A value set of one concept where the example's own would lie."""
    file.parent.mkdir()
    concept = {"system": "http://snomed.info/sct", "code": "84114007"}  # heart failure
    expansion = {"total": 1, "contains": [concept]}
    file.write_text(json.dumps({"resourceType": "ValueSet", "expansion": expansion}))


def _import(file: Path) -> None:
    """The import as the document gives it, but for where it is written."""
    (block,) = re.findall(r"^```sh\n(crossgrain import .*?)```", CLINIC, re.MULTILINE | re.DOTALL)
    call = shlex.split(block.replace("\\\n", ""))
    call[call.index("--out") + 1] = str(file)
    assert crossgrain(call[1], ROOT / call[2], *call[3:]).returncode == 3


DOCUMENTED = set(re.findall(r"`([a-z_]+)`", "\n".join(re.findall(r"^\| (`.+?) \|", CLINIC, re.M))))


@pytest.mark.parametrize("form", [ProductEntry, AliasEntry])
def test_every_key_of_a_product_and_an_alias_is_documented(form: type[FileForm]) -> None:
    assert len(DOCUMENTED) > 8
    assert set(form.__struct_fields__) <= DOCUMENTED


def test_a_clinics_file_is_read_as_written(tmp_path: Path) -> None:
    file = tmp_path / "clinic.toml"
    written = "\n".join(re.findall(r"^```toml\n(.*?)^```", CLINIC, re.MULTILINE | re.DOTALL))
    file.write_text(written)
    products, named = re.findall(r'^file = "(.+)"$', written, re.MULTILINE)
    _import(tmp_path / products)
    _expand(tmp_path / named)
    catalogue = load_catalogue(file)
    own = catalogue.codes.medicines
    assert own["https://products.example/de"]["T0000103"].strength == Fraction("112.5")
    assert own["https://products.example"]["T4-SOL"].per_ml == 20
    assert {"our blue 75"} == set(catalogue.codes.aliases.whole)
    assert catalogue.basis("our-chart").source == "our protocol of 2024"
    assert catalogue.preparations["levothyroxine"].strengths == (25, 50, 100)


@pytest.mark.slow
def test_the_nights_commands_work_as_written(tmp_path: Path) -> None:
    calls = block("At night").replace("../demo", str(tmp_path)).splitlines()
    install, generate, *night = (shlex.split(call) for call in calls)
    assert install == [".venv/bin/pip", "install", "-q", ".[night]"]
    assert generate[0] == ".venv/bin/python"
    subprocess.run([sys.executable, *generate[1:]], check=True, cwd=ROOT)
    assert [call[:2] for call in night] == [
        [".venv/bin/crossgrain", command] for command in ("screen", "send")
    ]
    screened, sent = (crossgrain(*call[1:]) for call in night)
    assert (screened.returncode, sent.returncode) == (0, 0)
    shown = [line.replace("../demo", str(tmp_path)) for line in printed("At night")]
    assert "1000 patients in" in shown
    assert shows(screened.told, shown)
    assert "would be created" in sent.told


def test_the_checks_run_the_readmes_own_commands() -> None:
    checks = (ROOT / ".ci" / "run").read_text()
    for heading in ("Run it", "Run the tests"):
        assert f'readme_command "{heading}"' in checks
        command = block(heading)
        assert command.count("\n") == 1
        assert command.startswith("python3.11 -m venv .venv && ")
