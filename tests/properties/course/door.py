"""One call over HTTP, in process. The only module here that knows the service."""

import json
from datetime import datetime, time, timedelta
from functools import cache, cached_property
from typing import Any
from zoneinfo import ZoneInfo

from fastapi.testclient import TestClient
from tests.properties.titration.grid import AS_OF

from crossgrain.app.factory import create_app
from crossgrain.catalogue import load_catalogue
from crossgrain.http.settings import Settings

Json = dict[str, Any]


class Refused(Exception):
    """A call that the service answers by an error, with its words."""


class Service:
    """The service, its clock set to a day of the course."""

    def __init__(self) -> None:
        self._noon = datetime.combine(AS_OF, time(12), ZoneInfo("UTC"))
        app = create_app(Settings(), load_catalogue(), clock=lambda: self._noon)
        self._client = TestClient(app)

    @cached_property
    def questionnaire(self) -> str:
        """The canonical of the questions that a patient is asked at every visit."""
        asked = self._client.get("/fhir/r4/Questionnaire/how-it-goes").json()
        return f"{asked['url']}|{asked['version']}"

    def ask(self, operation: str, day: int, call: Json) -> Json:
        """The answer of an operation, or `Refused`."""
        self._noon = datetime.combine(AS_OF + timedelta(day), time(12), ZoneInfo("UTC"))
        answer = self._client.post(
            f"/fhir/r4/{operation}",
            content=json.dumps(call),
            headers={"content-type": "application/fhir+json"},
        )
        if answer.status_code == 422:
            raise Refused(answer.json()["issue"][0]["diagnostics"])
        assert answer.status_code == 200, f"{answer.status_code}: {answer.text}"
        body: Json = answer.json()
        return body


@cache
def service() -> Service:
    """One for a process."""
    return Service()
