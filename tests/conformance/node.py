"""Running the walker, where Node and its packages are on the machine."""

import json
import shutil
import subprocess
from pathlib import Path

import pytest

HERE = Path(__file__).parent
NODE = shutil.which("node")

needs_node = pytest.mark.skipif(NODE is None, reason="node is not on this machine")
needs_packages = pytest.mark.skipif(
    not (HERE / "node_modules" / "fhirpath").is_dir(),
    reason="run `npm ci` in tests/conformance first",
)


def run(script, stdin):
    """What a script of the walker answers to what it is given."""
    finished = subprocess.run(
        [str(NODE), script],
        cwd=HERE / "walker",
        input=stdin,
        capture_output=True,
        check=True,
        timeout=120,
    )
    return json.loads(finished.stdout)
