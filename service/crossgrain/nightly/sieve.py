"""Which lines of an export can matter, decided from a narrow look at each.

A population's export holds mostly what no thyroid question needs. Every line is decoded far
enough to know that it is sound JSON, what it is and whose; only what the reader could use is
kept. The look is wider than the reader's: what it drops, the reader would have passed over.
A concept stands in an export thousands of times, so each is judged once and remembered.
"""

from collections.abc import Mapping
from functools import lru_cache, partial, reduce
from operator import or_
from typing import Any

import msgspec

from crossgrain.dosing.preparations import Kind, Preparation
from crossgrain.names.series_extension import SERIES_ID
from crossgrain.nightly.export import READ, TYPES
from crossgrain.reading.code_tables import CodeTables
from crossgrain.reading.codesystems import Loinc
from crossgrain.reading.elements import Asked, CodeableConcept
from crossgrain.reading.history import keys_in
from crossgrain.reading.hormone_names import is_for_thyroid
from crossgrain.reading.labs import PREGNANCY_STATUS
from crossgrain.reading.medication_resources import is_thyroid_reason
from crossgrain.reading.medicines import is_known_other, is_told, product_of
from crossgrain.reading.resolve import local
from crossgrain.safety.facts import Analyte


class Pointer(msgspec.Struct, gc=False):
    """A Reference."""

    reference: str | None = None
    display: str | None = None


class HeadPart(msgspec.Struct):
    """An ingredient, a component, or a CodeableReference."""

    code: CodeableConcept | None = None
    concept: CodeableConcept | None = None
    reference: Pointer | None = None
    item: "HeadPart | None" = None
    item_concept: CodeableConcept | None = msgspec.field(default=None, name="itemCodeableConcept")
    item_reference: Pointer | None = msgspec.field(default=None, name="itemReference")

    @property
    def substance(self) -> CodeableConcept | None:
        """What an ingredient is, in either version's shape."""
        return self.item_concept or (self.item.concept if self.item else None)

    @property
    def pointer(self) -> Pointer | None:
        """The reference to what an ingredient is."""
        return self.item_reference or (self.item.reference if self.item else None)


class Words(msgspec.Struct, rename="camel", gc=False):
    """A dosage, as far as it speaks."""

    text: str | None = None
    patient_instruction: str | None = None


class Contained(msgspec.Struct):
    """A resource inside another: a Medication, where it is looked into."""

    id: str | None = None
    code: CodeableConcept | None = None
    ingredient: tuple[HeadPart, ...] = ()


class Head(msgspec.Struct, rename="camel"):
    """The narrow look at one line."""

    resource_type: str
    id: str | None = None
    subject: Pointer | None = None
    code: CodeableConcept | None = None
    description: CodeableConcept | str | None = None
    component: tuple[HeadPart, ...] = ()
    ingredient: tuple[HeadPart, ...] = ()
    contained: tuple[Contained, ...] = ()
    medication_codeable_concept: CodeableConcept | None = None
    medication_reference: Pointer | None = None
    medication: HeadPart | None = None
    reason: tuple[HeadPart, ...] = ()
    reason_code: tuple[CodeableConcept, ...] = ()
    reason_reference: tuple[Pointer, ...] = ()
    dosage: tuple[Words, ...] | Words = ()
    dosage_instruction: tuple[Words, ...] = ()


MEDICINES = frozenset({"MedicationStatement", "MedicationRequest", "MedicationDispense"})
_OF_A_SERIES = SERIES_ID.encode()
"""What stands in every line that carries the extension of a series, however its URL is escaped."""
_ANALYTES = frozenset({Analyte.TSH, Analyte.FREE_T4})


BITS = {kind: 1 << place for place, kind in enumerate(Kind)}
"""One bit per kind of preparation."""
UNSURE = 1 << len(Kind)
"""The bit, above all others, of what could be any kind: the reader has to ask."""
KNOWN_OTHER = UNSURE << 1
"""What a concept alone is judged as where it is known to be no hormone, whatever the reason."""

OURS = KNOWN_OTHER << 1
"""The bit of a line that carries the extension of a series of ours, whichever kinds are in it."""


class LineLook(msgspec.Struct, gc=False):
    """What is known of a line.

    Attributes
    ----------
    kind, id : of the resource
    patient : ``Patient/…`` where the line is kept for a patient, or empty
    keep : some reader could use it
    kinds : the kinds of thyroid hormone in it, a bit each (`BITS`, `UNSURE`), and `OURS` where it
        carries the extension of a series; 0 for none
    medication : ``Medication/…`` that it refers to, or empty; what that holds is known only
        when every file has been read, and `kinds` is what is assumed if it is in none
    otherwise : what is assumed if that Medication holds no hormone
    reasons : for what it is taken, as ``|id|id|`` of Conditions: of one for the thyroid, what is
        not known is asked about
    r5 : it has the shape of R5; ``None`` where it could be of either version
    """

    kind: str
    id: str
    patient: str = ""
    keep: bool = False
    kinds: int = 0
    medication: str = ""
    otherwise: int = 0
    reasons: str = ""
    r5: bool | None = None


class NotRead(Exception):
    """A line that is no resource, or says not whose it is. The message holds no content."""


class Sieve:
    """Decides line by line, for one process."""

    def __init__(self, codes: CodeTables, preparations: Mapping[str, Preparation]) -> None:
        self._codes = codes
        self._decode = msgspec.json.Decoder(Head).decode
        # An export names the same few hundred concepts in millions of lines, and each process
        # looks at its own share: what a concept is, is settled once for each.
        self._kinds = lru_cache(maxsize=65536)(_kind_judge(codes, preparations))
        self._aims = lru_cache(maxsize=65536)(_condition_judge(codes))
        self._is_reason = lru_cache(maxsize=65536)(partial(is_thyroid_reason, codes=codes))
        self._is_for_thyroid = lru_cache(maxsize=65536)(is_for_thyroid)
        self._labs = {c for c, lab in codes.labs.items() if lab.analyte in _ANALYTES}
        self._labs.add(PREGNANCY_STATUS)

    def look(self, line: bytes) -> LineLook:
        """What a line is, and whether any reader could use it.

        Raises
        ------
        NotRead
            for a line that is not one FHIR resource, or is needed and of nobody.
        """
        try:
            head = self._decode(line)
        except msgspec.ValidationError:
            return _misshapen(line)
        except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
            raise NotRead("this line is not well-formed JSON") from None
        kind = head.resource_type
        if kind == "Observation":
            wanted = self._is_lab(head)
        elif kind in MEDICINES:
            return self._medicine(head, line)
        elif kind == "Condition":
            return self._condition(head)
        elif kind == "Goal":
            said = head.description
            wanted = not isinstance(said, CodeableConcept) or self._aims(said)
        elif kind == "CarePlan":
            wanted = _OF_A_SERIES in line
        elif kind == "Patient":
            return LineLook(kind, _id(head), f"Patient/{_id(head)}", keep=True)
        elif kind == "Medication":
            kinds = self._kinds_in(head.code, head.ingredient)
            return LineLook(kind, _id(head), keep=True, kinds=kinds)
        else:
            _checked_type(kind)
            wanted = False
        look = LineLook(kind, head.id or "", kinds=OURS if kind == "CarePlan" else 0)
        return _of_patient(head, look) if wanted else look

    def _is_lab(self, head: Head) -> bool:
        labs = self._labs
        if head.code is not None:
            for coding in head.code.coding:
                if coding.code in labs and coding.system == Loinc.system:
                    return True
        return any(
            coding.code in labs and coding.system == Loinc.system
            for part in head.component
            if part.code
            for coding in part.code.coding
        )

    def _medicine(self, head: Head, line: bytes) -> LineLook:
        inside = head.medication
        concept = inside.concept if inside else head.medication_codeable_concept
        reference = inside.reference if inside else head.medication_reference
        r5 = inside is not None if concept is not None or reference is not None else None
        look = LineLook(head.resource_type, head.id or "", r5=r5)
        if concept is not None and not concept.silent:
            look.kinds = self._kinds(concept)
        elif reference is not None and reference.reference is not None:
            look.kinds, look.medication = self._referred(reference, head)
        else:
            look.kinds = UNSURE  # nameless
        self._add_reasons(look, head, reference if look.medication else None)
        if look.kinds == KNOWN_OTHER:
            look.kinds = 0
        if look.kinds or look.medication or look.reasons:
            look.kinds |= OURS if _OF_A_SERIES in line else 0
            return _of_patient(head, look)
        return look

    def _add_reasons(self, look: LineLook, head: Head, shown: Pointer | None) -> None:
        """What a medicine is taken for, where nothing says what it is; or what it is called."""
        if look.kinds and not look.medication:
            return
        if self._is_taken_for_thyroid(head):
            look.kinds = look.kinds or UNSURE
            look.otherwise = UNSURE
        elif shown and shown.display:
            named = self._kinds(CodeableConcept(text=shown.display))
            look.otherwise = UNSURE if named not in (0, KNOWN_OTHER) else 0
        look.reasons = _conditions_in(head)

    def _is_taken_for_thyroid(self, head: Head) -> bool:
        concepts = [*head.reason_code, *(r.concept for r in head.reason if r.concept)]
        pointers = [*head.reason_reference, *(r.reference for r in head.reason if r.reference)]
        for pointer in pointers:
            concepts += [CodeableConcept(text=pointer.display)] if pointer.display else []
            inside = (pointer.reference or "").startswith("#")
            concepts += [c.code for c in head.contained if inside and c.code]
        dosages = (head.dosage,) if isinstance(head.dosage, Words) else head.dosage
        spoken = [
            words
            for dosage in (*dosages, *head.dosage_instruction)
            for words in (dosage.text, dosage.patient_instruction)
            if words
        ]
        return any(map(self._is_reason, concepts)) or any(map(self._is_for_thyroid, spoken))

    def _referred(self, reference: Pointer, head: Head) -> tuple[int, str]:
        """The kinds in the Medication referred to, as far as it shows, and its name."""
        name = reference.reference or ""
        if name.startswith("#"):
            inside = [c for c in head.contained if c.id == name[1:]]
            kinds = [self._kinds_in(c.code, c.ingredient) for c in inside]
            found = reduce(or_, kinds, 0) if kinds else UNSURE
            if not found and reference.display:
                found = self._kinds(CodeableConcept(text=reference.display)) & ~KNOWN_OTHER
            return found, ""
        shown = reference.display
        kinds_shown = self._kinds(CodeableConcept(text=shown)) if shown else UNSURE
        return kinds_shown & ~KNOWN_OTHER, local(name)

    def _kinds_in(self, code: CodeableConcept | None, parts: tuple[HeadPart, ...]) -> int:
        """The kinds named; unsure where there is no name, or an ingredient is without one."""
        named = [s for part in parts if (s := part.substance)]
        kinds = [self._kinds(concept) for concept in ([code] if code else []) + named]
        pointed = any(part.substance is None and part.pointer is not None for part in parts)
        if code is None or not is_told(code, self._codes):
            all_told = bool(parts) and len(named) == len(parts)
            kinds = kinds[1:] if code and all_told else kinds
            pointed = pointed or not all_told
        return (reduce(or_, kinds, 0) & ~KNOWN_OTHER) | (UNSURE if pointed else 0)

    def _condition(self, head: Head) -> LineLook:
        if head.code is not None and not self._aims(head.code):
            return LineLook(head.resource_type, head.id or "")
        look = _of_patient(head)
        look.kinds = UNSURE if head.code is not None and self._is_reason(head.code) else 0
        return look


def _conditions_in(head: Head) -> str:
    """The Conditions for which a medicine is taken, as ``|id|id|``."""
    pointers = (*head.reason_reference, *(r.reference for r in head.reason if r.reference))
    found = [local(p.reference) for p in pointers if p.reference]
    ids = [name.removeprefix("Condition/") for name in found if name.startswith("Condition/")]
    return f"|{'|'.join(ids)}|" if ids else ""


def _kind_judge(codes: CodeTables, preparations: Mapping[str, Preparation]) -> Any:
    def judge(concept: CodeableConcept) -> int:
        try:
            product = product_of(concept, codes, preparations, "")
        except Asked:
            return UNSURE
        if product:
            return BITS[product.kind]
        if not is_told(concept, codes):
            return UNSURE
        return KNOWN_OTHER if is_known_other(concept, codes) else 0

    return judge


def _condition_judge(codes: CodeTables) -> Any:
    table = codes.concerns.conditions

    def judge(concept: CodeableConcept) -> bool:
        return bool(keys_in(concept, table))

    return judge


def _checked_type(kind: object) -> str:
    """A type is counted by its name, so it must be one of FHIR's and no other text."""
    if not isinstance(kind, str) or kind not in TYPES:
        raise NotRead("this line is not a FHIR resource")
    return kind


def _id(head: Head) -> str:
    if not head.id:
        raise NotRead(f"this {head.resource_type} has no id")
    return head.id


def _of_patient(head: Head, look: LineLook | None = None) -> LineLook:
    """The look at a line that is kept for its patient."""
    reference = head.subject.reference if head.subject else None
    if not reference:
        raise NotRead(f"this {head.resource_type} does not say whose it is")
    look = look or LineLook(head.resource_type, head.id or "")
    look.patient, look.keep = local(reference), True
    return look


def _misshapen(line: bytes) -> LineLook:
    """A line that is JSON, but not shaped as the resource that it says it is.

    It is kept where it says whose it is, so that the reader can name what is wrong with it.
    """
    try:
        tree = msgspec.json.decode(line)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        raise NotRead("this line is not well-formed JSON") from None
    kind = _checked_type(tree.get("resourceType") if isinstance(tree, dict) else None)
    subject, id_ = tree.get("subject"), tree.get("id")
    own = id_ if isinstance(id_, str) else ""
    if kind not in READ:
        return LineLook(kind, own)  # its elements of these names are of other types
    reference = subject.get("reference") if isinstance(subject, dict) else None
    if kind == "Patient" and isinstance(id_, str):
        reference = f"Patient/{id_}"
    if not isinstance(reference, str) or kind == "Medication":
        raise NotRead(f"this {kind} is not shaped as FHIR")
    return LineLook(
        kind, own, local(reference), keep=True, kinds=UNSURE if kind in MEDICINES else 0
    )
