"""SMART scopes: what an access token must allow for each operation.

Both spellings are read, ``user/MedicationRequest.read`` (version 1) and
``user/MedicationRequest.rs`` (version 2). A scope that is narrowed by a query
(``…?category=x``) allows less than an operation needs, so it allows none.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass

_SCOPE = re.compile(r"(patient|user|system)/(\*|[A-Z][A-Za-z]+)\.(read|write|\*|c?r?u?d?s?)")
_VERSION_1 = {"read": "rs", "write": "cud", "*": "cruds"}


@dataclass(frozen=True, slots=True)
class Need:
    """A resource type, and the letter of what may be done with it."""

    resource: str
    letter: str

    @property
    def as_scope(self) -> str:
        """The scope to ask for."""
        return f"user/{self.resource}.{self.letter}"


PROPOSING = Need("MedicationRequest", "c")
"""A series of orders is drawn up: whoever asks must be one who may write orders."""
READING = Need("MedicationRequest", "r")
"""Doses are read and compared; none is proposed."""
_NEEDS = {"$compare-bases": READING, "$screen-switches": READING}


def need_of(path: str) -> Need:
    """What a FHIR operation needs; one that is not in the table needs the most."""
    return _NEEDS.get(path.rpartition("/")[2], PROPOSING)


def allow(scopes: Iterable[str], need: Need) -> bool:
    """Whether any of the scopes covers the need."""
    return any(_covers(scope, need) for scope in scopes)


def _covers(scope: str, need: Need) -> bool:
    found = _SCOPE.fullmatch(scope)
    if found is None:
        return False
    _, resource, actions = found.groups()
    letters = _VERSION_1.get(actions, actions)
    return resource in {"*", need.resource} and need.letter in letters
