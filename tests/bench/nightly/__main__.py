"""``python -m tests.bench.nightly``: what a night costs, as tables; nothing here fails on time.

Six in a hundred patients have thyroid hormone, as in a general population; of the panel of a
thyroid clinic all have, and it has a quarter of the patients.
"""

import argparse
import tempfile
from collections.abc import Iterator
from pathlib import Path

from tests.bench.serve.found import interpreter

from .nights import HEADS, made, night_beside_parsing, nights_with_a_base


def rows(folder: Path, patients: int) -> Iterator[object]:
    """The lines of the table, as they are measured."""
    whole = made(folder / "whole", patients=patients)
    panel = made(folder / "panel", "--hormone-share", "1", patients=patients // 4)
    yield night_beside_parsing(whole, folder / "first", f"{patients} patients")
    yield night_beside_parsing(panel, folder / "clinic", f"{patients // 4} patients of a clinic")
    yield from nights_with_a_base(whole, folder, patients)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.nightly", description=__doc__)
    parser.add_argument("--patients", type=int, default=4000)
    patients = parser.parse_args().patients
    print(f"{interpreter()}\n\n{HEADS}")
    with tempfile.TemporaryDirectory() as folder:
        for row in rows(Path(folder), patients):
            print(row, flush=True)


if __name__ == "__main__":
    main()
