"""The reference page: all that the OpenAPI document says of each route, and nothing else."""

import html
import json
import re

import pytest
from fastapi.testclient import TestClient

from crossgrain.http.routes import packaged

DOCUMENT = json.loads(packaged())
OPERATIONS = [
    (path, method, operation)
    for path, item in DOCUMENT["paths"].items()
    for method, operation in item.items()
    if not path.startswith("/fhir/r5")
]


@pytest.fixture
def page(client: TestClient) -> str:
    answer = client.get("/docs")
    assert answer.status_code == 200
    assert answer.headers["content-type"].startswith("text/html")
    return html.unescape(answer.text)


def section(page: str, own_id: str) -> str:
    _, _, after = page.partition(f'<section id="{own_id}"')
    assert after, own_id
    return after.partition("</section>")[0]


def test_every_route_is_told_with_its_parameters_and_its_statuses(page: str) -> None:
    for path, method, operation in OPERATIONS:
        told = section(page, operation["operationId"])
        assert f"<b>{method.upper()}</b> <code>{path}</code>" in told
        named = re.findall(r'<th scope="row"><code>([^<]+)</code>', told)
        assert named == [each["name"] for each in operation.get("parameters", ())]
        assert re.findall(r"<dt>(\d+)</dt>", told) == list(operation["responses"])
        for response in operation["responses"].values():
            assert response["description"] in told


def test_every_example_is_shown_or_named(page: str) -> None:
    counted = 0
    for _, _, operation in OPERATIONS:
        told = section(page, operation["operationId"])
        for content in operation["responses"]["200"].get("content", {}).values():
            for name in content.get("examples", ()):
                counted += 1
                assert DOCUMENT["components"]["examples"][name]["summary"] in told
    assert counted > 10


def test_it_loads_nothing_from_elsewhere_and_runs_no_script(client: TestClient) -> None:
    answer = client.get("/docs")
    assert "<script" not in answer.text
    assert re.findall(r'(?:src|href)="(?!#)([^"]+)"', answer.text) == ["/openapi.json", "/"]
    policy = answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "http" not in policy
