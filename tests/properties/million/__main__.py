"""``python -m tests.properties.million --records 1000000 --seed 1 --log DIR``.

Makes records by number, sends each through the service and holds its answer to the truth. The
tally is written to the log after every block, so that a run that was stopped goes on where it was,
and says how far it came. What fails is written with its number: ``--show NUMBER`` makes it again.
"""

import argparse
import gc
import json
import time
import traceback
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from hashlib import sha256
from multiprocessing import Pool
from pathlib import Path

from tests.properties.million.one import run, sent
from tests.properties.million.people import BLOCK, person
from tests.properties.million.service import plans_made

LOOKED_FOR_CYCLES = 20 * BLOCK
"""To look through all that is kept takes as long as half a block of records."""
AGAIN = 7
"""The first records of a block, asked again after all others: their bytes must not have changed."""


@dataclass
class Tally:
    """What came of the records so far."""

    seed: int
    done: int = 0
    seconds: float = 0.0
    outcomes: Counter[str] = field(default_factory=Counter)
    failures: list[dict[str, object]] = field(default_factory=list)
    asked_again: int = 0
    plans_made: int = 0
    """How often a plan had to be made; the others were those of an earlier patient."""


def block(of: tuple[int, int, int]) -> Tally:
    """Run the records of one block."""
    seed, first, last = of
    tally, began = Tally(seed, last - first), time.process_time()
    before = plans_made()
    gc.disable()  # no answer refers to itself, and to look for those that do costs a millisecond
    digests: dict[int, bytes] = {}
    for number in [*range(first, last), *range(first, min(first + AGAIN, last))]:
        try:
            ends, body = run(seed, number)
        except Exception as failure:
            tally.failures.append(_told(number, failure))
            ends, body = "failed", b""
        digest = sha256(body).digest()
        if number not in digests:
            digests[number] = digest
            tally.outcomes[ends] += 1
            continue
        tally.asked_again += 1
        if digests[number] != digest:
            tally.failures.append({"number": number, "what": "other bytes when asked again"})
    tally.plans_made = plans_made() - before
    gc.enable()
    if first % LOOKED_FOR_CYCLES == 0:
        gc.collect()
    tally.seconds = time.process_time() - began
    return tally


def _told(number: int, failure: Exception) -> dict[str, object]:
    place = traceback.extract_tb(failure.__traceback__)[-1]
    what = f"{type(failure).__name__}: {failure}"
    return {"number": number, "what": what, "where": f"{place.name}:{place.lineno}"}


def resumed(log: Path, seed: int) -> Tally:
    """The tally of an earlier run of the same seed, or a new one."""
    if not log.exists():
        return Tally(seed)
    told = json.loads(log.read_text())
    if told["seed"] != seed:
        raise SystemExit(f"{log} is of seed {told['seed']}")
    return Tally(**{**told, "outcomes": Counter(told["outcomes"])})


def tallies(seed: int, first: int, records: int, workers: int) -> Iterator[Tally]:
    """Blocks in their order, by one process or several."""
    blocks = [(seed, start, min(start + BLOCK, records)) for start in range(first, records, BLOCK)]
    if workers == 1:
        yield from map(block, blocks)
    else:
        with Pool(workers) as pool:
            yield from pool.imap(block, blocks)


def main() -> int:
    """Run, and say what came of it; 1 where anything failed."""
    options = argparse.ArgumentParser(prog="tests.properties.million")
    options.add_argument("--records", type=int, default=20_000)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--workers", type=int, default=1)
    options.add_argument("--log", type=Path, help="keeps the tally, to go on from")
    options.add_argument("--show", type=int, metavar="NUMBER", help="one record, and its answer")
    given = options.parse_args()
    if given.show is not None:
        print(sent(person(given.seed, given.show)).decode())
        ends, body = run(given.seed, given.show)
        print(ends, body.decode())
        return 0
    gc.freeze()
    whole = resumed(given.log, given.seed) if given.log else Tally(given.seed)
    for part in tallies(given.seed, whole.done, given.records, given.workers):
        whole.done += part.done
        whole.seconds += part.seconds
        whole.outcomes += part.outcomes
        whole.failures += part.failures
        whole.asked_again += part.asked_again
        whole.plans_made += part.plans_made
        if given.log:
            given.log.write_text(json.dumps(vars(whole), indent=1))
        print(f"{whole.done} records, {len(whole.failures)} failed", flush=True)
    print(json.dumps(vars(whole), indent=1))
    return 1 if whole.failures else 0


if __name__ == "__main__":
    raise SystemExit(main())
