"""`python -m tests.bench.costs`: what every hostile body costs every operation, as a table.

Half an hour for all; `--size`, `--shape` and `--operation` choose. Ends with 1 where a
call is too dear.
"""

import argparse
import sys
from itertools import product

import msgspec
from tests.bench.costs.calls import PATHS
from tests.bench.costs.measured import Cost, costs
from tests.bench.costs.shapes import BYTES, RECORDS
from tests.bench.costs.table import HEAD, line, worst

SIZES = (100_000, 1_000_000, 8_200_000)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--size", type=int, action="append")
    parser.add_argument("--shape", action="append", choices=[*RECORDS, *BYTES])
    parser.add_argument("--operation", action="append", choices=list(PATHS))
    parser.add_argument("--pair", nargs=2, action="append", metavar=("SHAPE", "OPERATION"))
    parser.add_argument("--as-json", action="store_true")
    return parser.parse_args()


def main() -> int:
    """Print the table row by row, then its worst."""
    asked = _arguments()
    all_pairs = product(asked.shape or [*RECORDS, *BYTES], asked.operation or PATHS)
    pairs = [(name, operation) for name, operation in asked.pair or all_pairs]
    every: list[Cost] = []
    if not asked.as_json:
        print(HEAD)
    for cost in costs(pairs, asked.size or SIZES):
        every.append(cost)
        print(msgspec.json.encode(cost).decode() if asked.as_json else line(cost), flush=True)
    if not asked.as_json:
        print("\n".join(worst(every)))
    return int(any(cost.is_dear for cost in every) and not asked.as_json)


if __name__ == "__main__":
    sys.exit(main())
