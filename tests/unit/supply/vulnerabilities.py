"""Known vulnerabilities of what is locked, as pip-audit finds them.

``python -m tests.unit.supply.vulnerabilities LOCK... [--advisories COPY]``

Without a copy it asks the package index, then OSV. Where neither is reached it says "not checked"
and does not fail; with a copy it is checked, or it fails.
"""

import argparse
import json
import os
import subprocess
import sys
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

from tests.unit.supply.advisories import answering, read_copy
from tests.unit.supply.pins import read_pins

ONLINE = {"the package index": ("-s", "pypi"), "OSV": ("-s", "osv")}


@dataclass(frozen=True, slots=True)
class Audit:
    """What one source said of one lock."""

    checked: int
    vulnerable: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    trouble: str = ""


def audit(lock: Path, source: Sequence[str]) -> Audit:
    """Ask one source about every pin of a lock."""
    pins = set(read_pins(lock.read_text("utf-8")))
    options = ("--disable-pip", "--require-hashes", "--progress-spinner", "off", "--format", "json")
    command = [sys.executable, "-m", "pip_audit", "--requirement", str(lock), *options, *source]
    direct = {**os.environ, "NO_PROXY": "127.0.0.1", "no_proxy": "127.0.0.1"}
    done = subprocess.run(
        command, env=direct, capture_output=True, text=True, check=False, timeout=300
    )
    try:
        answers = json.loads(done.stdout)["dependencies"]
    except ValueError:
        last = done.stderr.strip().rpartition("\n")[2]
        return Audit(0, left_out=tuple(sorted(pins)), trouble=last)
    return judged(pins, answers)


def judged(pins: set[str], answers: Sequence[Mapping[str, object]]) -> Audit:
    """What the tool answered; what it skips it counts as clean, and here it is left out."""
    known = {str(one["name"]): one for one in answers if "vulns" in one}
    skipped = [str(one["skip_reason"]) for one in answers if "skip_reason" in one]
    vulnerable = [
        f"{name} {one['version']}: {vuln['id']} (fixed in {', '.join(vuln['fix_versions']) or '?'})"
        for name, one in known.items()
        for vuln in one["vulns"]  # type: ignore[attr-defined]
    ]
    left_out = tuple(sorted(pins - set(known)))
    return Audit(len(known), tuple(vulnerable), left_out, skipped[0] if skipped else "")


def report(lock: Path, sources: Mapping[str, Sequence[str]], *, must: bool) -> bool:
    """Print what the first source that is reached says of a lock, and whether that may stand."""
    for name, source in sources.items():
        said = audit(lock, source)
        if said.checked:
            return _shown(lock, name, said)
        print(f"{lock}: {name} not reached: {said.trouble:.100}")
    print(f"{lock}: NOT CHECKED, no source was reached")
    return not must


def _shown(lock: Path, name: str, said: Audit) -> bool:
    print(f"{lock}: {said.checked} packages asked of {name}, {len(said.vulnerable)} findings")
    print("".join(f"  {line}\n" for line in said.vulnerable), end="")
    print("".join(f"  {missing}: not checked\n" for missing in said.left_out), end="")
    return not (said.vulnerable or said.left_out)


def main(arguments: Sequence[str] | None = None) -> int:
    """Report on each lock."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("locks", nargs="+", type=Path)
    parser.add_argument("--advisories", type=Path, default=os.environ.get("ADVISORIES"))
    options = parser.parse_args(arguments)
    sources: Mapping[str, Sequence[str]] = ONLINE
    with ExitStack() as stack:
        if options.advisories:
            copy = read_copy(Path(options.advisories))
            address = stack.enter_context(answering(copy))
            sources = {f"a copy of {copy.newest}": ("-s", "osv", "--osv-url", address)}
        must = bool(options.advisories)
        stands = [report(lock, sources, must=must) for lock in options.locks]
    return 0 if all(stands) else 1


if __name__ == "__main__":
    sys.exit(main())
