"""Running the walker, where Node and its packages are on the machine."""

import json
import shutil
import subprocess
from pathlib import Path

import pytest

from crossgrain.names.identity import FhirVersion
from crossgrain.writing.forms import to_json

HERE = Path(__file__).parent
NODE = shutil.which("node")
PACKAGES = json.loads((HERE / "package.json").read_text("utf-8"))["dependencies"]

needs_node = pytest.mark.skipif(NODE is None, reason="node is not on this machine")
needs_packages = pytest.mark.skipif(
    not all((HERE / "node_modules" / name).is_dir() for name in PACKAGES),
    reason="run `npm ci` in tests/conformance first",
)


def run(script, stdin, *arguments):
    """What a script of the walker answers to what it is given."""
    finished = subprocess.run(
        [str(NODE), script, *arguments],
        cwd=HERE / "walker",
        input=stdin,
        capture_output=True,
        check=True,
        timeout=120,
    )
    return json.loads(finished.stdout)


def walked(resources, version=FhirVersion.R4):
    """The walker's report on each resource: its faults, and how much it looked at."""
    stdin = b"[" + b",".join(map(to_json, resources)) + b"]"
    return run("check.mjs", stdin, version.value)
