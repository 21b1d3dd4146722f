"""Planted exports and runs over them, for the tests of the nightly job."""

import json
import subprocess
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import Any

from crossgrain.nightly.plan import RunOptions
from crossgrain.nightly.progress import Advance
from crossgrain.nightly.run import screen_export

ROOT = Path(__file__).parents[3]
GENERATOR = ROOT / "fixtures" / "exports" / "generate.py"
AS_OF = date(2025, 3, 3)
SAME_BYTES = (
    "DetectedIssue.ndjson", "needs-review.ndjson", "flags.parquet", "summary.html", "worklist.csv",
)  # fmt: skip
Found = dict[str, set[tuple[str, str]]]


class Silent:
    """Progress that nobody watches."""

    @contextmanager
    def stage(self, name: str, total: int | None, unit: str) -> Iterator[Advance]:
        """A stage that tells nobody."""
        yield lambda _: None


def make(folder: Path, *options: str, patients: int = 300) -> Path:
    """A planted export of mostly switched patients; its folder, with the truth beside it."""
    shares = ("--hormone-share", "0.9", "--switch-share", "0.9")
    command = [sys.executable, str(GENERATOR), str(folder), "--patients", str(patients)]
    subprocess.run([*command, *shares, *options], check=True)
    return folder / "export"


def run(export: Path, out: Path, **options: Any) -> dict[str, Any]:
    """Screen an export and give back the report."""
    return screen_export(RunOptions(export, out, options.pop("as_of", AS_OF), **options), Silent())


def lines(path: Path) -> list[dict[str, Any]]:
    """The resources of an NDJSON file."""
    return [json.loads(line) for line in path.read_text().splitlines()]


def truth(export: Path) -> dict[str, dict[str, Any]]:
    """What was planted, by patient."""
    return {said["patient"]: said for said in lines(export.parent / "truth.ndjson")}


def planted(export: Path) -> Found:
    """Patient → the code and grade of each flag that must be found."""
    return {
        patient: {(code, grade) for code, grade in said["flags"]}
        for patient, said in truth(export).items()
        if said["flags"]
    }


def found(out: Path) -> Found:
    """Patient → the code and grade of each flag that was found."""
    flags: Found = {}
    for issue in lines(out / "DetectedIssue.ndjson"):
        if issue["status"] == "preliminary":
            flags.setdefault(patient_of(issue), set()).add(flag_of(issue))
    return flags


def patient_of(issue: dict[str, Any]) -> str:
    """Whose an issue is, in R4 or R5."""
    reference: str = (issue.get("patient") or issue["subject"])["reference"]
    return reference


def flag_of(issue: dict[str, Any]) -> tuple[str, str]:
    """Code and grade of an issue."""
    grade = issue["evidence"][0]["code"][0]["coding"][0]["code"]
    return issue["code"]["coding"][0]["code"], grade


def write(folder: Path, resources: Iterable[dict[str, Any]], name: str = "all.ndjson") -> Path:
    """A folder with one NDJSON file."""
    folder.mkdir(parents=True, exist_ok=True)
    text = "".join(json.dumps(resource) + "\n" for resource in resources)
    (folder / name).write_text(text)
    return folder


def bytes_of(out: Path) -> dict[str, bytes]:
    """The outputs that must not depend on how a run went."""
    return {name: (out / name).read_bytes() for name in SAME_BYTES}
