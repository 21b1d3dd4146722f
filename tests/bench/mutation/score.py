"""What a mutation run found, by module: ``python -m tests.bench.mutation.score COPY [--alive]``.

Killed counts mutants that a test failed on, and nothing else: a timeout, or a function that no
test reaches, counts against the score. A module of which only a sample was judged has its 95 %
interval beside its score. ``--alive`` prints the names of all that were not killed, which
`tests.bench.mutation.run` takes as patterns.
"""

import json
import sys
from collections import Counter
from math import sqrt
from pathlib import Path

from mutmut.stats import status_by_exit_code

PACKAGE = Path("mutants", "src", "crossgrain")
QUIET = {"killed", "not checked", "skipped"}


def results(copy: Path) -> dict[str, dict[str, str]]:
    """Module → mutant → how it ended."""
    found = {}
    for path in sorted((copy / PACKAGE).rglob("*.meta")):
        codes = json.loads(path.read_text("utf-8"))["exit_code_by_key"]
        module = str(path.relative_to(copy / PACKAGE)).removesuffix(".py.meta")
        found[module] = {name: status_by_exit_code[code] for name, code in codes.items()}
    return found


def row(name: str, ended: Counter[str]) -> str:
    """One line of the table."""
    mutants, killed = ended.total(), ended["killed"]
    judged = mutants - ended["not checked"] - ended["skipped"]
    others = judged - killed - ended["survived"] - ended["timeout"]
    cells = (mutants, judged, killed, ended["survived"], ended["timeout"], others)
    return f"| {name} | {' | '.join(map(str, cells))} | {score(killed, judged, mutants)} |"


def score(killed: int, judged: int, mutants: int) -> str:
    """The killed share; of a sample with its Wilson interval for a finite population."""
    if not judged or judged == mutants:
        return f"{killed / judged:.1%}" if judged else "–"
    share, z2 = killed / judged, 1.96**2 * (mutants - judged) / max(mutants - 1, 1)
    middle = (share + z2 / (2 * judged)) / (1 + z2 / judged)
    half = sqrt(z2 * (share * (1 - share) + z2 / (4 * judged)) / judged) / (1 + z2 / judged)
    return f"{share:.1%} ({middle - half:.1%}–{min(middle + half, 1):.1%})"


def main(copy: Path, *, alive: bool) -> None:
    """Print the table, or the names of what is alive."""
    found = results(copy)
    if alive:
        for mutants in found.values():
            for name in (n for n, status in mutants.items() if status not in QUIET):
                print(name)
        return
    print("| module | mutants | judged | killed | survived | timeout | other | score |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    whole: Counter[str] = Counter()
    for module, mutants in found.items():
        if mutants:
            print(row(module, Counter(mutants.values())))
            whole += Counter(mutants.values())
    print(row("all", whole))


if __name__ == "__main__":
    main(Path(sys.argv[1]), alive="--alive" in sys.argv)
