"""A copy of the OSV advisories, answering as OSV's own query interface does.

So the tool that asks over the network can ask a copy at hand. The copy is a folder of JSON files,
or the archive of them that OSV exports for PyPI.
"""

import json
import threading
import zipfile
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from packaging.utils import canonicalize_name, canonicalize_version
from packaging.version import Version

Advisory = Mapping[str, Any]


class Copy:
    """The advisories on Python packages, by the package's canonical name."""

    def __init__(self, advisories: Iterable[Advisory]) -> None:
        self._by_name: dict[str, list[Advisory]] = defaultdict(list)
        self.newest = ""
        for advisory in advisories:
            self.newest = max(self.newest, advisory["modified"])
            for name in {name for name, _ in _affected(advisory)}:
                self._by_name[name].append(advisory)
        if not self._by_name:
            raise ValueError("the copy holds no advisory on a Python package")

    def on(self, name: str, version: str) -> list[Advisory]:
        """Those that say this version of the package is affected."""
        wanted, asked = canonicalize_name(name), Version(version)
        return [
            advisory
            for advisory in self._by_name.get(wanted, ())
            if any(name == wanted and _hits(part, asked) for name, part in _affected(advisory))
        ]


def read_copy(path: Path) -> Copy:
    """Read a folder or an archive."""
    if path.is_dir():
        return Copy(json.loads(file.read_bytes()) for file in sorted(path.rglob("*.json")))
    with zipfile.ZipFile(path) as archive:
        names = [name for name in archive.namelist() if name.endswith(".json")]
        return Copy(json.loads(archive.read(name)) for name in names)


@contextmanager
def answering(copy: Copy) -> Iterator[str]:
    """The address at which the copy answers, on this machine alone."""

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            asked = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
            found = copy.on(asked["package"]["name"], asked["version"])
            body = json.dumps({"vulns": found} if found else {}).encode()
            self.send_response(200)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, format: str, *args: Any) -> None:  # noqa: A002 - as it is overridden
            """Say nothing of each call."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        yield f"http://127.0.0.1:{server.server_port}/v1/query"
    finally:
        server.shutdown()
        server.server_close()


def _affected(advisory: Advisory) -> list[tuple[str, Mapping[str, Any]]]:
    """What it says of each Python package, by the package's canonical name."""
    return [
        (canonicalize_name(part["package"]["name"]), part)
        for part in advisory.get("affected", ())
        if part.get("package", {}).get("ecosystem") == "PyPI"
    ]


def _hits(part: Mapping[str, Any], version: Version) -> bool:
    """Whether a version is listed, or lies in a range. OSV schema 1.6, section "Evaluation"."""
    listed = {canonicalize_version(one) for one in part.get("versions", ())}
    ranges = [one for one in part.get("ranges", ()) if one["type"] == "ECOSYSTEM"]
    return canonicalize_version(version) in listed or any(
        _within(one["events"], version) for one in ranges
    )


def _within(events: Iterable[Mapping[str, str]], version: Version) -> bool:
    timeline = sorted((Version(at), kind) for event in events for kind, at in event.items())
    affected = False
    for at, kind in timeline:
        if kind == "introduced" and (version >= at or at == Version("0")):
            affected = True
        elif (kind == "fixed" and version >= at) or (kind == "last_affected" and version > at):
            affected = False
    return affected
