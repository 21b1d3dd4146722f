"""``python -m tests.bench.serve``: the service under load, beside an echo of the same bodies.

All of it takes about a quarter of an hour, ``--quick`` less than a minute. Nothing here fails on
time; it fails where the service does not do the work that is to be measured.
"""

import argparse
import sys
import tempfile
from pathlib import Path

from .aims import CONNECTIONS as AIMED_CONNECTIONS
from .bodies import TAILS
from .cells import loads
from .found import Found, as_json
from .load import TOOL, is_there
from .report import tables
from .sent import prepare
from .server import Server, running
from .soak import soak
from .starts import starts

PARTS = ("start", "load", "made", "soak")
"""`made`: load on a service that keeps no plan, so that each is made anew."""


def main() -> int:
    """Measure what was asked for, print it, write it."""
    asked = _arguments()
    if not is_there():
        print(f"{TOOL} is not installed: nothing measured", file=sys.stderr)
        return 1
    found = Found()
    if "start" in asked.parts:
        _say("starting the service")
        found.starts = starts(asked.starts)
    with tempfile.TemporaryDirectory() as folder:
        _under_load(Path(folder), asked, found)
    print(tables(found))
    if asked.json:
        asked.json.write_text(as_json(found) + "\n", "utf-8")
    return 0


def _under_load(folder: Path, asked: argparse.Namespace, found: Found) -> None:
    if "load" in asked.parts:
        with running() as server:
            _prepare(server, folder, asked, found)
            _load(server, asked.connections, asked, found)
    if "made" in asked.parts:
        with running(plans_kept="0") as server:
            found.sent = []
            _prepare(server, folder, asked, found)
            _load(server, [AIMED_CONNECTIONS], asked, found, plans_kept=False)
    if "soak" in asked.parts:
        with running() as server:
            _say(f"soaking: {asked.soak_requests} requests")
            common = prepare(server, 25, folder)
            rare = prepare(server, 25, folder, rare=True)
            found.sent.append(rare)
            found.soak = soak(server, (rare, *[common] * 4), asked.soak_requests)


def _prepare(server: Server, folder: Path, asked: argparse.Namespace, found: Found) -> None:
    for size in asked.sizes:
        _say(f"checking the bodies of {size} resources")
        found.sent.append(prepare(server, size, folder))


def _load(
    server: Server,
    connections: list[int],
    asked: argparse.Namespace,
    found: Found,
    *,
    plans_kept: bool = True,
) -> None:
    cells = loads(
        server, found.sent, connections, asked.seconds, asked.rounds, plans_kept=plans_kept
    )
    for cell in cells:
        _say(f"{cell.size} resources, {cell.connections} connections, {cell.route}: done")
        found.cells.append(cell)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.serve", description=__doc__)
    parser.add_argument("--parts", nargs="+", choices=PARTS, help="default: all; quick: no soak")
    parser.add_argument("--sizes", nargs="+", type=int, choices=TAILS, default=list(TAILS))
    parser.add_argument("--connections", nargs="+", type=int, help="default: 1 16 128; quick: 1 16")
    parser.add_argument("--seconds", type=float, help="of each round (default 5; quick 1)")
    parser.add_argument("--rounds", type=int, help="proposal and echo in turn (default 2; quick 1)")
    parser.add_argument("--starts", type=int, help="starts measured (default 7; quick 2)")
    parser.add_argument("--soak-requests", type=int, default=100_000)
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the figures there too")
    parser.add_argument("--quick", action="store_true", help="a minute's look")
    asked = parser.parse_args()
    for name, whole, quick in (
        ("parts", PARTS, ("start", "load", "made")),
        ("connections", [1, 16, 128], [1, 16]),
        ("seconds", 5.0, 1.0),
        ("rounds", 2, 1),
        ("starts", 7, 2),
    ):
        if getattr(asked, name) is None:
            setattr(asked, name, quick if asked.quick else whole)
    return asked


def _say(what: str) -> None:
    print(what, file=sys.stderr, flush=True)


if __name__ == "__main__":
    sys.exit(main())
