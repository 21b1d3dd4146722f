"""The service on the day on which the invented patients are read."""

from collections.abc import Iterator
from datetime import UTC, datetime, time

import pytest
from fastapi.testclient import TestClient
from tests.conformance.patients import AS_OF, CATALOGUE

from crossgrain.app.factory import create_app
from crossgrain.http.settings import Settings


@pytest.fixture(scope="session")
def client() -> Iterator[TestClient]:
    stopped = datetime.combine(AS_OF, time(12), UTC)
    with TestClient(create_app(Settings(), CATALOGUE, clock=lambda: stopped)) as client:
        yield client
