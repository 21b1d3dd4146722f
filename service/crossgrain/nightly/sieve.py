"""Which lines of an export can matter, decided from a narrow look at each.

A population's export holds mostly what no thyroid question needs. Every line is decoded far
enough to know that it is sound JSON, what it is and whose; only what the reader could use is
kept. The look is wider than the reader's: what it drops, the reader would have passed over.
A concept stands in an export thousands of times, in the same bytes: what a line is about stays
undecoded (`msgspec.Raw`), and each such bytes are decoded and judged once.
"""

from collections.abc import Iterator, Mapping
from functools import cached_property, lru_cache, reduce
from operator import or_

import msgspec
from msgspec import Raw

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


_ABSENT = Raw()


class Head(msgspec.Struct, rename="camel", gc=False):
    """The narrow look at one line."""

    resource_type: str
    id: str | None = None
    subject: Pointer | None = None
    code: Raw = _ABSENT
    description: CodeableConcept | str | None = None
    component: tuple[HeadPart, ...] = ()
    ingredient: tuple[HeadPart, ...] = ()
    contained: tuple[Contained, ...] = ()
    medication_codeable_concept: Raw = _ABSENT
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


class SeenConcept:
    """A concept, with what is asked of it: each answer is worked out once."""

    def __init__(
        self, said: CodeableConcept, codes: CodeTables, preparations: Mapping[str, Preparation]
    ) -> None:
        self.said = said
        self._codes = codes
        self._preparations = preparations

    @cached_property
    def kinds(self) -> int:
        """The kinds of thyroid hormone that it names: a bit each, or `UNSURE`, or `KNOWN_OTHER`."""
        try:
            product = product_of(self.said, self._codes, self._preparations, "")
        except Asked:
            return UNSURE
        if product:
            return BITS[product.kind]
        if not is_told(self.said, self._codes):
            return UNSURE
        return KNOWN_OTHER if is_known_other(self.said, self._codes) else 0

    @cached_property
    def is_lab(self) -> bool:
        """Whether it is a result that is read, or the status of a pregnancy."""
        labs = self._codes.labs
        codes = {c.code for c in self.said.coding if c.system == Loinc.system and c.code}
        return PREGNANCY_STATUS in codes or any(
            labs[code].analyte in _ANALYTES for code in codes & labs.keys()
        )

    @cached_property
    def is_concern(self) -> bool:
        """Whether it is a condition that is looked at."""
        return bool(keys_in(self.said, self._codes.concerns.conditions))

    @cached_property
    def is_reason(self) -> bool:
        """Whether a medicine that is taken for it is taken for the thyroid."""
        return is_thyroid_reason(self.said, codes=self._codes)


class Sieve:
    """Decides line by line, for one process."""

    def __init__(self, codes: CodeTables, preparations: Mapping[str, Preparation]) -> None:
        self._codes = codes
        self._preparations = preparations
        self._decode = msgspec.json.Decoder(Head).decode
        self._concept = msgspec.json.Decoder(CodeableConcept | None).decode
        # An export names the same few hundred concepts in millions of lines, and each process
        # looks at its own share: what a concept is, is settled once for each.
        self._seen = lru_cache(maxsize=65536)(self._first_seen)
        self._in_bytes = lru_cache(maxsize=65536)(self._first_decoded)
        self._is_for_thyroid = lru_cache(maxsize=65536)(is_for_thyroid)

    def look(self, line: bytes) -> LineLook:
        """What a line is, and whether any reader could use it.

        Raises
        ------
        NotRead
            for a line that is not one FHIR resource, or is needed and of nobody.
        """
        try:
            head = self._decode(line)
            kind, code, medicine = head.resource_type, head.code, head.medication_codeable_concept
            named = None if code is _ABSENT else self._in_bytes(bytes(code))
            taken = None if medicine is _ABSENT else self._in_bytes(bytes(medicine))
            if kind == "Observation":
                return self._observation(head, named)
            if kind in MEDICINES:
                return self._medicine(head, line, taken)
            return self._rarer(head, line, named)
        except msgspec.ValidationError:
            return _misshapen(line)
        except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
            raise NotRead("this line is not well-formed JSON") from None

    def _rarer(self, head: Head, line: bytes, code: SeenConcept | None) -> LineLook:
        match head.resource_type:
            case "Patient":
                return LineLook("Patient", _id(head), f"Patient/{_id(head)}", keep=True)
            case "Condition":
                return self._condition(head, code)
            case "Medication":
                kinds = self._kinds_in(code, head.ingredient)
                return LineLook("Medication", _id(head), keep=True, kinds=kinds)
            case "Goal":
                return self._goal(head)
            case "CarePlan":
                look = LineLook("CarePlan", head.id or "", kinds=OURS)
                return _of_patient(head, look) if _OF_A_SERIES in line else look
            case other:
                return LineLook(_checked_type(other), head.id or "")

    def _first_seen(self, said: CodeableConcept) -> SeenConcept:
        return SeenConcept(said, self._codes, self._preparations)

    def _first_decoded(self, raw: bytes) -> SeenConcept | None:
        return self._given(self._concept(raw))

    def _given(self, said: CodeableConcept | None) -> SeenConcept | None:
        return self._seen(said) if said else None

    def _named(self, text: str) -> int:
        """The kinds that a name alone stands for."""
        return self._seen(CodeableConcept(text=text)).kinds

    def _observation(self, head: Head, code: SeenConcept | None) -> LineLook:
        look = LineLook("Observation", head.id or "")
        if code is not None and code.is_lab:
            return _of_patient(head, look)
        for part in head.component:
            if part.code and self._seen(part.code).is_lab:
                return _of_patient(head, look)
        return look

    def _goal(self, head: Head) -> LineLook:
        said, look = head.description, LineLook("Goal", head.id or "")
        wanted = not isinstance(said, CodeableConcept) or self._seen(said).is_concern
        return _of_patient(head, look) if wanted else look

    def _medicine(self, head: Head, line: bytes, taken: SeenConcept | None) -> LineLook:
        inside = head.medication
        concept = self._given(inside.concept) if inside else taken
        reference = inside.reference if inside else head.medication_reference
        r5 = inside is not None if concept is not None or reference is not None else None
        look = LineLook(head.resource_type, head.id or "", r5=r5)
        if concept is not None and not concept.said.silent:
            look.kinds = concept.kinds
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
            named = self._named(shown.display)
            look.otherwise = UNSURE if named not in (0, KNOWN_OTHER) else 0
        if head.reason or head.reason_reference:
            look.reasons = _conditions_in(head)

    def _is_taken_for_thyroid(self, head: Head) -> bool:
        reasoned = head.reason or head.reason_code or head.reason_reference
        if reasoned and any(self._seen(said).is_reason for said in _reasons_in(head)):
            return True
        spoken = head.dosage or head.dosage_instruction
        return bool(spoken) and any(map(self._is_for_thyroid, _words_in(head)))

    def _referred(self, reference: Pointer, head: Head) -> tuple[int, str]:
        """The kinds in the Medication referred to, as far as it shows, and its name."""
        name = reference.reference or ""
        if name.startswith("#"):
            inside = [c for c in head.contained if c.id == name[1:]]
            kinds = [self._kinds_in(self._given(c.code), c.ingredient) for c in inside]
            found = reduce(or_, kinds, 0) if kinds else UNSURE
            if not found and reference.display:
                found = self._named(reference.display) & ~KNOWN_OTHER
            return found, ""
        shown = reference.display
        kinds_shown = self._named(shown) if shown else UNSURE
        return kinds_shown & ~KNOWN_OTHER, local(name)

    def _kinds_in(self, code: SeenConcept | None, parts: tuple[HeadPart, ...]) -> int:
        """The kinds named; unsure where there is no name, or an ingredient is without one."""
        named = [self._seen(s) for part in parts if (s := part.substance)]
        kinds = [concept.kinds for concept in ([code] if code else []) + named]
        pointed = any(part.substance is None and part.pointer is not None for part in parts)
        if code is None or not is_told(code.said, self._codes):
            all_told = bool(parts) and len(named) == len(parts)
            kinds = kinds[1:] if code and all_told else kinds
            pointed = pointed or not all_told
        return (reduce(or_, kinds, 0) & ~KNOWN_OTHER) | (UNSURE if pointed else 0)

    def _condition(self, head: Head, code: SeenConcept | None) -> LineLook:
        if code is not None and not code.is_concern:
            return LineLook(head.resource_type, head.id or "")
        look = _of_patient(head)
        look.kinds = UNSURE if code is not None and code.is_reason else 0
        return look


def _reasons_in(head: Head) -> Iterator[CodeableConcept]:
    """For what a medicine is taken, as far as the line tells."""
    yield from head.reason_code
    yield from (part.concept for part in head.reason if part.concept)
    for pointer in _pointers_to_reasons(head):
        if pointer.display:
            yield CodeableConcept(text=pointer.display)
        if pointer.reference and pointer.reference.startswith("#"):
            yield from (inside.code for inside in head.contained if inside.code)


def _pointers_to_reasons(head: Head) -> Iterator[Pointer]:
    yield from head.reason_reference
    yield from (part.reference for part in head.reason if part.reference)


def _words_in(head: Head) -> Iterator[str]:
    """What the dosages of a medicine say."""
    dosages = (head.dosage,) if isinstance(head.dosage, Words) else head.dosage
    for dosage in (*dosages, *head.dosage_instruction):
        yield from filter(None, (dosage.text, dosage.patient_instruction))


def _conditions_in(head: Head) -> str:
    """The Conditions for which a medicine is taken, as ``|id|id|``."""
    found = [local(p.reference) for p in _pointers_to_reasons(head) if p.reference]
    ids = [name.removeprefix("Condition/") for name in found if name.startswith("Condition/")]
    return f"|{'|'.join(ids)}|" if ids else ""


def _checked_type(kind: object) -> str:
    """A type is counted by its name, so it must be one of FHIR's and no other text."""
    if not isinstance(kind, str) or kind not in TYPES:
        raise NotRead("this line is not a FHIR resource")
    if kind == "Bundle":
        raise NotRead(
            "this line is a Bundle, whose resources are not read: one stands on each line"
        )
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
