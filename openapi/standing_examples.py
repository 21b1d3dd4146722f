"""Examples of what the service answers whoever asks: its definitions and its probes."""

from collections.abc import Iterator

from crossgrain.app.conformance.guide import shelf_of
from crossgrain.app.conformance.lookup import (
    TERMINOLOGY,
    TerminologyCall,
    TerminologyOperation,
    search,
)
from crossgrain.app.conformance.profiles import whole
from crossgrain.app.conformance.routes import statement
from crossgrain.http.probes import LIVE, READY
from crossgrain.http.settings import Settings
from crossgrain.names.identity import FhirVersion, canonical
from crossgrain.operations.desk import Desk
from crossgrain.operations.parameters import from_query
from openapi.shown import Shown

_READ = (
    ("ImplementationGuide", "crossgrain"),
    ("CapabilityStatement", "crossgrain"),
    ("PlanDefinition", "regimen-switch"),
    ("Library", "regimen-switch"),
    ("Questionnaire", "how-it-goes"),
    ("OperationDefinition", "screen-switches"),
    ("StructureDefinition", "switch-series"),
    ("CodeSystem", "target"),
    ("ValueSet", "target"),
)
"""One definition of each type, short ones where there is a choice."""


_TARGETS, _TARGET = canonical("ValueSet", "target"), canonical("CodeSystem", "target")
_SEARCHED = {"ValueSet": [("url", _TARGETS)]}
"""One search that finds something; the others would show what is shown by id."""


def standing_examples(desk: Desk) -> Iterator[tuple[str, list[Shown]]]:
    """Each route's operation id, and what it answers."""
    for version in FhirVersion:
        yield from _definitions(desk, version)
    yield "livez", [Shown("livez", "The process runs", None, LIVE)]
    yield "readyz", [Shown("readyz", "Requests are served", None, READY)]


def _definitions(desk: Desk, version: FhirVersion) -> Iterator[tuple[str, list[Shown]]]:
    capability = statement(desk, version, Settings.model_construct())
    summary = "The capabilities, as the settings are by default"
    yield f"fhir-{version}-metadata", [Shown(f"{version}-metadata", summary, None, capability)]
    shelf = shelf_of(desk, version)
    for kind, own_id in _READ:
        found = whole(shelf[kind, own_id], version)
        shown = Shown(f"{version}-{kind}", f"{kind}/{own_id}", None, found)
        yield f"fhir-{version}-{kind}-read", [shown]
        query = _SEARCHED.get(kind, [("_id", "none")])
        address = f"http://127.0.0.1:8000/fhir/{version}/{kind}"
        result = search(kind, version, shelf, from_query(query), address)
        searched = Shown(f"{version}-{kind}-search", _asked(kind, query), None, result)
        yield f"fhir-{version}-{kind}", [searched]
    for served in TERMINOLOGY:
        query = list(_about_a_target(served))
        answer = served.answer(TerminologyCall(version, shelf, None, from_query(query)))
        summary = _asked(f"{served.kind}/${served.name}", query)
        name = f"{served.kind}-{served.name}"
        yield f"fhir-{version}-{name}", [Shown(f"{version}-{name}", summary, None, answer)]


def _asked(address: str, query: list[tuple[str, str]]) -> str:
    return f"{address}?{'&'.join(f'{name}={value}' for name, value in query)}"


def _about_a_target(served: TerminologyOperation) -> Iterator[tuple[str, str]]:
    if "url" in served.takes:
        yield "url", _TARGETS if served.kind == "ValueSet" else _TARGET
    if "system" in served.takes:
        yield "system", _TARGET
    if "code" in served.takes:
        yield "code", "levothyroxine"
