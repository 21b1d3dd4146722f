"""What would keep a deployment from serving, said before it is tried."""

import json
import socket
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from tests.api import signing as s
from tests.unit.command import crossgrain

from crossgrain import __version__
from crossgrain.cli.commands import Exit
from crossgrain.cli.doctor import examine

FREE = ("--port", "0")


def lines(told: str) -> dict[str, tuple[str, str]]:
    """What was looked at, by its name: whether it is well, and what was seen."""
    found = {}
    for line in told.splitlines():
        verdict, what = line[:5].strip(), line[7:]
        name, _, seen = what.partition(": ")
        found[name] = (verdict, seen)
    return found


@pytest.fixture
def taken_port() -> Iterator[int]:
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        listening.listen()
        yield listening.getsockname()[1]


def test_a_machine_with_nothing_set_is_well() -> None:
    ran = crossgrain("doctor", *FREE)
    assert ran.returncode == 0
    found = lines(ran.told)
    assert {verdict for verdict, _ in found.values()} == {"ok"}
    assert list(found) == ["program", "port", "settings", "data files", "time zone"]
    assert __version__ in found["program"][1]


def test_a_port_that_is_taken_is_named_with_what_to_do(taken_port: int) -> None:
    ran = crossgrain("doctor", "--port", str(taken_port))
    assert ran.returncode == 1
    verdict, seen = lines(ran.told)["port"]
    assert verdict == "FAULT"
    assert f"127.0.0.1:{taken_port}" in seen
    assert seen.endswith("name another by --port")


def test_every_fault_of_the_settings_is_told_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CROSSGRAIN_TIME_ZONE", "Mars/Olympus")
    monkeypatch.setenv("CROSSGRAIN_FHIR_AUTH", "perhaps")
    ran = crossgrain("doctor", *FREE)
    assert ran.returncode == 1
    assert ran.told.count("FAULT  settings: CROSSGRAIN_") == 2


@pytest.mark.parametrize(
    ("name", "content", "seen"),
    [
        (
            "CROSSGRAIN_CLINIC",
            "[stock]\nlevothyroxine = ['x']\n",
            "clinic.toml: stock.levo",
        ),
        ("CROSSGRAIN_CDS_BASIS", "no-such-basis", "basis: there is no such basis"),
    ],
)
def test_a_file_of_the_clinic_or_a_basis_that_is_not_sound_is_named(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, name: str, content: str, seen: str
) -> None:
    value = content
    if name == "CROSSGRAIN_CLINIC":
        file = tmp_path / "clinic.toml"
        file.write_text(content)
        value = str(file)
    monkeypatch.setenv(name, value)
    ran = crossgrain("doctor", *FREE)
    assert ran.returncode == 1
    verdict, words = lines(ran.told)["data files"]
    assert verdict == "FAULT"
    assert words.startswith(seen)


@pytest.mark.parametrize(
    ("content", "verdict"), [(json.dumps(s.key_set("es384")), "ok"), ("no keys", "FAULT")]
)
def test_a_key_set_is_read_before_the_first_caller_needs_it(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, content: str, verdict: str
) -> None:
    keys = tmp_path / "keys.json"
    keys.write_text(content)
    monkeypatch.setenv("CROSSGRAIN_FHIR_AUTH", "jwks")
    monkeypatch.setenv("CROSSGRAIN_OAUTH_ISSUER", s.AS)
    monkeypatch.setenv("CROSSGRAIN_OAUTH_AUDIENCE", s.AUDIENCE)
    monkeypatch.setenv("CROSSGRAIN_OAUTH_JWKS", str(keys))
    found = lines(crossgrain("doctor", *FREE).told)
    assert found["keys"][0] == verdict
    assert str(keys) in found["keys"][1]


def test_a_key_server_that_cannot_be_reached_is_a_fault(
    monkeypatch: pytest.MonkeyPatch, taken_port: int
) -> None:
    monkeypatch.setenv("CROSSGRAIN_CDS_AUTH", "jwt")
    monkeypatch.setenv("CROSSGRAIN_PUBLIC_URL", "https://dose.example")
    where = f"http://127.0.0.1:{taken_port + 1 if taken_port < 65535 else taken_port - 1}/keys"
    monkeypatch.setenv("CROSSGRAIN_CDS_ISSUERS", json.dumps({"https://ehr.example": where}))
    verdict, seen = lines(crossgrain("doctor", *FREE).told)["keys"]
    assert (verdict, seen) == ("FAULT", f"{where}: no key set could be read")


def test_the_day_is_told_where_the_prescribers_are(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("CROSSGRAIN_TIME_ZONE", "Pacific/Auckland")
    evening = datetime(2026, 3, 20, 20, tzinfo=UTC)
    assert examine("127.0.0.1", 0, lambda: evening) is Exit.PLAN
    assert "it is 2026-03-21 in Pacific/Auckland" in capsys.readouterr().out


def test_the_version_is_said_and_no_command_is_asked_for() -> None:
    ran = crossgrain("--version")
    assert (ran.returncode, ran.told) == (0, f"crossgrain {__version__}\n")


def test_a_setting_that_is_none_is_named_with_the_nearest_and_what_a_cluster_puts_there_is_not(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("CROSSGRAIN_TIMEZONE", "Europe/Lisbon")
    monkeypatch.setenv("CROSSGRAIN_KEEP_ALIVE_SECONDS", "3")
    monkeypatch.setenv("CROSSGRAIN_SERVICE_HOST", "10.0.0.1")
    monkeypatch.setenv("CROSSGRAIN_PORT_8000_TCP_ADDR", "10.0.0.1")
    ran = crossgrain("doctor", *FREE)
    assert ran.returncode == 1
    faults = [line for line in ran.told.splitlines() if line.startswith("FAULT")]
    none = "is no setting, and changes nothing"
    assert faults == [
        f"FAULT  settings: CROSSGRAIN_KEEP_ALIVE_SECONDS {none}",
        f"FAULT  settings: CROSSGRAIN_TIMEZONE {none}; did you mean CROSSGRAIN_TIME_ZONE?",
    ]
