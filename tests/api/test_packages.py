"""The ImplementationGuide and the two FHIR packages: what is published, in one file each.

The form of a package is HL7's "FHIR NPM Package Specification": a gzipped tar with one folder
``package``, in it ``package.json``, ``.index.json`` and a file for each resource.
"""

import io
import json
import re
import shutil
import subprocess
import tarfile
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient
from tests.unit.command import crossgrain

from crossgrain import __version__
from crossgrain.app.conformance.guide import definitions
from crossgrain.app.factory import create_app
from crossgrain.catalogue import load_catalogue
from crossgrain.http.settings import Settings
from crossgrain.names.identity import CANONICAL_BASE, FhirVersion
from crossgrain.operations.desk import desk_over, now

VERSIONS = list(FhirVersion)
DESK = desk_over(load_catalogue(), now)
NPM = shutil.which("npm")


def packed(client: TestClient, version: FhirVersion) -> bytes:
    answer = client.get(f"/fhir/{version}/package.tgz")
    assert answer.headers["content-type"] == "application/gzip"
    assert f"crossgrain.{version}-{__version__}.tgz" in answer.headers["content-disposition"]
    return answer.content


def unpacked(content: bytes) -> dict[str, Any]:
    """Its files as JSON, by a reader that allows nothing but plain files in one folder."""
    found: dict[str, Any] = {}
    with tarfile.open(fileobj=io.BytesIO(content), mode="r:gz") as archive:
        for member in archive:
            assert member.isfile(), member.name
            folder, _, name = member.name.partition("/")
            assert (folder, name) == ("package", Path(name).name)
            assert name not in found
            assert (member.uid, member.gid, member.uname, member.mode) == (0, 0, "", 0o644)
            held = archive.extractfile(member)
            assert held is not None
            found[name] = json.loads(held.read())
    return found


@pytest.mark.parametrize("version", VERSIONS)
def test_the_manifest_is_what_the_specification_asks_for(
    client: TestClient, version: FhirVersion
) -> None:
    manifest = unpacked(packed(client, version))["package.json"]
    assert re.fullmatch(r"[a-z][a-z0-9-]*(\.[a-z0-9-]+)+", manifest["name"])
    assert manifest["version"] == __version__
    assert manifest["fhirVersions"] == [version.number]
    assert manifest["dependencies"] == {f"hl7.fhir.{version}.core": version.number}
    assert manifest["canonical"] == CANONICAL_BASE
    assert re.fullmatch(r"\d{14}", manifest["date"])
    for required in ("description", "author", "license", "title"):
        assert manifest[required]


@pytest.mark.parametrize("version", VERSIONS)
def test_the_index_lists_every_file_as_it_is(client: TestClient, version: FhirVersion) -> None:
    files = unpacked(packed(client, version))
    index = files.pop(".index.json")
    del files["package.json"]
    listed = {entry["filename"]: entry for entry in index["files"]}
    assert set(listed) == set(files)
    assert len(listed) == len(index["files"])
    for name, resource in files.items():
        for key in ("resourceType", "id", "url", "version"):
            assert listed[name][key] == resource[key]
        if resource["resourceType"] == "StructureDefinition":
            assert listed[name]["type"] == resource["type"]
            assert listed[name]["kind"] == resource["kind"]
        else:
            assert "type" not in listed[name]


@pytest.mark.parametrize("version", VERSIONS)
def test_it_holds_every_definition_as_it_is_served(
    client: TestClient, version: FhirVersion
) -> None:
    files = unpacked(packed(client, version))
    held = {(r["resourceType"], r["id"]): r for r in files.values() if "resourceType" in r}
    assert set(held) == {(r["resourceType"], r["id"]) for r in definitions(DESK, version)}
    for (kind, own_id), resource in held.items():
        assert resource == client.get(f"/fhir/{version}/{kind}/{own_id}").json()
    profiles = [r for r in held.values() if r["resourceType"] == "StructureDefinition"]
    assert len(profiles) > 15
    assert all(r["snapshot"]["element"] and r["differential"]["element"] for r in profiles)


@pytest.mark.parametrize("version", VERSIONS)
def test_the_command_writes_the_same_bytes_that_the_route_answers(
    client: TestClient, version: FhirVersion, tmp_path: Path
) -> None:
    out = tmp_path / "made.tgz"
    ran = crossgrain("package", "--fhir", version, "--out", out)
    assert ran.returncode == 0
    assert out.read_bytes() == packed(client, version)
    assert f"crossgrain.{version} {__version__}: {out.stat().st_size} bytes" in ran.told
    assert out.read_bytes()[4:8] == bytes(4)  # RFC 1952: no time in the header


def test_a_package_that_cannot_be_written_is_an_error(tmp_path: Path) -> None:
    ran = crossgrain("package", "--out", tmp_path)
    assert ran.returncode == 1
    assert str(tmp_path) in ran.told_beside


def test_a_package_takes_no_option(client: TestClient) -> None:
    answer = client.get("/fhir/r4/package.tgz?patient=x")
    assert answer.status_code == 400
    assert answer.json()["issue"][0]["expression"] == ["http.patient"]


@pytest.mark.parametrize("version", VERSIONS)
def test_the_guide_lists_every_other_definition_and_is_named_by_the_capabilities(
    client: TestClient, version: FhirVersion
) -> None:
    (named,) = client.get(f"/fhir/{version}/metadata").json()["implementationGuide"]
    found = client.get(f"/fhir/{version}/ImplementationGuide", params={"url": named}).json()
    guide = found["entry"][0]["resource"]
    listed = [each["reference"]["reference"] for each in guide["definition"]["resource"]]
    others = [f"{r['resourceType']}/{r['id']}" for r in definitions(DESK, version)]
    assert sorted([*listed, "ImplementationGuide/crossgrain"]) == sorted(others)
    assert guide["packageId"] == f"crossgrain.{version}"
    assert guide["fhirVersion"] == [version.number]


@pytest.mark.parametrize("version", VERSIONS)
def test_it_says_what_every_deployment_offers_and_nothing_of_a_single_one(
    client: TestClient, version: FhirVersion
) -> None:
    content = packed(client, version)
    offered = unpacked(content)["CapabilityStatement-crossgrain.json"]
    assert offered["kind"] == "requirements"
    assert {"software", "implementation", "instantiates"}.isdisjoint(offered)  # cpb-16
    own = client.get(f"/fhir/{version}/metadata").json()
    assert own["instantiates"] == [offered["url"]]
    for said in (own, offered):
        del said["rest"][0]["security"]
    assert own["rest"] == offered["rest"]
    elsewhere = Settings(public_url="https://dose.example", cors_origins=("https://ehr.example",))
    with TestClient(create_app(elsewhere, load_catalogue())) as other:
        assert packed(other, version) == content


@pytest.mark.slow
@pytest.mark.skipif(NPM is None, reason="npm is not on this machine")
@pytest.mark.parametrize("version", VERSIONS)
def test_the_general_client_of_such_packages_reads_it(
    client: TestClient, version: FhirVersion, tmp_path: Path
) -> None:
    content = packed(client, version)
    (tmp_path / "made.tgz").write_bytes(content)
    ran = subprocess.run(
        [str(NPM), "pack", "--dry-run", "--json", "--offline", "./made.tgz"],
        cwd=tmp_path, capture_output=True, check=True, timeout=60,
    )  # fmt: skip
    (read,) = json.loads(ran.stdout)
    assert (read["name"], read["version"]) == (f"crossgrain.{version}", __version__)
    assert {file["path"] for file in read["files"]} == set(unpacked(content))
