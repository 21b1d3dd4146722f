"""A lock as pip reads it: every line one version, each of its files by a hash."""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

ROOT = Path(__file__).parents[3]
DOCKER = ROOT / "docker"
_PIN = re.compile(
    r"(?P<name>[\w.-]+)==(?P<version>\S+)(?P<hashes>(?: --hash=sha256:[0-9a-f]{64})+)"
)


@dataclass(frozen=True, slots=True)
class Pin:
    """One locked package."""

    name: str
    version: Version
    hashes: tuple[str, ...]


def read_pins(text: str) -> dict[str, Pin]:
    """The pins of a lock, by canonical name; a line of any other kind is a ValueError."""
    lines = (line for line in text.splitlines() if line.strip() and line.lstrip()[0] != "#")
    pins: dict[str, Pin] = {}
    for line in "\n".join(lines).replace("\\\n", " ").splitlines():
        pin = _pin(" ".join(line.split()))
        if pin.name in pins:
            raise ValueError(f"locked twice: {pin.name}")
        pins[pin.name] = pin
    return pins


def locked(file: str) -> dict[str, Pin]:
    """The pins of a lock in ``docker/``."""
    return read_pins((DOCKER / file).read_text("utf-8"))


def unmet(requirements: Iterable[str], pins: dict[str, Pin]) -> list[str]:
    """Those of the requirements that no pin meets, on Linux and Python 3.11."""
    linux = {"sys_platform": "linux", "platform_system": "Linux", "python_version": "3.11"}
    wanted = [Requirement(requirement) for requirement in requirements]
    return [
        str(one)
        for one in wanted
        if (one.marker is None or one.marker.evaluate(linux)) and not _meets(one, pins)
    ]


def _pin(line: str) -> Pin:
    found = _PIN.fullmatch(line)
    if found is None:
        raise ValueError(f"not one version with its hashes: {line}")
    hashes = tuple(found["hashes"].split())
    return Pin(canonicalize_name(found["name"]), Version(found["version"]), hashes)


def _meets(requirement: Requirement, pins: dict[str, Pin]) -> bool:
    pin = pins.get(canonicalize_name(requirement.name))
    return pin is not None and requirement.specifier.contains(pin.version, prereleases=True)
