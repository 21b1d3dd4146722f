"""The image's bill of materials, as CycloneDX.

``python -m tests.unit.supply.sbom IMAGE_PYTHON > docker/sbom.json``
"""

import json
import subprocess
import sys
from typing import Any

from cyclonedx.schema import SchemaVersion
from cyclonedx.validation.json import JsonStrictValidator
from tests.unit.supply.pins import ROOT

from crossgrain import __version__

# What it writes is judged below, once it is whole.
TOOL = "-m cyclonedx_py environment --no-validate --output-reproducible --sv 1.6 --pyproject"


def of_environment(python: str) -> dict[str, Any]:
    """What the tool finds installed; the service itself is the component that it is about."""
    command = [sys.executable, *TOOL.split(), str(ROOT / "pyproject.toml"), python]
    finished = subprocess.run(command, capture_output=True, check=True, timeout=120)
    bill: dict[str, Any] = json.loads(finished.stdout)
    return bill


def without_addresses(tree: Any) -> Any:
    """The same without links: they go stale, and tell of nothing that is installed."""
    if isinstance(tree, dict):
        kept = {key: value for key, value in tree.items() if key != "externalReferences"}
        return {key: without_addresses(value) for key, value in kept.items()}
    if isinstance(tree, list):
        return [without_addresses(value) for value in tree]
    return tree


def faults(text: str) -> list[str]:
    """What the schema of CycloneDX 1.6 has against a bill."""
    found = JsonStrictValidator(SchemaVersion.V1_6).validate_str(text)
    return [] if found is None else [str(found.data)]


def bill_of_materials(python: str) -> str:
    """The bill as it is written."""
    bill = without_addresses(of_environment(python))
    bill["metadata"]["component"]["version"] = __version__
    text = json.dumps(bill, indent=1, sort_keys=True, ensure_ascii=False) + "\n"
    if against := faults(text):
        raise ValueError(against[0])
    return text


if __name__ == "__main__":
    sys.stdout.write(bill_of_materials(sys.argv[1]))
