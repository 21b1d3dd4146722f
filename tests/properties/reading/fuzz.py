"""Coverage-guided fuzzing of the reader: ``python -m tests.properties.reading.fuzz record DIR``.

Targets: ``record`` (a body of bytes to a record and a course, as R4 and as R5), ``words`` (names
and instructions) and ``units`` (quantities). ``DIR`` keeps the corpus between runs; what stands
behind it goes to libFuzzer, such as ``-max_total_time=1800``. Needs the extra ``fuzz``.
"""

import random
import sys
from collections.abc import Callable
from decimal import Decimal, InvalidOperation
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["crossgrain.reading"]):
    from tests.properties.reading.mutations import SEEDS, WORDS, mutated, respoken
    from tests.properties.reading.readable import SYSTEMS, check_body, check_units, check_words

    from crossgrain.reading.json import MOST_DIGITS

BARE_BYTES = 0.1
"""Of so many mutations, the tree is left alone and libFuzzer changes bytes."""


def _body(data: bytes) -> None:
    check_body(data)


def _words(data: bytes) -> None:
    check_words(data.decode("utf-8", "ignore"))


def _units(data: bytes) -> None:
    """System, code, text and number of a quantity, with bars between them."""
    system, code, words, number, *_ = (*data.decode("utf-8", "ignore").split("|"), "", "", "", "")
    try:
        value = Decimal(number or 1)
    except InvalidOperation:
        value = Decimal(1)
    if value.is_finite() and abs(value.adjusted()) <= MOST_DIGITS:  # what `parse` lets through
        check_units(SYSTEMS.get(system, system), code, words, value)


def _bodies(data: bytes, chance: random.Random) -> bytes:
    return mutated(data, chance)


def _sayings(data: bytes, chance: random.Random) -> bytes:
    return respoken(data.decode("utf-8", "ignore"), chance).encode()


def _mutator(change: Callable[[bytes, random.Random], bytes]) -> Callable[[bytes, int, int], bytes]:
    def mutate(data: bytes, max_size: int, seed: int) -> bytes:
        chance = random.Random(seed)
        if chance.random() < BARE_BYTES:
            return bytes(atheris.Mutate(data, max_size))
        changed = change(data, chance)
        return changed if len(changed) <= max_size else data

    return mutate


UNIT_WORDS = ("ug", "mcg", "mg", "{tbl}", "[gr]", "mL", "10*-3.g", "Mg", "1", "dag", "TAB", "ug/d")
TARGETS: dict[str, tuple[Callable[[bytes], None], tuple[bytes, ...]]] = {
    "record": (_body, SEEDS),
    "words": (_words, tuple(word.encode() for word in WORDS)),
    "units": (_units, tuple(f"{n}|{w}|{w}|100".encode() for n in SYSTEMS for w in UNIT_WORDS)),
}


def main() -> None:
    """Fuzz one target until it is stopped or something escapes."""
    name, corpus, *options = sys.argv[1:]
    target, seeds = TARGETS[name]
    Path(corpus).mkdir(parents=True, exist_ok=True)
    for number, seed in enumerate(seeds):
        (Path(corpus) / f"seed-{number}").write_bytes(seed)
    changes = {"record": _bodies, "words": _sayings}
    more = {"custom_mutator": _mutator(changes[name])} if name in changes else {}
    atheris.Setup([sys.argv[0], corpus, *options], target, **more)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
