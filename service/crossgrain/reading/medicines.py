"""Which thyroid medicine a record names: codes, displays, text and ingredients weighed.

Public data puts the same code to different tablets, so a code never wins over the words
beside it: where they differ, the reader asks. Nor is anything passed over that may be thyroid
hormone:

==========================================================  ====================================
codes and words                                             the medicine is
==========================================================  ====================================
a code, an alias or a name of a hormone                     that hormone, if all of them agree
a name that looks like one; another code of ATC H03AA       asked about
a code of another ATC class, of a safety rule or of what    another medicine, whatever else is
is known to be none                                         not said of it
words that name something else                              another medicine
codes that are not known, without words; nothing at all     asked about
==========================================================  ====================================

What the words name is asked about all the same where it is taken for the thyroid and is not a
medicine that is known (`medication_resources`).
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from fractions import Fraction

import msgspec

from crossgrain.dosing.preparations import Kind, Preparation
from crossgrain.names.printing import as_written
from crossgrain.reading.code_tables import CodeTables, MedicineCode
from crossgrain.reading.codesystems import Atc, system_meant
from crossgrain.reading.elements import Asked, CodeableConcept, Coding
from crossgrain.reading.hormone_names import folded
from crossgrain.reading.names import (
    NamedMedicine,
    named_by_content,
    names_iodide,
    read_name,
    read_product_words,
    with_words,
)
from crossgrain.reading.own_names import own_name_in
from crossgrain.reading.product import Product
from crossgrain.reading.remembered import Remembered


def product_of(
    concept: CodeableConcept,
    codes: CodeTables,
    preparations: Mapping[str, Preparation],
    expression: str,
    beside_iodide: Fraction | None = None,
) -> Product | None:
    """The thyroid medicine that a concept names; ``None`` for any other medicine.

    `beside_iodide` is its T4 in micrograms, where that is told apart from the iodide.

    Raises
    ------
    Asked
        where codes and words differ, several hormones are named, or the content of the
        product is not known.
    """
    evidence = _EVIDENCE[codes, concept]
    if evidence is None:
        return None
    if evidence.unknown:
        raise Asked(expression, evidence.unknown)
    named = [_without_iodide(name, beside_iodide) for name in evidence.named]
    for name in named:
        _refuse_unknown_content(name, expression)
    meant = (*evidence.coded, *evidence.aliased)
    kind = _one_kind(meant, named, expression)
    product = _from_codes(kind, meant, expression)
    return with_words(product, named, bool(evidence.coded), preparations, expression)


def is_with_iodide(concept: CodeableConcept) -> bool:
    """Whether its words name iodide."""
    return any(map(names_iodide, _texts(concept)))


def is_told(concept: CodeableConcept | None, codes: CodeTables) -> bool:
    """Whether a concept says in words what the medicine is, or by a code that is known."""
    return concept is not None and _TOLD[codes, concept]


def is_known_other(concept: CodeableConcept, codes: CodeTables) -> bool:
    """Whether a concept names a medicine that is known to be no thyroid hormone."""
    return _OTHER[codes, concept]


class _Evidence(msgspec.Struct, frozen=True):
    """What a concept's codes, a deployer's aliases and the words say of thyroid hormone.

    `unknown` is the question where they point to a hormone that is not known, or empty.
    """

    coded: tuple[MedicineCode, ...]
    aliased: tuple[MedicineCode, ...]
    named: tuple[NamedMedicine, ...]
    unknown: str = ""


_Sought = tuple[CodeTables, CodeableConcept]


def _evidence(sought: _Sought) -> _Evidence | None:
    """What there is, or ``None`` for any other medicine."""
    codes, concept = sought
    texts = _texts(concept)
    coded = [found for c in concept.coding if (found := _meaning(c, codes))]
    if any(folded(text).strip() in codes.no_hormone for text in texts):
        return _Evidence((), (), (), _CODED_AND_NONE) if coded else None
    own = [own_name_in(text, codes.aliases) for text in texts]
    if not coded and (unknown := next((each.unknown for each in own if each and each.unknown), "")):
        return _Evidence((), (), (), unknown)
    aliased = [each.meaning for each in own if each and each.meaning]
    read = read_product_words if coded or aliased else read_name
    named = [
        named_by_content(name, codes.content)
        for text, each in zip(texts, own, strict=True)
        if not (each and each.whole) and (name := read(text))
    ]
    if coded or aliased or any(name.kinds for name in named):
        return _Evidence(tuple(coded), tuple(aliased), tuple(named))
    if any(_is_of_class(c) for c in concept.coding):
        return _Evidence((), (), (), _CLASS_ALONE)
    return _Evidence((), (), (), _LOOKS_LIKE_ONE) if named else None


_CLASS_ALONE = (
    "The code is one of the thyroid hormones (ATC H03AA), and which one is not known. What is"
    " taken, and how much T4 and T3 does it hold?"
)
_CODED_AND_NONE = (
    "The code stands for a thyroid hormone, and the clinic lists the name beside it as none. What"
    " is taken?"
)
_LOOKS_LIKE_ONE = (
    "The name points to thyroid hormone, and which one is not known. What is taken, and how much"
    " T4 and T3 does it hold?"
)


def _length(sought: _Sought) -> int:
    return sought[1].characters


_EVIDENCE = Remembered(_evidence, _length)


def _texts(concept: CodeableConcept) -> list[str]:
    return [text for text in (*(c.display for c in concept.coding), concept.text) if text]


def _meaning(coding: Coding, codes: CodeTables) -> MedicineCode | None:
    if coding.system is None or coding.code is None:
        return None
    known = codes.medicines.get(system_meant(coding.system))
    return known.get(coding.code.strip()) if known else None


_HORMONES = "H03AA"
_ATC_OF_ONE = re.compile(r"H03AA[0-9]{2}")


def _is_of_class(coding: Coding) -> bool:
    """Whether a code stands for thyroid hormones, or for a class that holds them."""
    code = (coding.code or "").strip().upper()
    if coding.system and system_meant(coding.system) == Atc.system:
        return bool(code) and (code.startswith(_HORMONES) or _HORMONES.startswith(code))
    return bool(_ATC_OF_ONE.fullmatch(code))


def _is_other(sought: _Sought) -> bool:
    codes, concept = sought
    if any(folded(text).strip() in codes.no_hormone for text in _texts(concept)):
        return True
    known = (codes.concerns.medicines, codes.concerns.others)
    return any(table.keys_of(concept) for table in known) or any(
        _is_other_code(coding, codes) for coding in concept.coding
    )


def _is_other_code(coding: Coding, codes: CodeTables) -> bool:
    """Whether a clinic says that a code is no thyroid hormone, or its ATC class does."""
    if not coding.system or not coding.code:
        return False
    system, code = system_meant(coding.system), coding.code.strip()
    if code in codes.other_codes.get(system, ()):
        return True
    of_atc = system == Atc.system and Atc.form.fullmatch(code)
    return bool(of_atc) and not _is_of_class(coding)


_OTHER = Remembered(_is_other, _length)
_IN_WORDS = re.compile(r"[^\W\d_]{2}")
_SAYS_NOTHING = {
    "unknown", "n/a", "na", "none", "null", "other", "unspecified", "not available", "not known",
    "see note", "see notes", "see comment", "see comments", "free text", "medication", "medicine",
    "drug", "tablet", "tablets", "tbd", "unbekannt", "inconnu", "desconocido", "onbekend",
}  # fmt: skip
"""Words that stand where a name should, and name nothing."""


def _is_told(sought: _Sought) -> bool:
    for text in _texts(sought[1]):
        words = folded(text).strip(" .-")
        if _IN_WORDS.search(words) and words not in _SAYS_NOTHING:
            return True
    return _is_other(sought) or _evidence(sought) is not None


_TOLD = Remembered(_is_told, _length)


def _without_iodide(name: NamedMedicine, t4_ug: Fraction | None) -> NamedMedicine:
    """The name of the hormone alone, where its T4 is told apart and no amount speaks against it."""
    if t4_ug is None or not (name.iodide and name.gives_beside_iodide(t4_ug)):
        return name
    return msgspec.structs.replace(name, iodide=False, strengths=())


def _refuse_unknown_content(name: NamedMedicine, expression: str) -> None:
    if name.made_up:
        raise Asked(
            expression,
            "A compounded or modified-release thyroid product: what is its T4 and T3 content,"
            " and as which plain preparation should it be counted?",
        )
    if name.not_oral:
        raise Asked(
            expression, "The product is not one that is swallowed. How much is taken by mouth?"
        )
    if name.iodide:
        raise Asked(
            expression, "The product holds iodide beside the hormone. What is its T4 content?"
        )


def _one_kind(
    coded: Iterable[MedicineCode], named: Iterable[NamedMedicine], expression: str
) -> Kind:
    kinds = {meaning.kind for meaning in coded}
    for name in named:
        kinds |= name.product_kinds
    if len(kinds) != 1:
        raise Asked(
            expression,
            f"The medicine is named as {' and as '.join(sorted(kinds))}. Which one is taken?",
        )
    return kinds.pop()


def _from_codes(kind: Kind, coded: Sequence[MedicineCode], expression: str) -> Product:
    said = {(c.preparation.id, c.strength): c for c in coded if c.preparation and c.strength}
    per_ml = {c.per_ml for c in coded if c.per_ml}
    if len(per_ml) > 1 or (per_ml and said):
        raise Asked(expression, "The codes name different products. Which one is taken?")
    if len(said) > 1:
        strengths = sorted(c.strength for c in said.values() if c.strength)
        raise Asked(
            expression,
            f"The codes name different products ({', '.join(map(as_written, strengths))})."
            " Which one is taken?",
        )
    for meaning in said.values():
        return Product(kind, meaning.preparation, meaning.strength)
    lines = {c.preparation.id: c.preparation for c in coded if c.preparation}
    line = next(iter(lines.values())) if len(lines) == 1 else None
    return Product(kind, line, per_ml=next(iter(per_ml), None))
