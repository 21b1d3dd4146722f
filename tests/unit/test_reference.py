"""Settings and options: what the commands print is what is read, and the notes are current."""

from pathlib import Path

import pytest
from tests.unit.command import crossgrain

from crossgrain.catalogue import load_catalogue
from crossgrain.http.settings import Settings
from crossgrain.operations.faults import TABLE
from crossgrain.operations.options import (
    comparison_options,
    next_step_options,
    page_options,
    switch_options,
)
from crossgrain.operations.screen_switches import screening_options

DOCS = Path(__file__).parents[2] / "service" / "docs"


@pytest.mark.parametrize("what", ["settings", "options", "errors", "numbers"])
def test_a_note_is_what_its_command_prints(what: str) -> None:
    ran = crossgrain(what, "--markdown")
    assert (ran.returncode, ran.told) == (0, (DOCS / f"{what}.md").read_text("utf-8"))


def test_every_setting_is_shown_with_its_meaning_and_default() -> None:
    told = crossgrain("settings", columns=200).told.splitlines()
    rows = {name: line for line in told for name in line.split()[:1]}
    for name, field in Settings.model_fields.items():
        row = rows.pop(f"CROSSGRAIN_{name.upper()}")
        assert field.description
        assert field.description in row
    assert list(rows) == ["variable"]


@pytest.mark.parametrize(
    ("name", "default"),
    [("MAX_IN_FLIGHT", "128"), ("BODY_SECONDS", "20"), ("METRICS", "true"), ("CLINIC", "none")],
)
def test_a_default_is_shown_as_one_would_write_it(name: str, default: str) -> None:
    rows = [line.split() for line in crossgrain("settings", columns=200).told.splitlines()]
    (row,) = (row for row in rows if row[:1] == [f"CROSSGRAIN_{name}"])
    assert row[-1] == default


def test_every_option_of_every_operation_is_shown_in_order() -> None:
    ran = crossgrain("options", columns=300)
    for_a_switch = switch_options(load_catalogue())
    expected = {
        "$propose-switch": for_a_switch,
        "$next-step": next_step_options(for_a_switch),
        "$compare-bases": comparison_options(load_catalogue()),
        "$screen-switches": screening_options(for_a_switch),
        "/sheet": page_options(()),
    }
    shown: dict[str, list[str]] = {}
    for line in filter(None, map(str.split, ran.told.splitlines())):
        if line[0].startswith(("$", "/")):
            names = shown[line[0]] = []
        elif line[0] != "option":
            names.append(line[0])
    assert shown == {name: [o.name for o in options] for name, options in expected.items()}


def test_every_status_and_issue_code_is_shown_by_status() -> None:
    rows = [line.split()[:2] for line in crossgrain("errors", columns=200).told.splitlines()[1:]]
    rows = [row for row in rows if row]
    expected = {(str(row.status), row.code) for rows in TABLE.values() for row in rows.values()}
    assert {(status, code) for status, code in rows} == expected
    assert rows == sorted(rows, key=lambda row: row[0])


@pytest.mark.parametrize(
    ("numbers", "ratio", "share"),
    [("", "17", "0.25"), ('usual_ratio = "15"\nusual_t3_share = "1/2"\n', "15", "0.5")],
)
def test_the_options_of_a_combination_name_what_is_usual_in_the_clinic(
    numbers: str, ratio: str, share: str, tmp_path: Path
) -> None:
    own = tmp_path / "clinic.toml"
    own.write_text(f"[numbers.combination]\n{numbers}")
    catalogue = load_catalogue(own)
    for options in (switch_options(catalogue), comparison_options(catalogue)):
        means = {each.name: each.meaning for each in options}
        assert f"13 to 20. Default: {ratio}." in means["ratio"]
        assert means["t3-share"].endswith(f"Default: {share}.")
