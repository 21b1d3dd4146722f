"""Running the walker, where Node and its packages are on the machine."""

import json
import shutil
import subprocess
from pathlib import Path

import pytest

WALKER = Path(__file__).parent / "walker"
NODE = shutil.which("node")

needs_node = pytest.mark.skipif(NODE is None, reason="node is not on this machine")
needs_packages = pytest.mark.skipif(
    not (WALKER / "node_modules" / "fhirpath").is_dir(),
    reason="run `npm ci` in tests/conformance/walker first",
)


def run(script, stdin):
    """What a script of the walker answers to what it is given."""
    finished = subprocess.run(
        [str(NODE), script], cwd=WALKER, input=stdin, capture_output=True, check=True, timeout=120
    )
    return json.loads(finished.stdout)
