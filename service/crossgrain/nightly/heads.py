"""The narrow look at one line of an export: enough to tell what it is, whose, and of what."""

import msgspec

from crossgrain.reading.elements import CodeableConcept


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
