"""Examples of what the service answers whoever asks: its definitions and its probes."""

from collections.abc import Iterator

from crossgrain.app.conformance.routes import shelf_of, statement
from crossgrain.http.probes import LIVE, READY
from crossgrain.http.settings import Settings
from crossgrain.names.identity import FhirVersion
from crossgrain.operations.desk import Desk
from openapi.shown import Shown

_READ = (
    ("PlanDefinition", "regimen-switch"),
    ("OperationDefinition", "screen-switches"),
    ("StructureDefinition", "switch-series"),
    ("CodeSystem", "target"),
    ("ValueSet", "target"),
)
"""One definition of each type, short ones where there is a choice."""


def standing_examples(desk: Desk) -> Iterator[tuple[str, list[Shown]]]:
    """Each route's operation id, and what it answers."""
    for version in FhirVersion:
        yield from _definitions(desk, version)
    yield "livez_livez_get", [Shown("livez", "The process runs", None, LIVE)]
    yield "readyz_readyz_get", [Shown("readyz", "Requests are served", None, READY)]


def _definitions(desk: Desk, version: FhirVersion) -> Iterator[tuple[str, list[Shown]]]:
    capability = statement(desk, version, Settings.model_construct())
    summary = "The capabilities, as the settings are by default"
    yield f"fhir-{version}-metadata", [Shown(f"{version}-metadata", summary, None, capability)]
    shelf = shelf_of(desk, version)
    for kind, own_id in _READ:
        shown = Shown(f"{version}-{kind}", f"{kind}/{own_id}", None, shelf[kind, own_id])
        yield f"fhir-{version}-{kind}-read", [shown]
