"""The service over the shipped catalogue, with the clock stopped in a zone that is not UTC."""

import json
from collections.abc import Callable, Iterator
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import httpx2 as httpx
import pytest
from fastapi.testclient import TestClient

from crossgrain.app.factory import create_app
from crossgrain.catalogue import Catalogue, load_catalogue
from crossgrain.http.settings import Settings

from .calls import FHIR, PROPOSE, RECORD

# 23:30 on 2 March in Lisbon is already 3 March in Helsinki.
STOPPED = datetime(2025, 3, 2, 23, 30, tzinfo=ZoneInfo("Europe/Lisbon"))

Post = Callable[..., httpx.Response]


@pytest.fixture(scope="session")
def catalogue() -> Catalogue:
    return load_catalogue()


@pytest.fixture(scope="session")
def client(catalogue: Catalogue) -> Iterator[TestClient]:
    app = create_app(Settings(max_body_bytes=200_000), catalogue, clock=lambda: STOPPED)
    with TestClient(app, raise_server_exceptions=False) as client:
        yield client


@pytest.fixture
def record() -> dict[str, Any]:
    """The first invented patient, fresh for each test."""
    bundle: dict[str, Any] = json.loads(RECORD)
    return bundle


@pytest.fixture
def post(client: TestClient) -> Post:
    """Send a resource as FHIR JSON."""

    def send(
        resource: Any, query: str = "", route: str = PROPOSE, **headers: str
    ) -> httpx.Response:
        content = resource if isinstance(resource, bytes) else json.dumps(resource).encode()
        sent = FHIR | {name.replace("_", "-"): value for name, value in headers.items()}
        return client.post(f"{route}{query}", content=content, headers=sent)

    return send


@pytest.fixture
def parameters(record: dict[str, Any]) -> Callable[..., dict[str, Any]]:
    """A Parameters resource with the record first, so that an option is parameter[1] and on."""

    def build(*options: dict[str, Any]) -> dict[str, Any]:
        return {
            "resourceType": "Parameters",
            "parameter": [{"name": "record", "resource": record}, *options],
        }

    return build
