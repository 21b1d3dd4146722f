"""The container and the cluster's manifest, as far as they can be judged without running them."""

import re
from pathlib import Path
from typing import Any

import kubernetes_validate
import pytest
import yaml

from crossgrain import __version__
from crossgrain.http.settings import Settings

ROOT = Path(__file__).parents[2]
DOCKER = ROOT / "docker"
DOCKERFILE = (DOCKER / "Dockerfile").read_text()
IMAGES = ("night", "service")
MANIFESTS: list[dict[str, Any]] = [
    m for m in yaml.safe_load_all((DOCKER / "kubernetes.yaml").read_text()) if m
]
COMPOSE = yaml.safe_load((DOCKER / "compose.yaml").read_text())["services"]["crossgrain"]


def of_kind(kind: str) -> dict[str, Any]:
    (found,) = [manifest for manifest in MANIFESTS if manifest["kind"] == kind]
    return found


POD = of_kind("Deployment")["spec"]["template"]["spec"]
(CONTAINER,) = POD["containers"]


@pytest.mark.parametrize("manifest", MANIFESTS, ids=lambda manifest: manifest["kind"])
def test_each_manifest_holds_to_the_published_schema(manifest: dict[str, Any]) -> None:
    kubernetes_validate.validate(manifest, "1.31", strict=True)


def test_the_pod_runs_as_nobody_and_writes_nothing() -> None:
    assert POD["securityContext"]["runAsNonRoot"] is True
    assert POD["automountServiceAccountToken"] is False
    security = CONTAINER["securityContext"]
    assert security["readOnlyRootFilesystem"] is True
    assert security["allowPrivilegeEscalation"] is False
    assert security["capabilities"]["drop"] == ["ALL"]


def test_the_probes_ask_what_is_served() -> None:
    assert CONTAINER["livenessProbe"]["httpGet"]["path"] == "/livez"
    assert CONTAINER["readinessProbe"]["httpGet"]["path"] == "/readyz"
    assert CONTAINER["startupProbe"]["httpGet"]["path"] == "/livez"


def test_the_pod_is_given_longer_to_stop_than_its_requests() -> None:
    data = of_kind("ConfigMap")["data"]
    drain, rest = (int(data[f"CROSSGRAIN_{name}_SECONDS"]) for name in ("DRAIN", "SHUTDOWN"))
    assert drain > 0
    assert POD["terminationGracePeriodSeconds"] > drain + rest + 5  # closing what is held open


def test_the_autoscaler_scales_the_deployment() -> None:
    spec = of_kind("HorizontalPodAutoscaler")["spec"]
    assert spec["scaleTargetRef"]["name"] == of_kind("Deployment")["metadata"]["name"]
    assert 1 < spec["minReplicas"] < spec["maxReplicas"]
    assert "replicas" not in of_kind("Deployment")["spec"]  # it would undo what was scaled


def test_every_setting_that_is_set_exists_and_is_valid(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    known = {f"CROSSGRAIN_{name.upper()}" for name in Settings.model_fields}
    data = of_kind("ConfigMap")["data"]
    assert set(data) <= known
    for name, secret in of_kind("Secret")["stringData"].items():
        assert name.upper() in known
        (tmp_path / name).write_text(secret)
    for name, value in data.items():
        monkeypatch.setenv(name, value)
    settings = Settings(_secrets_dir=tmp_path)
    assert (settings.cds_auth, settings.fhir_auth) == ("jwt", "jwks")
    assert settings.jti_store is not None
    own = {name for name in COMPOSE["environment"] if name.startswith("CROSSGRAIN_")}
    assert own <= known


def test_each_image_is_built_apart_from_what_builds_it_and_of_an_unprivileged_user() -> None:
    from_what = re.findall(r"^FROM (\S+) AS (\S+)$", DOCKERFILE, re.MULTILINE)
    stages = {name: base for base, name in from_what}
    assert len(stages) == len(re.findall(r"^FROM ", DOCKERFILE, re.MULTILINE))
    finals = re.split(r"^FROM ", DOCKERFILE, flags=re.MULTILINE)[-2:]
    assert [final.split()[:3] for final in finals] == [["user", "AS", name] for name in IMAGES]
    assert stages["user"] not in stages  # a published base, not a stage that builds
    own = f"{POD['securityContext']['runAsUser']}:{POD['securityContext']['runAsGroup']}"
    assert re.findall(r"^USER (.+)$", DOCKERFILE, re.MULTILINE) == [own, own]
    assert all(f"USER {own}" in final for final in finals)
    assert "HEALTHCHECK" in DOCKERFILE
    assert "/readyz" in DOCKERFILE


def test_the_image_copies_what_the_wheel_needs() -> None:
    copied = set(re.findall(r"^COPY (.+) \S+$", DOCKERFILE, re.MULTILINE))
    assert {"service", "openapi", "fixtures"} <= copied


def test_the_composed_service_is_reached_from_its_own_machine_alone() -> None:
    assert COMPOSE["ports"] == ["127.0.0.1:8000:8000"]
    assert COMPOSE["read_only"] is True
    assert COMPOSE["cap_drop"] == ["ALL"]


def test_the_manifest_names_this_version() -> None:
    assert CONTAINER["image"] == f"crossgrain:{__version__}"
