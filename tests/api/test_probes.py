"""The service says that it lives, and says no more than that."""

from fastapi.testclient import TestClient

from crossgrain import __version__


def test_it_lives(client: TestClient) -> None:
    answer = client.get("/livez")
    assert (answer.status_code, answer.json()) == (200, {"status": "live"})


def test_it_is_ready_and_names_its_version(client: TestClient) -> None:
    answer = client.get("/readyz")
    assert (answer.status_code, answer.json()) == (
        200,
        {"status": "ready", "version": __version__},
    )


def test_a_probe_by_head_has_no_body(client: TestClient) -> None:
    answer = client.head("/livez")
    assert (answer.status_code, answer.content) == (200, b"")
