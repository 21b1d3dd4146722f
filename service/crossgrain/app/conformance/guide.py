"""Everything that is published, the ImplementationGuide that lists it, and the two packages of it.

A package is what FHIR tools load: a gzipped tar of ``package/package.json``, an index, and a file
for each definition. The same version of the service gives the same bytes.

https://hl7.org/fhir/R4/implementationguide.html, https://hl7.org/fhir/packages.html
"""

import io
from collections.abc import Iterable, Iterator, Mapping
from datetime import UTC, date, datetime, time
from gzip import GzipFile

from crossgrain import __version__
from crossgrain.app.conformance.capabilities import GUIDE_ID, requirements_statement
from crossgrain.app.conformance.definitions import (
    PUBLISHED,
    Resource,
    apply_definition,
    compare_bases_definition,
    head,
    how_it_goes_questionnaire,
    next_step_definition,
    plan_definition,
    propose_switch_definition,
    screen_switches_definition,
)
from crossgrain.app.conformance.library import AT_THE_CHECKPOINT, READ, data_library, requirements
from crossgrain.app.conformance.lookup import Shelf
from crossgrain.app.conformance.profiles import outline, profiles, whole
from crossgrain.app.conformance.terminology import (
    code_system,
    every_code_system,
    results_value_set,
    series_extension,
    value_set,
)
from crossgrain.names.identity import CANONICAL_BASE, SERVICE_NAME, FhirVersion
from crossgrain.operations.desk import Desk
from crossgrain.operations.screen_switches import screening_options
from crossgrain.writing.elements import bullets
from crossgrain.writing.forms import to_json

_SAYS = (
    "What Crossgrain reads and writes, its operations, its codes, and the plan definition that its"
    " answers are applications of."
)
_LICENSE = "Apache-2.0"


def definitions(desk: Desk, version: FhirVersion) -> Iterator[Resource]:
    """Everything that is the same in every deployment; StructureDefinitions without elements."""
    every = list(_defined(desk, version))
    every.insert(0, requirements_statement(version, every))
    yield guide(version, every)
    yield from every


def _defined(desk: Desk, version: FhirVersion) -> Iterator[Resource]:
    codes = desk.catalogue.codes
    inputs = requirements(codes, READ), requirements(codes, AT_THE_CHECKPOINT)
    yield plan_definition(desk.catalogue, version, *inputs)
    yield data_library(codes)
    yield how_it_goes_questionnaire(codes.how_it_goes)
    yield propose_switch_definition(desk.switch_options)
    yield next_step_definition(desk.next_step_options)
    yield compare_bases_definition(desk.comparison_options)
    yield screen_switches_definition(screening_options(desk.switch_options))
    yield apply_definition(version)
    yield series_extension(version)
    for profile in profiles(version):
        yield outline(profile, version)
    yield results_value_set(codes)
    for system in every_code_system(desk.catalogue, desk.switch_options):
        yield code_system(system)
        yield value_set(system)


def shelf_of(desk: Desk, version: FhirVersion) -> Shelf:
    """What can be read by type and id."""
    return {(r["resourceType"], r["id"]): r for r in definitions(desk, version)}


# --- the guide ---------------------------------------------------------------------------------


def package_name(version: FhirVersion) -> str:
    """The name of a version's package.

    >>> package_name(FhirVersion.R4)
    'crossgrain.r4'
    """
    return f"{GUIDE_ID}.{version}"


def guide(version: FhirVersion, every: Iterable[Resource]) -> Resource:
    """The ImplementationGuide that lists all other definitions."""
    listed = list(every)
    titles = bullets(f"{r['resourceType']}: {r['title']}" for r in listed)
    body = head("ImplementationGuide", GUIDE_ID, SERVICE_NAME, _SAYS, titles)
    body["packageId"] = package_name(version)
    body["license"] = _LICENSE
    body["fhirVersion"] = [version.number]
    not_an_example = "isExample" if version is FhirVersion.R5 else "exampleBoolean"
    body["definition"] = {
        "resource": [
            {
                "reference": {"reference": f"{r['resourceType']}/{r['id']}"},
                "name": r["title"],
                "description": r["description"],
                not_an_example: False,
            }
            for r in listed
        ]
    }
    return body


# --- the packages ------------------------------------------------------------------------------


def package(desk: Desk, version: FhirVersion) -> bytes:
    """The package of one version, as a gzipped tar."""
    held = [whole(definition, version) for definition in definitions(desk, version)]
    files = {_file_of(r): to_json(r) for r in held}
    files |= {".index.json": to_json(_index(held)), "package.json": to_json(_manifest(version))}
    return _packed(files)


def package_file(version: FhirVersion) -> str:
    """The name under which a package is saved.

    >>> package_file(FhirVersion.R5).startswith("crossgrain.r5-")
    True
    """
    return f"{package_name(version)}-{__version__}.tgz"


def _file_of(resource: Resource) -> str:
    return f"{resource['resourceType']}-{resource['id']}.json"


def _manifest(version: FhirVersion) -> Resource:
    return {
        "name": package_name(version),
        "version": __version__,
        "tools-version": 3,
        "type": "IG",
        "date": f"{PUBLISHED.replace('-', '')}000000",
        "license": _LICENSE,
        "canonical": CANONICAL_BASE,
        "title": SERVICE_NAME,
        "description": _SAYS,
        "fhirVersions": [version.number],
        "dependencies": {f"hl7.fhir.{version}.core": version.number},
        "author": SERVICE_NAME,
        "directories": {"lib": "package"},
    }


_INDEXED = ("resourceType", "id", "url", "version", "kind", "type", "content", "derivation")


def _index(held: Iterable[Resource]) -> Resource:
    """By which tools find a definition without opening every file.

    A type is named only where it is a word, as in a StructureDefinition: elsewhere it is a concept.
    """
    return {
        "index-version": 2,
        "files": [
            {"filename": _file_of(r), **{k: r[k] for k in _INDEXED if isinstance(r.get(k), str)}}
            for r in held
        ],
    }


def _packed(files: Mapping[str, bytes]) -> bytes:
    """Files in the order of their names, all of the day of publication, of nobody's machine."""
    import tarfile  # noqa: PLC0415 - for a package alone

    day = datetime.combine(date.fromisoformat(PUBLISHED), time(), UTC)
    packed = io.BytesIO()
    with (
        GzipFile(filename="", mode="wb", fileobj=packed, mtime=0) as squeezed,
        tarfile.open(fileobj=squeezed, mode="w", format=tarfile.USTAR_FORMAT) as archive,
    ):
        for name in sorted(files):
            member = tarfile.TarInfo(f"package/{name}")
            member.size, member.mtime = len(files[name]), int(day.timestamp())
            archive.addfile(member, io.BytesIO(files[name]))
    return packed.getvalue()
