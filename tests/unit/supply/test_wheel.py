"""The wheel and the source archive are the same bytes wherever and whenever they are built."""

import hashlib
import os
import shutil
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest
from tests.unit.supply.pins import ROOT

pytest.importorskip("build", reason="install the extra `supply` first")
pytest.importorskip("hatchling", reason="install the extra `supply` first")
PACKAGE = ROOT / "service" / "crossgrain"
EPOCH = "1700000000"


def in_the_tree() -> list[str]:
    """The files that git does not ignore; outside a clone, those that a build may take."""
    command = ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"]
    listed = subprocess.run(command, cwd=ROOT, capture_output=True, check=False, timeout=60)
    if listed.returncode == 0:
        return [name for name in listed.stdout.decode().split("\0") if name]
    parts = (
        "service", "openapi", "fixtures", "pyproject.toml", "README.md", "DEVELOPERS.md",
        ".gitignore",
    )  # fmt: skip
    files = (file for part in parts for file in (ROOT / part, *(ROOT / part).rglob("*")))
    return [
        str(file.relative_to(ROOT))
        for file in files
        if (file.is_file() or file.is_symlink()) and "__pycache__" not in file.parts
    ]


def tree(target: Path, time: int, mode: int) -> Path:
    """The files of the tree as they lie here, at another place, time and mode."""
    for name in in_the_tree():
        if (ROOT / name).exists():
            copy = target / name
            copy.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(ROOT / name, copy, follow_symlinks=False)
            if not copy.is_symlink():
                copy.chmod(mode)
                os.utime(copy, (time, time))
    return target


def build(source: Path, out: Path, *kinds: str, epoch: str = EPOCH, seed: str = "0") -> Path:
    """Build with the backend at hand, which the lock pins."""
    environment = {**os.environ, "SOURCE_DATE_EPOCH": epoch, "PYTHONHASHSEED": seed}
    command = [sys.executable, "-m", "build", "--no-isolation", "--outdir", str(out), *kinds]
    subprocess.run(
        [*command, str(source)], env=environment, capture_output=True, check=True, timeout=300
    )
    return out


def digests(folder: Path) -> dict[str, str]:
    return {file.name: hashlib.sha256(file.read_bytes()).hexdigest() for file in folder.iterdir()}


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A wheel and a source archive, each from the tree."""
    folder = tmp_path_factory.mktemp("first")
    source = tree(folder / "here", 1_000_000_000, 0o644)
    return build(source, folder / "out", "--wheel", "--sdist")


@pytest.fixture(scope="module")
def packed(built: Path) -> dict[str, bytes]:
    (wheel,) = built.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def test_another_place_another_time_the_same_bytes(built: Path, tmp_path: Path) -> None:
    source = tree(tmp_path / "a" / "longer" / "way", 1_500_000_000, 0o600)
    again = build(source, tmp_path / "out", "--wheel", "--sdist", seed="1")
    assert digests(again) == digests(built)
    assert len(digests(built)) == 2


def test_another_date_would_have_been_seen(built: Path, tmp_path: Path) -> None:
    source = tree(tmp_path / "here", 1_000_000_000, 0o644)
    (other,) = digests(build(source, tmp_path / "out", "--wheel", epoch="1600000000")).items()
    assert other not in digests(built).items()


def test_the_source_archive_builds_the_same_wheel(built: Path, tmp_path: Path) -> None:
    (archive,) = built.glob("*.tar.gz")
    with tarfile.open(archive) as sources:
        sources.extractall(tmp_path, filter="data")
    (source,) = tmp_path.iterdir()
    (wheel,) = digests(build(source, tmp_path / "out", "--wheel")).items()
    assert wheel in digests(built).items()


def test_the_wheel_holds_the_whole_package_byte_for_byte(packed: dict[str, bytes]) -> None:
    here = {
        f"crossgrain/{file.relative_to(PACKAGE)}": file.read_bytes()
        for file in Path(PACKAGE).rglob("*")
        if file.is_file() and "__pycache__" not in file.parts
    }
    for patient in (ROOT / "fixtures" / "patients").iterdir():
        here[f"crossgrain/app/examples/patients/{patient.name}"] = patient.read_bytes()
    assert here["crossgrain/openapi.json"] == (ROOT / "openapi" / "openapi.json").read_bytes()
    inside = {name: body for name, body in packed.items() if ".dist-info/" not in name}
    assert inside == here
    kinds = {Path(name).suffix for name in inside}
    assert {".toml", ".html", ".css", ".js", ".json", ".py"} <= kinds


def test_the_wheel_holds_nothing_of_the_tests_or_of_any_place(packed: dict[str, bytes]) -> None:
    assert {name.split("/")[0].split("-")[0] for name in packed} == {"crossgrain"}
    assert not [name for name in packed if "test" in name.lower()]
    assert not [name for name, body in packed.items() if str(ROOT).encode() in body]
