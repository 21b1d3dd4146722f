"""The locks hold what pyproject.toml asks for, and the image installs nothing beside them."""

import json
import re
import tomllib

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from tests.unit.supply.pins import DOCKER, ROOT, locked, read_pins, unmet

PYPROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
PROJECT = PYPROJECT["project"]
BILLS = {"requirements.txt": "sbom.json", "requirements-night.txt": "sbom-night.json"}
LOCKS = (*BILLS, "build-requirements.txt")
EXTRAS = re.findall(r"--extra (\w+)", (DOCKER / "lock").read_text("utf-8"))
DOCKERFILE = (DOCKER / "Dockerfile").read_text("utf-8")
INSTALL = (DOCKER / "install").read_text("utf-8")
HASH = "--hash=sha256:" + "0" * 64


def direct_dependencies() -> list[str]:
    """What the image's packages must meet: our dependencies and those of the image's extras."""
    extras = PROJECT["optional-dependencies"]
    return PROJECT["dependencies"] + [one for extra in EXTRAS for one in extras[extra]]


def test_a_lock_is_read_as_pip_reads_it() -> None:
    text = (
        f"# said\nOne.Thing==1.0 \\\n    {HASH} \\\n    {HASH}\n    # via two\ntwo==2rc1 {HASH}\n"
    )
    pins = read_pins(text)
    assert {name: (str(pin.version), len(pin.hashes)) for name, pin in pins.items()} == {
        "one-thing": ("1.0", 2),
        "two": ("2rc1", 1),
    }


@pytest.mark.parametrize(
    "line",
    [
        "one==1.0",
        f"one>=1.0 {HASH}",
        f"one {HASH}",
        "one==1.0 --hash=sha256:00",
        "one==1.0 --hash=md5:" + "0" * 32,
        f"one @ https://example.org/one.whl {HASH}",
        "--index-url https://example.org/simple",
        "-e .",
        f"one==1.0 {HASH}\none==1.1 {HASH}",
    ],
)
def test_a_line_that_is_not_one_version_with_its_hashes_is_refused(line: str) -> None:
    with pytest.raises(ValueError, match=r"not one version|locked twice"):
        read_pins(line)


@pytest.mark.parametrize(
    ("requirement", "met"),
    [
        ("One_Thing>=1,<2", True),
        ("one-thing>=1.1", False),
        ("absent", False),
        ("absent; sys_platform == 'win32'", True),
        ("absent; python_version < '3.12'", False),
    ],
)
def test_a_requirement_is_met_by_a_pin_or_not(requirement: str, met: bool) -> None:
    assert (unmet([requirement], read_pins(f"one-thing==1.0 {HASH}")) == []) is met


def test_the_lock_meets_every_direct_dependency_of_the_image() -> None:
    assert EXTRAS == ["redis", "otel", "night"]
    assert unmet(direct_dependencies(), locked("requirements-night.txt")) == []
    of_the_night = {str(Requirement(one)) for one in PROJECT["optional-dependencies"]["night"]}
    assert set(unmet(direct_dependencies(), locked("requirements.txt"))) == of_the_night


def test_the_night_has_the_services_packages_and_no_other_version_of_any() -> None:
    service, night = locked("requirements.txt"), locked("requirements-night.txt")
    assert {name: night[name] for name in service} == service
    assert {"duckdb", "pyarrow"} == set(night) - set(service)


def test_the_lock_meets_what_builds_the_wheel() -> None:
    assert unmet(PYPROJECT["build-system"]["requires"], locked("build-requirements.txt")) == []
    assert all("==" in one for one in PYPROJECT["build-system"]["requires"])


@pytest.mark.parametrize("lock", LOCKS)
def test_a_lock_names_no_host_and_no_file(lock: str) -> None:
    text = (DOCKER / lock).read_text("utf-8")
    assert not re.search(r"://|^-|-r |(?<!\w)/\w", text, re.MULTILINE)
    assert read_pins(text)


@pytest.mark.parametrize("lock", BILLS)
def test_the_bill_of_materials_lists_the_lock_and_nothing_else(lock: str) -> None:
    bill = json.loads((DOCKER / BILLS[lock]).read_text("utf-8"))
    listed = {canonicalize_name(one["name"]): one["version"] for one in bill["components"]}
    pins = locked(lock)
    assert listed == {name: str(pin.version) for name, pin in pins.items()}
    assert len(listed) == len(bill["components"])


@pytest.mark.parametrize("named", BILLS.values())
def test_everything_in_the_bill_is_there_because_something_needs_it(named: str) -> None:
    bill = json.loads((DOCKER / named).read_text("utf-8"))
    needs = {entry["ref"]: entry.get("dependsOn", []) for entry in bill["dependencies"]}
    reached: set[str] = set()
    waiting = [bill["metadata"]["component"]["bom-ref"]]
    while waiting:
        ref = waiting.pop()
        if ref not in reached:
            reached.add(ref)
            waiting += needs[ref]
    assert {component["bom-ref"] for component in bill["components"]} <= reached


def test_the_image_is_installed_by_the_script_that_the_checks_run() -> None:
    commands = re.findall(r"^RUN (.+)$", DOCKERFILE, re.MULTILINE)
    assert [command for command in commands if "install" in command] == [
        "sh docker/install packages /opt/crossgrain",
        "sh docker/install service /opt/crossgrain",
        "sh docker/install night /opt/crossgrain",
    ]
    assert not re.search(r"\bpip\b", re.sub(r"^#.*$", "", DOCKERFILE, flags=re.MULTILINE))
    checks = (ROOT / ".ci" / "supply").read_text("utf-8")
    assert "docker/install packages" in checks
    assert "docker/install service" in checks
    assert "docker/install night" in checks


def test_what_is_built_where_nothing_is_said_is_the_service_and_each_has_its_own_bill() -> None:
    stages = re.findall(r"^FROM \S+ AS (\S+)$", DOCKERFILE, re.MULTILINE)
    assert stages[-1] == "service"
    parts = dict(
        zip(stages, re.split(r"^FROM .+$", DOCKERFILE, flags=re.MULTILINE)[1:], strict=True)
    )
    assert "COPY docker/sbom.json " in parts["service"]
    assert "HEALTHCHECK" in parts["service"]
    assert "COPY docker/sbom-night.json " in parts["night"]
    for each in ("service", "night"):
        assert "USER 10001:10001" in parts[each]


def test_every_installation_is_by_hash_or_of_our_own_wheel_alone() -> None:
    installs = re.findall(r"^ .*\binstall (.+)$", INSTALL, re.MULTILINE)
    locks = [line for line in installs if "--require-hashes -r docker/" in line]
    own = [line for line in installs if "--no-index --no-deps" in line]
    assert (len(locks), len(own), len(installs)) == (3, 1, 4)
    assert all("--only-binary :all:" in line for line in locks)
