"""The digests as they are kept: a file for each surface, a line for each answer."""

from collections import defaultdict
from collections.abc import Mapping
from pathlib import Path

FOLDER = Path(__file__).parent / "digests"
Digests = Mapping[tuple[str, str], str]
"""Of each surface and name."""


def load() -> dict[tuple[str, str], str]:
    """What is kept."""
    kept = {}
    for file in FOLDER.glob("*.txt"):
        for line in file.read_text("utf-8").splitlines():
            digest, _, name = line.partition(" ")
            kept[file.stem, name] = digest
    return kept


def save(digests: Digests) -> None:
    """Keep these in the place of what was kept."""
    lines: dict[str, list[tuple[str, str]]] = defaultdict(list)
    for (surface, name), digest in digests.items():
        lines[surface].append((name, digest))
    FOLDER.mkdir(exist_ok=True)
    for old in FOLDER.glob("*.txt"):
        old.unlink()
    for surface, found in lines.items():
        text = "".join(f"{digest} {name}\n" for name, digest in sorted(found))
        (FOLDER / f"{surface}.txt").write_text(text, "utf-8")


def changed(before: Digests, after: Digests) -> list[tuple[str, str]]:
    """Surface and name of every answer that is new, gone or other."""
    return sorted(key for key in before.keys() | after.keys() if before.get(key) != after.get(key))
