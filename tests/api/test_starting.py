"""What is wrong at start is named once, by its setting, file or folder; then the start ends."""

import json
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import pytest
from tests.unit.command import crossgrain

from crossgrain.cli import serving

from .servers import Start, start, until_live

__all__ = ["start"]

JWKS = {"FHIR_AUTH": "jwks", "OAUTH_ISSUER": "https://as.example", "OAUTH_AUDIENCE": "dose"}
ISSUERS = {"CDS_AUTH": "jwt", "PUBLIC_URL": "https://dose.example"}


@pytest.fixture
def refused(monkeypatch: pytest.MonkeyPatch) -> Callable[..., str]:
    """Begins with settings that end the start, and gives the line that says why."""
    monkeypatch.setattr(serving, "_run", lambda _: pytest.fail("a server began"))

    def begin(**named: str) -> str:
        for name, value in named.items():
            prefix = "" if name.startswith("PROMETHEUS") else "CROSSGRAIN_"
            monkeypatch.setenv(f"{prefix}{name}", value)
        ran = crossgrain("serve")
        assert ran.returncode == 1
        lines = [line for line in ran.told_beside.splitlines() if '"settings"' not in line]
        assert len(lines) == 1
        return lines[0]

    return begin


@pytest.mark.parametrize("name", ["CORS_ORIGINS", "CDS_ISSUERS", "CDS_FHIR_SERVERS"])
@pytest.mark.parametrize("value", ["foo", "[", "7", "[" * 3000])
def test_a_list_that_is_no_json_is_named(
    refused: Callable[..., str], name: str, value: str
) -> None:
    assert refused(**{name: value}).startswith(f"CROSSGRAIN_{name}: ")


@pytest.mark.parametrize("origin", ["foo", "https://ehr.example/", "https://ehr.example/app", ""])
def test_an_origin_that_no_browser_would_send_is_named(
    refused: Callable[..., str], origin: str
) -> None:
    """It would let no page in, and nobody would know why."""
    assert refused(CORS_ORIGINS=json.dumps([origin])).startswith("CROSSGRAIN_CORS_ORIGINS: ")


@pytest.mark.parametrize("store", ["foo", "redis://", "redis://h:none", "http://h", "redis://[h"])
def test_a_store_that_is_none_is_named_and_not_shown(
    refused: Callable[..., str], store: str
) -> None:
    said = refused(JTI_STORE=store)
    assert said == ("CROSSGRAIN_JTI_STORE: a redis://, rediss:// or unix:// address is expected")


@pytest.mark.parametrize("seconds", ["inf", "nan", "0", "-1"])
def test_a_time_without_end_is_no_time(refused: Callable[..., str], seconds: str) -> None:
    assert refused(BODY_SECONDS=seconds).startswith("CROSSGRAIN_BODY_SECONDS: ")


def test_an_unknown_basis_is_named_with_those_that_exist(refused: Callable[..., str]) -> None:
    said = refused(CDS_BASIS="nonsense")
    assert said.startswith("CROSSGRAIN_CDS_BASIS: ")
    assert "practice" in said


def test_a_folder_of_secrets_that_is_missing_or_a_file_is_named(
    refused: Callable[..., str], tmp_path: Path
) -> None:
    file = tmp_path / "file"
    file.touch()
    for folder, words in ((tmp_path / "none", "No such file"), (file, "Not a directory")):
        said = refused(SECRETS_DIR=str(folder))
        assert said.startswith(f"CROSSGRAIN_SECRETS_DIR: {folder}: {words}")


def test_a_secret_that_is_not_utf_8_is_named_and_not_shown(
    refused: Callable[..., str], tmp_path: Path
) -> None:
    file = tmp_path / "crossgrain_introspection_secret"
    file.write_bytes(b"hush\xff")
    said = refused(SECRETS_DIR=str(tmp_path))
    assert said == f"CROSSGRAIN_SECRETS_DIR: {file}: UTF-8 is expected"


@pytest.mark.parametrize("which", ["CLINIC", "OAUTH_JWKS", "CDS_ISSUERS"])
def test_a_file_that_is_missing_or_a_folder_is_named(
    refused: Callable[..., str], tmp_path: Path, which: str
) -> None:
    for path, words in ((tmp_path / "none", "No such file"), (tmp_path, "Is a directory")):
        value = json.dumps({"https://ehr.example": str(path)}) if "ISS" in which else str(path)
        others = {"OAUTH_JWKS": JWKS, "CDS_ISSUERS": ISSUERS}.get(which, {})
        said = refused(**{**others, which: value})
        assert said.startswith(f"CROSSGRAIN_{which}: {path}: {words}")


def test_a_folder_of_counts_that_is_missing_is_named_once(
    refused: Callable[..., str], tmp_path: Path
) -> None:
    file = tmp_path / "file"
    file.touch()
    for folder in (tmp_path / "none", file):
        said = refused(PROMETHEUS_MULTIPROC_DIR=str(folder))
        assert said == f"PROMETHEUS_MULTIPROC_DIR: {folder}: there is no such folder"
    assert refused(PROMETHEUS_MULTIPROC_DIR="").startswith("PROMETHEUS_MULTIPROC_DIR: ")


def test_two_workers_without_the_folder_of_counts_end_and_are_not_started_anew(
    start: Start, tmp_path: Path
) -> None:
    process, _ = start("--workers", "2", PROMETHEUS_MULTIPROC_DIR=str(tmp_path / "none"))
    assert process.wait(20) == 1
    said = process.said()
    assert said.count("PROMETHEUS_MULTIPROC_DIR") == 1
    assert "Traceback" not in said


def test_workers_that_cannot_be_built_end_the_start(start: Start, tmp_path: Path) -> None:
    """Whatever it is that only they find out: here, a store whose address has an odd option."""
    process, _ = start("--workers", "2", jti_store="redis://h/0?socket_timeout=soon")
    assert process.wait(30) == 1
    said = process.said()
    assert "cannot start" in said
    assert "Traceback" not in said


def test_a_chart_with_a_byte_order_mark_is_read(tmp_path: Path) -> None:
    file = tmp_path / "clinic.toml"
    file.write_bytes(b"\xef\xbb\xbf# ours\n")
    assert crossgrain("bases", "--chart", str(file)).returncode == 0


@pytest.mark.parametrize("form", ["json", "plain"])
def test_the_settings_are_told_as_every_line_is(start: Start, form: str) -> None:
    process, base = start(log_format=form)
    until_live(base)
    process.kill()
    lines = process.said().splitlines()
    if form == "json":
        first = json.loads(lines[0])
        assert (first["level"], first["logger"]) == ("info", "crossgrain.settings")
        assert datetime.fromisoformat(first["time"]).tzinfo is not None
        assert set(json.loads(lines[1])) <= set(first) - {"settings"}
    else:
        told = next(line for line in lines if "log_format = plain" in line)
        assert datetime.fromisoformat(told[:19])
        assert " crossgrain.settings " in told
