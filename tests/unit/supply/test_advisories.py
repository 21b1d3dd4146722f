"""Which versions an advisory means: the algorithm of the OSV schema, section "Evaluation"."""

import json
import zipfile
from pathlib import Path
from typing import Any

import pytest
from tests.unit.supply.advisories import Copy, read_copy


def advisory(name: str = "INVENTED-1", **affected: Any) -> dict[str, Any]:
    """An invented advisory in OSV's format on an invented package."""
    package = {"ecosystem": "PyPI", "name": "invented-package"}
    return {
        "schema_version": "1.6.0",
        "id": name,
        "modified": "2025-03-03T00:00:00Z",
        "affected": [{"package": package, **affected}],
    }


def between(*events: dict[str, str], kind: str = "ECOSYSTEM") -> dict[str, Any]:
    return {"ranges": [{"type": kind, "events": list(events)}]}


@pytest.mark.parametrize(
    ("affected", "hit", "clean"),
    [
        (between({"introduced": "0"}, {"fixed": "1.10"}), ["0.1", "1.9", "1.10rc1"], ["1.10", "2"]),
        (between({"fixed": "2"}, {"introduced": "1.0"}), ["1.0", "1.9.9"], ["0.9", "2.0", "3"]),
        (between({"introduced": "1"}, {"last_affected": "1.4"}), ["1", "1.4"], ["0.9", "1.4.1"]),
        (between({"introduced": "1"}), ["1", "99"], ["0.9"]),
        (
            between({"introduced": "0"}, {"fixed": "1"}, {"introduced": "2"}, {"fixed": "2.5"}),
            ["0.dev1", "0.5", "2", "2.4"],
            ["1", "1.9", "2.5"],
        ),
        ({"versions": ["1.0", "1.2.0"]}, ["1", "1.0.0", "1.2"], ["1.1", "1.2.1"]),
        (between({"introduced": "0"}, kind="GIT"), [], ["1"]),
        ({}, [], ["1"]),
    ],
)
def test_a_version_is_meant_or_not(
    affected: dict[str, Any], hit: list[str], clean: list[str]
) -> None:
    copy = Copy([advisory(**affected)])
    assert [version for version in hit + clean if copy.on("Invented_Package", version)] == hit


def test_another_package_and_another_ecosystem_are_not_meant() -> None:
    elsewhere = advisory("INVENTED-2", versions=["1"])
    elsewhere["affected"][0]["package"]["ecosystem"] = "npm"
    copy = Copy([advisory(versions=["1"]), elsewhere])
    assert copy.on("another", "1") == []
    assert [one["id"] for one in copy.on("invented.package", "1")] == ["INVENTED-1"]


def test_a_copy_is_a_folder_or_an_archive(tmp_path: Path) -> None:
    text = json.dumps(advisory(versions=["1"]))
    (tmp_path / "INVENTED-1.json").write_text(text)
    with zipfile.ZipFile(tmp_path / "all.zip", "w") as archive:
        archive.writestr("INVENTED-1.json", text)
    for path in (tmp_path, tmp_path / "all.zip"):
        copy = read_copy(path)
        assert copy.newest == "2025-03-03T00:00:00Z"
        assert len(copy.on("invented-package", "1")) == 1


def test_an_empty_copy_is_no_copy(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="holds no advisory"):
        read_copy(tmp_path)
