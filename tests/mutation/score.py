"""What a mutation run found, by module: ``python -m tests.mutation.score COPY [--alive]``.

Killed counts mutants that a test failed on, and nothing else: a timeout, or a function that no
test reaches, counts against the score. ``--alive`` prints the names of all that were not
killed, which `tests.mutation.run` takes as patterns.
"""

import json
import sys
from collections import Counter
from pathlib import Path

from mutmut.stats import status_by_exit_code

PACKAGE = Path("mutants", "src", "crossgrain")


def results(copy: Path) -> dict[str, dict[str, str]]:
    """Module → mutant → how it ended; mutants not judged yet are left out."""
    found = {}
    for path in sorted((copy / PACKAGE).rglob("*.meta")):
        codes = json.loads(path.read_text("utf-8"))["exit_code_by_key"]
        judged = {name: status_by_exit_code[code] for name, code in codes.items()}
        module = str(path.relative_to(copy / PACKAGE)).removesuffix(".py.meta")
        found[module] = {
            name: status
            for name, status in judged.items()
            if status not in ("not checked", "skipped")
        }
    return {module: mutants for module, mutants in found.items() if mutants}


def row(name: str, ended: Counter[str]) -> str:
    """One line of the table."""
    mutants, killed = ended.total(), ended["killed"]
    others = mutants - killed - ended["survived"] - ended["timeout"]
    cells = (mutants, killed, ended["survived"], ended["timeout"], others)
    return f"| {name} | {' | '.join(map(str, cells))} | {killed / mutants:.1%} |"


def main(copy: Path, *, alive: bool) -> None:
    """Print the table, or the names of what is alive."""
    found = results(copy)
    if alive:
        for mutants in found.values():
            for name in (name for name, status in mutants.items() if status != "killed"):
                print(name)
        return
    print("| module | mutants | killed | survived | timeout | other | score |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    whole: Counter[str] = Counter()
    for module, mutants in found.items():
        ended = Counter(mutants.values())
        whole += ended
        print(row(module, ended))
    print(row("all", whole))


if __name__ == "__main__":
    main(Path(sys.argv[1]), alive="--alive" in sys.argv)
