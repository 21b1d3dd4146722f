"""What judges an image sees what is wrong with it; `.ci/image` builds and runs one."""

import re
from pathlib import Path
from typing import Any

import pytest
from tests.unit.supply.image import at_port, confined, faults, health_check, pip_settings
from tests.unit.supply.pins import DOCKER, ROOT

SOUND: dict[str, Any] = {
    "User": "10001:10001",
    "Entrypoint": ["crossgrain"],
    "Cmd": ["serve", "--host", "0.0.0.0", "--port", "8000"],
    "Env": ["PATH=/opt/crossgrain/bin:/usr/bin", "PYTHONUNBUFFERED=1"],
    "ExposedPorts": {"8000/tcp": {}},
    "Healthcheck": {"Test": ["CMD", "python", "-c", "open('http://127.0.0.1:8000/readyz')"]},
}


def test_an_image_as_the_dockerfile_means_it_has_no_fault() -> None:
    assert faults("service", SOUND) == []
    assert faults("night", {key: SOUND[key] for key in ("User", "Entrypoint")}) == []


@pytest.mark.parametrize(
    ("planted", "said"),
    [
        ({"User": ""}, "10001:10001"),
        ({"User": "0:0"}, "10001:10001"),
        ({"Entrypoint": ["sh"]}, "our command"),
        ({"Healthcheck": None}, "HEALTHCHECK"),
        ({"Healthcheck": {"Test": ["NONE"]}}, "HEALTHCHECK"),
        ({"ExposedPorts": None}, "port"),
    ],
)
def test_a_fault_planted_in_its_config_is_seen(planted: dict[str, Any], said: str) -> None:
    (fault,) = faults("service", SOUND | planted)
    assert said in fault


def test_it_is_run_as_its_user_with_its_own_variables_and_nothing_of_this_machine() -> None:
    command = confined(Path("/r"), SOUND, ["crossgrain", "serve"], {Path("/e"): "/export"})
    *_, script, name, root, user, lent = command[:9]
    rest = command[9:]
    assert (name, root, user, lent) == ("sh", "/r", "10001:10001", "/e:/export")
    assert rest[:2] == SOUND["Env"]
    assert rest[-2:] == ["crossgrain", "serve"]
    for asked in ("remount,ro", "--no-new-privs", "--bounding-set=-all", "env -i", "exec chroot"):
        assert asked in script


def test_its_command_and_its_check_go_to_a_port_of_this_machine_alone() -> None:
    assert at_port(4711, SOUND["Cmd"]) == ["serve", "--host", "127.0.0.1", "--port", "4711"]
    assert "127.0.0.1:4711/readyz" in at_port(4711, health_check(SOUND))[-1]


def test_the_settings_of_pip_become_a_file_whose_paths_are_lent(tmp_path: Path) -> None:
    (tmp_path / "simple").mkdir()
    (tmp_path / "ca.crt").touch()
    written, lent = pip_settings(
        [
            f":env:.index-url='file://{tmp_path}/simple'\n",
            f"global.cert='{tmp_path}/ca.crt'\n",
            "global.index-url='https://index.invalid/simple'\n",
            "global.find-links='/not/there'\n",
            "global.trusted-host='a\\nb'\n",
        ]
    )
    assert written == (
        f"[global]\ncert = {tmp_path}/ca.crt\nindex-url = file://{tmp_path}/simple\n"
        "find-links = /not/there\ntrusted-host = a\n    b\n"
    )
    assert lent == [f"{tmp_path}/ca.crt", str(tmp_path)]


def test_the_script_names_no_host_and_builds_every_target_of_the_dockerfile() -> None:
    script = (ROOT / ".ci" / "image").read_text("utf-8")
    assert re.findall(r"https?://\S+", script) == []
    stages = re.findall(r"^FROM user AS (\w+)$", (DOCKER / "Dockerfile").read_text("utf-8"), re.M)
    (built,) = re.findall(r"for target in ([\w ]+);", script)
    assert set(built.split()) == set(stages)
