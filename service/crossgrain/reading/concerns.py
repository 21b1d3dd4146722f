"""Conditions, allergies and other medicines that a safety rule knows, by code or by name.

``data/safety_codes.toml`` holds ``[[condition]]``, ``[[allergy]]`` and ``[[medicine]]``
entries: our own ``key``, lists of codes by system, and generic names under ``text``. A code
that ends in ``*`` (ATC, ICD-10) stands for everything below it. ``[[other]]`` entries are
medicines that no rule asks for, and that are known to be no thyroid hormone. What a text denies
("no angina") it does not name; ``data/denials.toml`` says how.
"""

from collections.abc import Mapping
from dataclasses import field
from operator import attrgetter

from crossgrain.names.values import frozen
from crossgrain.reading.codesystems import system_meant
from crossgrain.reading.denials import Clause, Denials, Phrase, names_in
from crossgrain.reading.elements import CodeableConcept
from crossgrain.reading.hormone_names import folded
from crossgrain.reading.remembered import Remembered


@frozen
class ConcernTable:
    """Key by code and by name, for one kind of resource."""

    by_code: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    by_stem: Mapping[str, tuple[tuple[str, str], ...]] = field(default_factory=dict)
    by_text: Mapping[str, tuple[tuple[Phrase, str], ...]] = field(default_factory=dict)
    """First word → the names that begin with it, each with its key."""
    denials: Denials = field(default_factory=Denials)
    below: Mapping[str, Mapping[str, tuple[str, ...]]] = field(default_factory=dict)
    """System → code → keys of the concepts above it, from a deployer's expanded ValueSets."""
    _known: Remembered[CodeableConcept, "HeardKeys"] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_known", Remembered(self._look_up, attrgetter("characters")))

    def keys_of(self, concept: CodeableConcept) -> tuple[str, ...]:
        """Our keys for a concept: by its codes, else by its words."""
        return self._known[concept].keys

    def heard_of(self, concept: CodeableConcept) -> "HeardKeys":
        """The same, and whether its words name something only to deny it."""
        return self._known[concept]

    def _look_up(self, concept: CodeableConcept) -> "HeardKeys":
        coded = [c for c in concept.coding if c.system and c.code]
        exact = [key for c in coded if (key := self.key_of_code(c.system or "", c.code or ""))]
        below = [key for c in coded for key in self._keys_above(c.system or "", c.code or "")]
        if exact:  # a concept that is only known from above may say less than its words
            return HeardKeys(tuple(dict.fromkeys([*exact, *below])))
        words = dict.fromkeys([concept.text, *(coding.display for coding in concept.coding)])
        heard = [self._heard_in(said) for said in words if said]
        keys = tuple(dict.fromkeys([*below, *(key for each in heard for key in each.keys)]))
        return HeardKeys(keys, not keys and any(each.denied for each in heard))

    def key_of_code(self, system: str, code: str) -> str | None:
        """Our key for a code, or ``None``."""
        system = system_meant(system)
        codes = self.by_code.get(system)
        if codes and code in codes:
            return codes[code]
        for stem, key in self.by_stem.get(system, ()):
            if code.startswith(stem):
                return key
        return None

    def _keys_above(self, system: str, code: str) -> tuple[str, ...]:
        if self.key_of_code(system, code):
            return ()  # the shipped meaning stands
        return self.below.get(system_meant(system), {}).get(code, ())

    @property
    def keys(self) -> frozenset[str]:
        """Every key of the table."""
        coded = {key for codes in self.by_code.values() for key in codes.values()}
        coded |= {key for stems in self.by_stem.values() for _, key in stems}
        return frozenset(coded | {key for names in self.by_text.values() for _, key in names})

    def keys_of_text(self, words: str) -> tuple[str, ...]:
        """Our keys for the names that stand as whole words in a text and are not denied there."""
        return self._heard_in(words).keys

    def _heard_in(self, words: str) -> "HeardKeys":
        if self.by_text.keys().isdisjoint(folded(words).translate(_SIGNS).split()):
            return HeardKeys()  # most texts, so without the cost of taking them apart
        said = Clause.of(words)
        found = tuple(names_in(said, self.by_text))
        if not found:
            return HeardKeys()
        keys = tuple(dict.fromkeys(name.key for name in self.denials.heard(said, found)))
        return HeardKeys(keys, not keys)


@frozen
class HeardKeys:
    """What a concept says: our keys, or that its words name what a rule knows only to deny it."""

    keys: tuple[str, ...] = ()
    denied: bool = False


@frozen
class ConcernTables:
    """One table per kind of resource; `others` are medicines that no rule knows, and no hormone."""

    conditions: ConcernTable = field(default_factory=ConcernTable)
    allergies: ConcernTable = field(default_factory=ConcernTable)
    medicines: ConcernTable = field(default_factory=ConcernTable)
    others: ConcernTable = field(default_factory=ConcernTable)


_SIGNS = str.maketrans(dict.fromkeys("-,;()[]/.:!?", " "))
