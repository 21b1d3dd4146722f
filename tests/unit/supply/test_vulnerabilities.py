"""A pin with a known vulnerability fails, and what was not looked at is never called clean."""

import json
from pathlib import Path

import pytest

pytest.importorskip("pip_audit", reason="install the extra `supply` first")

from tests.unit.supply import vulnerabilities
from tests.unit.supply.pins import DOCKER, locked
from tests.unit.supply.test_advisories import advisory, between
from tests.unit.supply.vulnerabilities import judged, main

LOCK = DOCKER / "requirements.txt"
NOWHERE = ("-s", "osv", "--osv-url", "http://127.0.0.1:9/v1/query")  # the discard port: closed


def planted(folder: Path, version: str) -> list[str]:
    """A call that finds an invented advisory, fixed in 1.5, and a lock with one version."""
    found = advisory(**between({"introduced": "0"}, {"fixed": "1.5"}))
    (folder / "INVENTED-1.json").write_text(json.dumps(found))
    lock = folder / "lock.txt"
    lock.write_text(f"invented-package=={version} --hash=sha256:{'0' * 64}\n")
    return [str(lock), "--advisories", str(folder)]


def test_a_vulnerable_pin_fails_and_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(planted(tmp_path, "1.4")) == 1
    assert "invented-package 1.4: INVENTED-1 (fixed in 1.5)" in capsys.readouterr().out


def test_the_fixed_version_passes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(planted(tmp_path, "1.5")) == 0
    said = capsys.readouterr().out
    assert "1 packages asked of a copy of 2025-03-03T00:00:00Z, 0 findings" in said


def test_one_bad_pin_among_those_of_the_image_fails(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pins = locked("requirements.txt")
    found = advisory(versions=[str(pins["jinja2"].version)])
    found["affected"][0]["package"]["name"] = "Jinja2"  # nothing is known of it: invented
    (tmp_path / "INVENTED-1.json").write_text(json.dumps(found))
    assert main([str(LOCK), "--advisories", str(tmp_path)]) == 1
    said = capsys.readouterr().out
    assert f"{len(pins)} packages asked of a copy" in said
    assert f"jinja2 {pins['jinja2'].version}: INVENTED-1" in said


def test_without_a_source_it_says_not_checked_and_nothing_else(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(vulnerabilities, "ONLINE", {"nowhere": NOWHERE})
    monkeypatch.delenv("ADVISORIES", raising=False)
    assert main([str(LOCK)]) == 0
    first, last = capsys.readouterr().out.splitlines()
    assert "nowhere not reached: requests.exceptions.ConnectionError" in first
    assert last == f"{LOCK}: NOT CHECKED, no source was reached"


def test_where_it_must_be_checked_no_answer_fails(capsys: pytest.CaptureFixture[str]) -> None:
    assert vulnerabilities.report(LOCK, {"nowhere": NOWHERE}, must=True) is False
    assert "NOT CHECKED" in capsys.readouterr().out


def test_a_copy_that_is_not_there_fails(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        main([str(LOCK), "--advisories", str(tmp_path / "absent")])


def test_what_the_tool_skips_or_leaves_out_is_not_clean(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    answers = [
        {"name": "one", "version": "1", "vulns": []},
        {"name": "two", "skip_reason": "not found"},
    ]
    said = judged({"one", "two", "three"}, answers)
    assert (said.checked, said.left_out, said.trouble) == (1, ("three", "two"), "not found")
    monkeypatch.setattr(vulnerabilities, "audit", lambda lock, source: said)
    assert vulnerabilities.report(LOCK, {"a source": ()}, must=False) is False
    assert "two: not checked" in capsys.readouterr().out


def test_where_all_is_skipped_nothing_was_checked() -> None:
    assert judged({"two"}, [{"name": "two", "skip_reason": "not found"}]).checked == 0
