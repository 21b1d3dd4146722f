"""The phrases of instructions, from their data file, as patterns."""

import re
import tomllib
from importlib.resources import files
from typing import Any


def _pieces_of(table: dict[str, Any]) -> dict[str, str]:
    pieces: dict[str, str] = {}
    for name, pattern in table["pieces"].items():
        pieces[name] = _filled(pattern, pieces)
    return pieces


def _filled(pattern: str, pieces: dict[str, str]) -> str:
    for name, piece in pieces.items():
        pattern = pattern.replace(f"{{{name}}}", piece)
    return pattern


_TABLE = tomllib.loads(files("crossgrain").joinpath("data", "phrases.toml").read_text("utf-8"))
_PIECES = _pieces_of(_TABLE)


def _any_of(*kinds: str) -> str:
    phrases = [phrase for kind in kinds for phrase in _TABLE[kind]["phrases"]]
    return "|".join(_filled(phrase, _PIECES) for phrase in phrases)


_OPENING = _filled(_TABLE["own"]["opening"], _PIECES)
FILLER = re.compile(rf"(?:{_OPENING}|{_any_of('filler', 'own')}|[,.])(?!\w)")
"""What may stand beside the dose in an instruction that is read whole."""
HARMLESS = rf"{_OPENING}|{_any_of('harmless', 'filler', 'own')}"
"""What leaves a coded dose as it is, not compiled: a part of a larger pattern."""
BEARING = _any_of("bearing")
"""What bears on the taking and cannot be read, likewise."""
NEUTRAL = _any_of("neutral")
"""Words that say nothing of their own, likewise."""
OWN_NOTES = re.compile("|".join(_TABLE["own"]["notes"]))
"""Notes of the service itself that begin as an instruction does."""
BEGINS = re.compile(rf"(?:{_any_of('begins')})(?!\w)")
"""How a note begins that is an instruction."""
