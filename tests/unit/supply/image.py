"""What an image that was built says of itself, and whether it runs as it is meant to be run.

``pip config list | python -m tests.unit.supply.image pip FILE``: pip's settings as a file for the
build, and the paths that they name.

``python -m tests.unit.supply.image service INSPECTED ROOT EXPORT``, as root: the image at ``ROOT``
is as its target in the Dockerfile should be; it starts as its user on a read-only root without a
privilege, and does its work. ``INSPECTED`` is what ``buildah inspect --type image`` tells of it.
"""

import ast
import json
import os
import socket
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from fastapi.testclient import TestClient

from crossgrain.app.factory import create_app
from crossgrain.catalogue import load_catalogue
from crossgrain.http.settings import Settings

ROOT = Path(__file__).parents[3]
USER = "10001:10001"
OPEN_TO_ALL = {"CROSSGRAIN_CDS_AUTH": "off", "CROSSGRAIN_FHIR_AUTH": "off"}
PLAN = "/fhir/r4/$propose-switch?target=desiccated-thyroid&as-of=2025-03-03"
RECORD = ROOT / "fixtures" / "patients" / "01-levothyroxine-150.json"
JSON = {"Content-Type": "application/fhir+json"}

Config = Mapping[str, Any]
"""The part of an image that says how it is run."""


# --- what it says of itself --------------------------------------------------------------------


def faults(target: str, config: Config) -> list[str]:
    """What is wrong with how an image of a target of the Dockerfile is to be run."""
    found = []
    if config.get("User") != USER:
        found.append(f"it does not run as {USER}")
    if config.get("Entrypoint") != ["crossgrain"]:
        found.append("it does not start our command")
    if target == "service":
        if "/readyz" not in " ".join(health_check(config)):
            found.append("it has no HEALTHCHECK, which only the docker format keeps")
        if "8000/tcp" not in (config.get("ExposedPorts") or {}):
            found.append("it does not name its port")
    return found


def health_check(config: Config) -> list[str]:
    """The words of the HEALTHCHECK's command, without those that say how it is started."""
    return list((config.get("Healthcheck") or {}).get("Test") or ())[1:]


def pip_settings(listed: Iterable[str]) -> tuple[str, list[str]]:
    """What ``pip config list`` tells as a file of pip's own, and the paths in it that are there.

    A variable of the environment overrules a file, as it does for pip.
    """
    settings: dict[str, str] = {}
    for line in sorted(listed, key=lambda line: line.startswith(":env:")):
        name, _, value = line.strip().partition("=")
        if value[:1] in {"'", '"'}:
            settings[name.rpartition(".")[2]] = str(ast.literal_eval(value))
    words = [word for value in settings.values() for word in value.split()]
    # an index in files points at what lies beside it
    paths = [
        str(Path(word.removeprefix("file://")).parent) if word.startswith("file://") else word
        for word in words
    ]
    there = [path for path in dict.fromkeys(paths) if path.startswith("/") and Path(path).exists()]
    lines = [
        f"{name} = {value.replace(chr(10), chr(10) + '    ')}" for name, value in settings.items()
    ]
    return "\n".join(("[global]", *lines, "")), there


# --- how it runs -------------------------------------------------------------------------------

_CONFINED = """
set -eu
root=$1 user=$2 lent=$3
shift 3
mount --bind "$root" "$root"
for pair in $lent; do mount --bind "${pair%:*}" "$root${pair#*:}"; done
mkdir -p "$root/dev/shm"
mount -o remount,ro,bind "$root"
mount -t proc proc "$root/proc"
mount -t tmpfs -o size=64m tmpfs "$root/dev/shm"
exec chroot "$root" setpriv --reuid "${user%:*}" --regid "${user#*:}" --clear-groups \
  --no-new-privs --inh-caps=-all --bounding-set=-all env -i "$@"
"""
"""Every step gives way to the next, so that a signal to the first reaches the service itself.
Processes and shared memory are there as with any runtime of containers."""


def confined(
    root: Path, config: Config, words: Iterable[str], volumes: Mapping[Path, str] | None = None
) -> list[str]:
    """The command that runs `words` in an image: its user, its variables, its root read-only.

    `volumes` are folders of this machine, by their place in the image.
    """
    lent = " ".join(f"{here}:{there}" for here, there in (volumes or {}).items())
    variables = [*config["Env"], *(f"{name}={value}" for name, value in OPEN_TO_ALL.items())]
    script = ["unshare", "--mount", "sh", "-c", _CONFINED, "sh"]
    return [*script, str(root), config["User"], lent, *variables, *words]


def at_port(port: int, words: Iterable[str]) -> list[str]:
    """A command of the Dockerfile at a port that is free here, open to this machine alone."""
    return [word.replace("8000", str(port)).replace("0.0.0.0", "127.0.0.1") for word in words]


def free_port() -> int:
    """A port that nothing listens at."""
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        port: int = one.getsockname()[1]
        return port


@contextmanager
def served(root: Path, config: Config, port: int) -> Iterator[subprocess.Popen[bytes]]:
    """The service as the image starts it; killed where it did not stop by itself."""
    words = at_port(port, [*config["Entrypoint"], *config["Cmd"]])
    with tempfile.TemporaryFile() as log:
        process = subprocess.Popen(confined(root, config, words), stdout=log, stderr=log)
        try:
            yield process
        except BaseException:
            log.seek(0)
            sys.stderr.write(log.read().decode())
            raise
        finally:
            process.kill()
            process.wait()


def asked(port: int, path: str, body: bytes | None = None) -> bytes:
    """What the service answers; any status but 200 is an error."""
    request = urllib.request.Request(f"http://127.0.0.1:{port}{path}", body, JSON)
    with urllib.request.urlopen(request, timeout=20) as answer:
        content: bytes = answer.read()
        return content


def within(seconds: float, tried: Callable[[], object]) -> None:
    """Try until nothing refuses the connection or answers that it is not ready."""
    last = time.monotonic() + seconds
    while True:
        try:
            tried()
            return
        except (urllib.error.URLError, ConnectionError):
            if time.monotonic() > last:
                raise
            time.sleep(0.2)


def of_this_tree() -> bytes:
    """The plan as the code beside these tests answers it."""
    with TestClient(create_app(Settings(), load_catalogue())) as client:
        return client.post(PLAN, content=RECORD.read_bytes(), headers=JSON).content


def serve(root: Path, config: Config) -> None:
    """Started, probed, asked for one plan, stopped by TERM."""
    port = free_port()
    with served(root, config, port) as process:
        within(60, lambda: asked(port, "/readyz"))
        asked(port, "/livez")
        subprocess.run(confined(root, config, at_port(port, health_check(config))), check=True)
        if asked(port, PLAN, RECORD.read_bytes()) != of_this_tree():
            raise SystemExit("the image answers another plan than this tree")
        process.terminate()
        if code := process.wait(30):
            raise SystemExit(f"stopped by TERM, it ends with {code}")
    print("live, ready, healthy; proposed; stopped by TERM with 0")


def screen(root: Path, config: Config, export: Path) -> None:
    """One export screened; flags and scratch are all that can be written, as in the night's pod."""
    flags, scratch = export.parent / "flags", export.parent / "scratch"
    volumes = {export: "/export", flags: "/flags", scratch: "/tmp"}
    for here, there in volumes.items():  # the runtime of a container makes these places too
        here.mkdir(exist_ok=True)
        (root / there[1:]).mkdir(exist_ok=True)
    for written in (flags, scratch):
        os.chown(written, *map(int, USER.split(":")))
    export.parent.chmod(0o755)
    words = ["crossgrain", "screen", "/export", "--out", "/flags/out", "--as-of", "2025-03-03"]
    subprocess.run(confined(root, config, words, volumes), check=True, stdout=subprocess.DEVNULL)
    found = (flags / "out" / "DetectedIssue.ndjson").read_text("utf-8").splitlines()
    if not found:
        raise SystemExit("the night found nothing")
    print(f"screened: {len(found)} flags")


if __name__ == "__main__":
    if sys.argv[1] == "pip":
        written, lent_paths = pip_settings(sys.stdin)
        Path(sys.argv[2]).write_text(written, "utf-8")
        print(*lent_paths, sep="\n")
        sys.exit()
    of_target, inspected, at_root, of_patients = sys.argv[1:]
    how = json.loads(Path(inspected).read_text("utf-8"))["Docker"]["config"]
    if wrong := faults(of_target, how):
        sys.exit("; ".join(wrong))
    if of_target == "service":
        serve(Path(at_root), how)
    else:
        screen(Path(at_root), how, Path(of_patients))
