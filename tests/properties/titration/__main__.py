"""``python -m tests.properties.titration --records 20000 --seed 1``.

Asks for so many cases of the grid, holds each answer to every claim, and prints how often each was
looked at and what it objects to. ``--show NUMBER`` prints one case and what its answer gives.
"""

import argparse
import json
from multiprocessing import Pool

from tests.properties.titration.claims import Seen
from tests.properties.titration.grid import call_of, case
from tests.properties.titration.reading import Course
from tests.properties.titration.run import EVERY_SENTENCE, answer_to, seen

BLOCK = 100


def _block(of: tuple[int, int, int]) -> Seen:
    seed, first, last = of
    return seen(seed, range(first, last))


def run(seed: int, records: int, workers: int) -> Seen:
    """Blocks in their order, added up."""
    blocks = [(seed, at, min(at + BLOCK, records)) for at in range(0, records, BLOCK)]
    whole = Seen()
    with Pool(workers) as pool:
        for done, part in enumerate(pool.imap(_block, blocks), start=1):
            whole.add(part)
            objections = sum(map(len, whole.objections.values()))
            print(f"{min(done * BLOCK, records)} cases, {objections} objections", flush=True)
    return whole


def show(seed: int, number: int) -> None:
    """One case as a call, and its doses and draws by day."""
    made = case(seed, number)
    print(made, json.dumps(call_of(made)), sep="\n")
    answer = answer_to(made)
    if answer is None or answer.ends != "plan":
        print("refused" if answer is None else answer.ends)
        return
    print("findings", sorted(answer.findings), "decision on day", answer.decision)
    _print("series", answer.series)
    for branch in answer.branches:
        print(branch.expression)
        _print(branch.title, branch.course)


def _print(name: str, course: Course) -> None:
    print(name, "draws", course.drawn())
    for day in course.steps:
        print(f"  day {day}:", dict(sorted(course.single(day).items())))


def main() -> int:
    """Run, and say what came of it; 1 where a claim objects."""
    options = argparse.ArgumentParser(prog="tests.properties.titration")
    options.add_argument("--records", type=int, default=2_000)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--workers", type=int, default=1)
    options.add_argument("--show", type=int, metavar="NUMBER")
    given = options.parse_args()
    if given.show is not None:
        show(given.seed, given.show)
        return 0
    whole = run(given.seed, given.records, given.workers)
    print(dict(whole.answers))
    for sentence in EVERY_SENTENCE:
        objections = whole.objections.get(sentence, [])
        print(f"{len(objections)} of {whole.looks[sentence]}: {sentence}")
        for one in objections[:5]:
            print(f"    {one}")
    return 1 if whole.objections else 0


if __name__ == "__main__":
    raise SystemExit(main())
