"""The StructureDefinitions of what is read and of what is written: profiles of core resources.

Their differentials are made of the profiles' rules; each snapshot is made from the core definitions
of FHIR by a script of the conformance tests and ships in ``snapshots/``, so that nothing of FHIR's
own need be at hand.
"""

from collections.abc import Iterable, Mapping
from importlib.resources import files

import orjson

from crossgrain.app.conformance.definitions import Resource, head
from crossgrain.app.conformance.profiling import CORE, ElementRule, Profile, laid_on_core
from crossgrain.app.conformance.read_profiles import read_profiles
from crossgrain.app.conformance.written_profiles import written_profiles
from crossgrain.names.identity import FhirVersion
from crossgrain.writing.elements import table


def profiles(version: FhirVersion) -> tuple[Profile, ...]:
    """Every profile of a version, first those of what is read."""
    return (*read_profiles(version), *written_profiles(version))


def outline(profile: Profile, version: FhirVersion) -> Resource:
    """The StructureDefinition without its elements, which `whole` adds: they are large, and few
    who call a deployment ever ask for them."""
    rows = ((d.element, _times(d), d.short) for d in profile.rules)
    asked = table(("Element", "Times", "Holds"), rows)
    body = head("StructureDefinition", profile.id, profile.title, profile.description, asked)
    return body | {
        "fhirVersion": version.number,
        "kind": "resource",
        "abstract": False,
        "type": profile.type,
        "baseDefinition": f"{CORE}/{profile.type}",
        "derivation": "constraint",
    }


def _times(rule: ElementRule) -> str:
    least = "" if rule.least is None else str(rule.least)
    return f"{least}..{rule.most or ''}" if least or rule.most else "any"


def whole(definition: Resource, version: FhirVersion) -> Resource:
    """A definition with all of its elements; any but a StructureDefinition is whole already."""
    if definition["resourceType"] != "StructureDefinition":
        return definition
    made = files("crossgrain.app.conformance") / "snapshots" / version / f"{definition['id']}.json"
    elements: list[Resource] = orjson.loads(made.read_bytes())
    order = {element["id"]: number for number, element in enumerate(elements)}
    differential = sorted(differential_of(definition, version), key=lambda e: order[e["id"]])
    return definition | {
        "snapshot": {"element": elements},
        "differential": {"element": differential},
    }


def differential_of(definition: Resource, version: FhirVersion) -> Iterable[Resource]:
    """What a StructureDefinition of ours adds to the core definition."""
    given: dict[str, list[Resource]] | None = definition.get("differential")
    if given:
        return given["element"]
    (profile,) = (each for each in profiles(version) if each.id == definition["id"])
    return laid_on_core(profile)


def supported(version: FhirVersion) -> Mapping[str, list[str]]:
    """By type, the canonicals of its profiles."""
    return _by_type(profiles(version))


def _by_type(every: Iterable[Profile]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for profile in every:
        found.setdefault(profile.type, []).append(profile.url)
    return found
