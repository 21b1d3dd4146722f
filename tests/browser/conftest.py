"""A real Chromium and the service it looks at."""

import shutil
import socket
import threading
import time
from collections.abc import Callable, Iterator

import pytest
import uvicorn
from playwright.sync_api import Browser, Page, sync_playwright
from tests.conformance.patients import CATALOGUE

from crossgrain.app.factory import create_app
from crossgrain.http.settings import Settings

CHROMIUM = shutil.which("chromium")

Open = Callable[..., Page]
"""Opens a page of a given width and colour scheme, and fails the test for what it complains of,
`but` for one thing that is meant."""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    if CHROMIUM is None:
        pytest.skip("chromium is not on this machine")
    # One browser per module: while it runs, its event loop keeps others from starting.
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"]
        )
        yield browser
        browser.close()


@pytest.fixture
def open_page(browser: Browser) -> Iterator[Open]:
    complaints: list[str] = []
    contexts = []

    def open_(
        width: int = 1400, scheme: str = "light", *, script: bool = True, but: str = "nothing"
    ) -> Page:
        context = browser.new_context(
            viewport={"width": width, "height": 900},
            color_scheme=scheme,
            java_script_enabled=script,
            accept_downloads=True,
        )
        context.set_default_timeout(10_000)
        contexts.append(context)
        page = context.new_page()
        page.on(
            "console",
            lambda said: but in said.text or complaints.append(f"console: {said.text}"),
        )
        page.on("pageerror", lambda error: complaints.append(f"error: {error}"))
        page.on("dialog", lambda dialog: complaints.append(f"dialog: {dialog.message}"))
        return page

    yield open_
    for context in contexts:
        context.close()
    assert complaints == []


@pytest.fixture(scope="module")
def service() -> Iterator[str]:
    """The service on a port of its own."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    app = create_app(Settings(), CATALOGUE)
    server = uvicorn.Server(uvicorn.Config(app, port=port, log_level="error", access_log=False))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    for _ in range(200):
        if server.started:
            break
        time.sleep(0.05)
    yield f"http://127.0.0.1:{port}"
    server.should_exit = True
    thread.join(timeout=10)
