"""``python -m tests.bench.serve``: the service under load, beside an echo of the same bodies.

All of it takes about twenty minutes, ``--quick`` two. Nothing here fails on
time; it fails where the service does not do the work that is to be measured.
"""

import argparse
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

from .aims import CONNECTIONS as AIMED_CONNECTIONS
from .aims import SIZE as AIMED_SIZE
from .bodies import TAILS
from .cells import Mix, loads
from .found import Found, as_json
from .hits import hits_of
from .load import TOOL, is_there
from .report import tables
from .sent import Sent, prepare
from .server import running
from .soak import soak
from .starts import starts

PARTS = ("start", "load", "mixes", "soak")
"""`load`: every plan made, at all sizes and numbers of connections; `mixes`: all of them at one."""


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
    with running() as server:
        for size in sorted({AIMED_SIZE, *asked.sizes}):
            _say(f"checking the bodies of {size} resources")
            found.sent.append(prepare(server, size, folder))
        _say("checking the bodies of rare doses")
        common, rare = found.sent[0], prepare(server, AIMED_SIZE, folder, rare=True)
        found.sent.append(rare)
    if "mixes" in asked.parts:
        _load((common, rare), tuple(Mix), [AIMED_CONNECTIONS], asked, found)
        for cell in [cell for cell in found.cells if cell.mix.once]:
            _say(f"counting the plans that were at hand in the {cell.mix}")
            sent = rare if cell.mix is Mix.RARE else common
            found.hits[cell.mix] = hits_of(sent, cell.sent)
    if "load" in asked.parts:
        _load(found.sent[:-1], (Mix.MADE, Mix.ECHO), asked.connections, asked, found)
    if "soak" in asked.parts:
        with running() as server:
            _say(f"soaking: {asked.soak_requests} requests")
            found.soak = soak(server, (rare, *[common] * 4), asked.soak_requests)


def _load(
    sent: Sequence[Sent],
    mixes: Sequence[Mix],
    connections: Sequence[int],
    asked: argparse.Namespace,
    found: Found,
) -> None:
    for cell in loads(sent, mixes, connections, asked.seconds, asked.rounds):
        _say(f"{cell.size} resources, {cell.connections} connections, {cell.mix}: done")
        found.cells.append(cell)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.serve", description=__doc__)
    parser.add_argument("--parts", nargs="+", choices=PARTS, help="quick: start, mixes")
    parser.add_argument("--sizes", nargs="+", type=int, choices=TAILS, default=list(TAILS))
    parser.add_argument("--connections", nargs="+", type=int, help="default: 1 16 128; quick: 1 16")
    parser.add_argument("--seconds", type=float, help="of each round (default 5; quick 2)")
    parser.add_argument("--rounds", type=int, help="the mixes in turn (default 2; quick 1)")
    parser.add_argument("--starts", type=int, help="starts measured (default 7; quick 2)")
    parser.add_argument("--soak-requests", type=int, default=100_000)
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the figures there too")
    parser.add_argument("--quick", action="store_true", help="a minute's look")
    asked = parser.parse_args()
    for name, whole, quick in (
        ("parts", PARTS, ("start", "mixes")),
        ("connections", [1, 16, 128], [1, 16]),
        ("seconds", 5.0, 2.0),
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
