"""The example proxy in front of a real service: what it keeps from it, and what callers see.

Needs nginx. The shipped file is run as it stands but for its places and, so as not to wait, its
times and numbers.
"""

import json
import re
import shutil
import socket
import ssl
import struct
import subprocess
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import httpx2 as httpx
import pytest
from tests.api.calls import FHIR, RECORD
from tests.api.faults.calls import HEAD, outcome_of, rest_of
from tests.api.servers import ASKED, Server, free_port, until_live

NGINX = shutil.which("nginx", path="/usr/sbin:/usr/bin:/usr/local/bin")
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(NGINX is None, reason="install nginx first"),
]
CONFIGURATION = (Path(__file__).parents[3] / "docker" / "nginx.conf").read_text()
DOCUMENT = (Path(__file__).parents[3] / "openapi" / "openapi.json").read_bytes()
PLACES, CONNECTIONS = 2, 20


@dataclass
class Proxy:
    """A running proxy, the service behind it, and where it keeps its files."""

    port: int
    service: Server
    folder: Path

    @property
    def base(self) -> str:
        return f"https://127.0.0.1:{self.port}"

    def ask(self, **more: str) -> httpx.Response:
        """Ask for a plan that can be made, by a connection of its own."""
        with self.client() as client:
            return client.post(f"{self.base}{ASKED}", content=RECORD, headers=FHIR | more)

    def client(self) -> httpx.Client:
        return httpx.Client(verify=_trusting(), timeout=20)

    def connect(self) -> ssl.SSLSocket:
        """A bare connection within TLS."""
        plain = socket.create_connection(("127.0.0.1", self.port), timeout=10)
        return _trusting().wrap_socket(plain)


def _trusting() -> ssl.SSLContext:
    """The certificate is this test's own."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    return context


def placed(text: str, folder: Path, port: int, service: int) -> str:
    """The configuration with the places of this machine: each of them must be there to change."""
    places = {
        "listen 8443 ssl;": f"listen 127.0.0.1:{port} ssl;",
        "server 127.0.0.1:8000;": f"server 127.0.0.1:{service};",
        "/etc/nginx/tls/": f"{folder}/",
        "/dev/stderr crit": f"{folder}/errors.log crit",
        "/tmp/": f"{folder}/",
    }
    assert [old for old in places if old not in text] == []
    return re.sub("|".join(map(re.escape, places)), lambda found: places[found[0]], text)


def hurried(text: str) -> str:
    """The configuration with less patience, and rates that one test can reach."""
    for name, value in (
        ("client_header_timeout", "1s"),
        ("client_body_timeout", "1s"),
        ("send_timeout", "1s"),
        ("keepalive_timeout", "2s"),
    ):
        text, changed = re.subn(rf"\b{name} \d+s;", f"{name} {value};", text)
        assert changed == 1, name
    assert "limit_conn open 100;" in text
    return text.replace("limit_conn open 100;", f"limit_conn open {CONNECTIONS};")


def certified(folder: Path) -> None:
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "1", "-subj",
         "/CN=dose.example.org", "-keyout", folder / "tls.key", "-out", folder / "tls.crt"],
        check=True, capture_output=True, timeout=60,
    )  # fmt: skip


@pytest.fixture(scope="module")
def proxy(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Proxy]:
    folder = tmp_path_factory.mktemp("proxy")
    certified(folder)
    settings = {"CROSSGRAIN_MAX_IN_FLIGHT": str(PLACES), "CROSSGRAIN_BODY_SECONDS": "20"}
    with Server(folder / "words.txt", settings=settings) as service:
        try:
            until_live(service.base)
            port = free_port()
            file = folder / "nginx.conf"
            file.write_text(hurried(placed(CONFIGURATION, folder, port, service.port)))
            command = [str(NGINX), "-c", str(file), "-p", str(folder), "-g", "daemon off;"]
            with subprocess.Popen(command, stderr=subprocess.DEVNULL) as running:
                try:
                    _until_open(port)
                    yield Proxy(port, service, folder)
                finally:
                    running.terminate()
        finally:
            service.kill()


def _until_open(port: int) -> None:
    for _ in range(200):
        try:
            socket.create_connection(("127.0.0.1", port), timeout=1).close()
        except OSError:
            time.sleep(0.05)
        else:
            return
    pytest.fail("the proxy did not start")


def test_the_configuration_is_sound_as_shipped(tmp_path: Path) -> None:
    certified(tmp_path)
    file = tmp_path / "nginx.conf"
    file.write_text(placed(CONFIGURATION, tmp_path, 8443, 8000))
    command = [str(NGINX), "-t", "-c", str(file), "-p", str(tmp_path)]
    ran = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
    assert ran.returncode == 0, ran.stderr
    file.write_text(file.read_text().replace("limit_req_status 429;", "limit_req_status many;"))
    assert subprocess.run(command, capture_output=True, check=False, timeout=60).returncode != 0


def test_an_answer_is_the_services_own_to_the_byte(proxy: Proxy) -> None:
    assert proxy.ask().content == proxy.service.ask().content


def test_a_head_that_trickles_is_closed(proxy: Proxy) -> None:
    with proxy.connect() as connection:
        began = time.monotonic()
        connection.sendall(HEAD.encode()[:40])
        assert rest_of(connection) == b""
        assert time.monotonic() - began < 4


def test_bodies_that_trickle_take_no_place_in_the_service(proxy: Proxy) -> None:
    """More of them than the service has places: without the proxy the next caller is shed."""
    slow = [proxy.connect() for _ in range(3 * PLACES)]
    for connection in slow:
        connection.sendall(f"{HEAD}Content-Length: {len(RECORD)}\r\n\r\n".encode() + RECORD[:1000])
    assert proxy.ask().status_code == 200
    for connection in slow:
        rest_of(connection)
        connection.close()


def test_a_body_is_never_written_to_a_disk(proxy: Proxy) -> None:
    with proxy.connect() as connection:
        connection.sendall(f"{HEAD}Content-Length: 3000000\r\n\r\n".encode() + b" " * 2_900_000)
        time.sleep(0.5)
        assert [path for path in (proxy.folder / "body").rglob("*") if path.is_file()] == []


def test_an_answer_that_is_not_read_is_given_up_and_holds_no_place(proxy: Proxy) -> None:
    """As many callers as the service has places ask for the longest answer, and read nothing."""
    asked = b"GET /openapi.json HTTP/1.1\r\nHost: x\r\n\r\n"
    deaf = [_deaf(proxy.port) for _ in range(4 * PLACES)]
    for connection in deaf:
        connection.sendall(asked * 4)
    soon = time.monotonic() + 3  # all of them are being answered: one more is shed for a moment
    while proxy.ask().status_code != 200:
        assert time.monotonic() < soon
    assert _stuck(proxy.port)
    until = time.monotonic() + 10
    while _stuck(proxy.port):
        assert time.monotonic() < until, "the proxy still holds them"
        time.sleep(0.2)
    for connection in deaf:
        connection.close()


def _stuck(port: int) -> int:
    """How many connections the system holds at this end with bytes that are not taken."""
    rows = [line.split() for line in Path("/proc/net/tcp").read_text().splitlines()[1:]]
    ours = [row for row in rows if row[1].endswith(f":{port:04X}")]
    return sum(row[3] == "01" and int(row[4].partition(":")[0], 16) > 0 for row in ours)


def _deaf(port: int) -> ssl.SSLSocket:
    """A connection with room for little that was not read."""
    plain = socket.socket()
    plain.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    plain.settimeout(10)
    plain.connect(("127.0.0.1", port))
    return _trusting().wrap_socket(plain)


@pytest.mark.parametrize(
    ("sent", "expected"),
    [
        ("GET /fhir/r4/metadata HTTP/1.1\r\n\r\n", (400, "structure")),
        ("GET /livez HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n", (404, "not-found")),
        (f"{HEAD}Content-Length: 8388609\r\n\r\n", (413, "too-long")),
        (f"GET /{'a' * 17_000} HTTP/1.1\r\nHost: x\r\n\r\n", (414, "too-long")),
        (f"GET / HTTP/1.1\r\nHost: x\r\nX: {'a' * 17_000}\r\n\r\n", (431, "too-long")),
    ],
    ids=["no host", "a probe", "a body too large", "an address too long", "headers too large"],
)
def test_a_refusal_of_the_proxys_own_is_an_outcome(
    proxy: Proxy, sent: str, expected: tuple[int, str]
) -> None:
    with proxy.connect() as connection:
        connection.sendall(sent.encode())
        assert outcome_of(rest_of(connection)) == expected


def test_a_caller_that_sends_too_much_is_429_and_told_when_to_come_back(proxy: Proxy) -> None:
    place = f"{proxy.base}/fhir/r4/CodeSystem/target"
    with proxy.client() as client, ThreadPoolExecutor(4) as callers:  # several, for slow machines
        answers = list(callers.map(client.get, [place] * 120))
    turned_away = [answer for answer in answers if answer.status_code == 429]
    assert {answer.status_code for answer in answers} - {503} == {200, 429}  # 503: all places taken
    assert len(answers) - len(turned_away) >= 40  # the burst that is let through
    assert turned_away[0].headers["retry-after"] == "1"
    assert turned_away[0].json()["issue"][0]["code"] == "throttled"
    time.sleep(2)  # the bucket empties
    assert proxy.ask().status_code == 200


def test_a_caller_that_holds_too_many_connections_is_429(proxy: Proxy) -> None:
    held = [proxy.connect() for _ in range(CONNECTIONS)]
    for connection in held:
        connection.sendall(HEAD.encode() + b"Content-Length: 9\r\n\r\n")
    time.sleep(0.2)
    with proxy.connect() as connection:
        connection.sendall(b"GET / HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n")
        head, _, body = rest_of(connection).partition(b"\r\n\r\n")
    assert head.startswith(b"HTTP/1.1 429 ")
    assert json.loads(body)["issue"][0]["code"] == "throttled"
    for connection in held:
        connection.close()
    time.sleep(2)


def test_a_caller_who_resets_leaves_the_service_untouched(proxy: Proxy) -> None:
    before = proxy.ask().content
    for _ in range(3 * PLACES):
        with proxy.connect() as connection:
            connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            connection.sendall(HEAD.encode() + b"Content-Length: 9\r\n\r\n")
    assert proxy.ask().content == before


def test_nothing_of_a_query_or_a_body_is_logged_by_the_proxy(proxy: Proxy) -> None:
    marked = "zebra-marked"
    with proxy.client() as client:
        client.get(f"{proxy.base}/fhir/r4/metadata?{marked}=1")
    assert marked not in (proxy.folder / "errors.log").read_text()


def test_where_the_service_cannot_be_reached_it_is_503(proxy: Proxy) -> None:
    """Last, for it ends the service."""
    proxy.service.kill()
    proxy.service.wait()
    answer = proxy.ask()
    assert (answer.status_code, answer.headers["retry-after"]) == (503, "5")
    assert answer.json()["issue"][0]["code"] == "transient"
    assert "target=" not in (proxy.folder / "errors.log").read_text()
