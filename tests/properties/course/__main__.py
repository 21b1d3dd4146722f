"""``python -m tests.properties.course --patients 1000 --seed 1``.

So many simulated patients under each strategy, and the tables of what became of them: all, by what
the T3 that is moved to or from is truly worth, and by the chart that was asked for. ``--show
NUMBER`` tells the courses of one.
"""

import argparse
from itertools import pairwise
from multiprocessing import Pool

from tests.properties.course.life import Life
from tests.properties.course.measures import THIRDS, table, third
from tests.properties.course.patients import CHARTS, patient
from tests.properties.course.physiology import daily
from tests.properties.course.run import Seen, lives, seen

BLOCK = 20


def _block(of: tuple[int, int, int]) -> Seen:
    seed, first, last = of
    return seen(seed, range(first, last))


def run(seed: int, first: int, patients: int, workers: int) -> Seen:
    """Blocks in their order, added up."""
    end = first + patients
    blocks = [(seed, at, min(at + BLOCK, end)) for at in range(first, end, BLOCK)]
    whole = Seen()
    with Pool(workers) as pool:
        for part in pool.imap(_block, blocks):
            whole.add(part)
    return whole


def tables(whole: Seen) -> str:
    """Everything that is reported, in Markdown."""
    parts = ["All", table(dict(whole.outcomes))]
    for name, outcomes in whole.outcomes.items():
        by_truth = {f"truly worth: {at}": [o for o in outcomes if third(o) == at] for at in THIRDS}
        by_chart = {f"asked for: {at}": [o for o in outcomes if o.basis == at] for at in CHARTS}
        by_move = {at: [o for o in outcomes if o.move == at] for at in _moves(whole)}
        parts += [name.capitalize(), table({**by_truth, **by_chart, **by_move})]
        parts += [f"patient {one.number}: {what}" for one in outcomes for what in one.faults]
    return "\n\n".join(parts)


def _moves(whole: Seen) -> list[str]:
    return sorted({one.move for outcomes in whole.outcomes.values() for one in outcomes})


def show(seed: int, number: int) -> None:
    """One patient and the courses."""
    own = patient(seed, number)
    print(own.case, own.traits, f"misses {own.misses:.1%} of days, pauses on {own.gap}", sep="\n")
    for name, life in lives(seed, number).items():
        print(name)
        for day, what in sorted(_told(life)):
            print(f"  day {day}: {what}")


def _told(life: Life) -> list[tuple[int, str]]:
    ordered = [daily(day.ordered) for day in life.days]
    told = [(0, f"takes {ordered[0]}")]
    told += [
        (day, f"takes {after} (true TSH {life.days[day].tsh:.2f})")
        for day, (before, after) in enumerate(pairwise(ordered), start=1)
        if before != after
    ]
    told += [(result.day, f"drawn: {result.found}") for result in life.clinic.results]
    return told + [(deed.day, f"{deed.act} {deed.words}") for deed in life.clinic.deeds]


def main() -> None:
    """Run, and print."""
    options = argparse.ArgumentParser(prog="tests.properties.course")
    options.add_argument("--patients", type=int, default=200)
    options.add_argument("--first", type=int, default=0, metavar="NUMBER")
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--workers", type=int, default=1)
    options.add_argument("--show", type=int, metavar="NUMBER")
    given = options.parse_args()
    if given.show is not None:
        show(given.seed, given.show)
        return
    whole = run(given.seed, given.first, given.patients, given.workers)
    print(f"seed {given.seed}, {given.patients} patients; no plan: {whole.not_planned}")
    print(tables(whole))


if __name__ == "__main__":
    main()
