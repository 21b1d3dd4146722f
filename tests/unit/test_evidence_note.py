"""The note on the evidence is what the table makes of it, and the command prints both."""

from pathlib import Path

from tests.unit.command import crossgrain

from crossgrain.catalogue import load_catalogue
from crossgrain.cli.show.evidence import evidence_note

NOTE = Path(__file__).parents[2] / "service" / "docs" / "evidence.md"


def test_the_note_is_current() -> None:
    assert NOTE.read_text("utf-8") == evidence_note(load_catalogue())


def test_the_command_prints_the_note() -> None:
    ran = crossgrain("evidence", "--markdown")
    assert (ran.returncode, ran.told) == (0, NOTE.read_text("utf-8"))


def test_the_command_shows_how_each_basis_fared() -> None:
    ran = crossgrain("evidence")
    assert ran.returncode == 0
    said = " ".join(ran.told.split())
    assert "practice 11 published comparisons: what holds T3 is typically counted 24 %" in said


def test_a_clinics_chart_is_held_against_the_same(tmp_path: Path) -> None:
    chart = tmp_path / "clinic.toml"
    chart.write_text(
        '[[basis]]\nid = "ours"\nstatement = "ours"\nsource = "invented"\n'
        'lt4_ug_per_grain = "83"\nlt4_ug_per_lt3_ug = "5"\n'
    )
    said = " ".join(crossgrain("evidence", "--chart", chart).told.split())
    assert "TSH moved the other way in 2 of 2 more" in said


def test_a_chart_that_cannot_be_read_ends_with_its_place(tmp_path: Path) -> None:
    chart = tmp_path / "clinic.toml"
    chart.write_text('[[basis]]\nid = "ours"\n')
    ran = crossgrain("evidence", "--chart", chart)
    assert ran.returncode == 1
    assert ran.told_beside.startswith("--chart, clinic.toml: ours.")
