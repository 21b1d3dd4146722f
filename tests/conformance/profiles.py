"""Make the snapshots of our profiles from FHIR's core definitions.

``python -m tests.conformance.profiles`` writes them into the package; a test compares them.
"""

import json
from pathlib import Path

from tests.conformance.node import run

from crossgrain.app.conformance import profiles
from crossgrain.app.conformance.guide import definitions
from crossgrain.app.conformance.profiles import differential_of
from crossgrain.catalogue import load_catalogue
from crossgrain.names.identity import FhirVersion
from crossgrain.operations.desk import desk_over, now

DESK = desk_over(load_catalogue(), now)
SHIPPED = Path(profiles.__file__).parent / "snapshots"


def snapshots_of(asked, version):
    """For each pair of a type and a differential, the elements of its snapshot."""
    sent = [{"type": kind, "differential": {"element": list(d)}} for kind, d in asked]
    return run("snapshots.mjs", json.dumps(sent).encode(), version.value)


def made(version):
    """What ships for a version: by the file's name, its bytes, an element a line."""
    ours = [d for d in definitions(DESK, version) if d["resourceType"] == "StructureDefinition"]
    elements = snapshots_of([(d["type"], differential_of(d, version)) for d in ours], version)
    return {f"{d['id']}.json": _lines(one) for d, one in zip(ours, elements, strict=True)}


def _lines(elements):
    lines = (json.dumps(one, ensure_ascii=False, separators=(",", ":")) for one in elements)
    return ("[" + ",\n".join(lines) + "]\n").encode()


def shipped(version):
    """The same as it stands in the package."""
    return {path.name: path.read_bytes() for path in (SHIPPED / version).iterdir()}


if __name__ == "__main__":
    for version in FhirVersion:
        (SHIPPED / version).mkdir(parents=True, exist_ok=True)
        for path in (SHIPPED / version).iterdir():
            path.unlink()
        for name, content in made(version).items():
            (SHIPPED / version / name).write_bytes(content)
