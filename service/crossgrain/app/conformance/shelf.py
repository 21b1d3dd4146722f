"""Every conformance resource of one FHIR version, by type and id."""

from collections.abc import Iterator, Mapping

from crossgrain.app.conformance.capability import capability_statement
from crossgrain.app.conformance.heads import Resource
from crossgrain.app.conformance.operation_definitions import (
    apply_definition,
    compare_bases_definition,
    propose_switch_definition,
    screen_switches_definition,
)
from crossgrain.app.conformance.plan_definition import plan_definition
from crossgrain.app.conformance.structure_definitions import series_extension
from crossgrain.app.conformance.terminology import code_system, every_code_system, value_set
from crossgrain.http.settings import Settings
from crossgrain.names.version import FhirVersion
from crossgrain.operations.desk import Desk
from crossgrain.operations.screen_switches import screening_options

Shelf = Mapping[tuple[str, str], Resource]
READABLE = (
    "PlanDefinition",
    "OperationDefinition",
    "StructureDefinition",
    "CodeSystem",
    "ValueSet",
)
"""The types that can be read by id; the CapabilityStatement stands at ``metadata``."""


def definitions(desk: Desk, version: FhirVersion) -> Iterator[Resource]:
    """Everything but the CapabilityStatement."""
    yield plan_definition(desk.catalogue)
    yield propose_switch_definition(desk.switch_options)
    yield compare_bases_definition(desk.comparison_options)
    yield screen_switches_definition(screening_options(desk.switch_options))
    yield apply_definition(version)
    yield series_extension(version)
    for codes in every_code_system(desk.catalogue, desk.switch_options):
        yield code_system(codes)
        yield value_set(codes)


def shelf_of(desk: Desk, version: FhirVersion) -> Shelf:
    """What can be read by type and id."""
    return {(r["resourceType"], r["id"]): r for r in definitions(desk, version)}


def statement(desk: Desk, version: FhirVersion, settings: Settings) -> Resource:
    """The CapabilityStatement."""
    return capability_statement(version, settings, definitions(desk, version))
