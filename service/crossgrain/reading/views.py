"""Narrow typed views of the resources that are read; everything else in them passes unseen."""

import re
from typing import Any, TypeVar

import msgspec

from crossgrain.reading.elements import (
    NOT_GIVEN,
    CodeableConcept,
    CodeableReference,
    Dosage,
    Identifier,
    Period,
    Quantity,
    Ratio,
    ReadCategory,
    Reference,
    Timing,
    Unreadable,
    View,
)


class Resource(View, rename="camel"):
    """What every resource may carry that changes how it must be read."""

    resource_type: str
    id: str | None = None
    modifier: tuple[Any, ...] = msgspec.field(default=(), name="modifierExtension")


class PatientLink(View):
    type: str | None = None


class Patient(Resource):
    active: bool | None = None
    link: tuple[PatientLink, ...] = ()
    birth_date: str | None = None
    deceased_boolean: bool | None = None
    deceased_date_time: str | None = None
    gender: str | None = None


class Medicine(Resource):
    """What MedicationStatement and MedicationRequest share."""

    status: str | None = None
    status_absent: Any = msgspec.field(default=None, name="_status")
    subject: Reference | None = None
    contained: tuple[dict[str, Any], ...] = ()
    identifier: tuple[Identifier, ...] = ()
    medication_codeable_concept: CodeableConcept | None = None
    medication_reference: Reference | None = None
    medication: CodeableReference | None = None
    reason: tuple[CodeableReference, ...] = ()
    reason_code: tuple[CodeableConcept, ...] = ()
    reason_reference: tuple[Reference, ...] = ()
    rendered_dosage_instruction: str | None = None
    note: Any = None
    extension: Any = None
    language: str | None = None


class Adherence(View):
    code: CodeableConcept | None = None


class MedicationStatement(Medicine):
    effective_date_time: str | None = None
    effective_period: Period | None = None
    effective_timing: Timing | None = None
    date_asserted: str | None = None
    dosage: tuple[Dosage, ...] = ()
    based_on: tuple[Reference, ...] = ()
    derived_from: tuple[Reference, ...] = ()
    context: Reference | None = None
    encounter: Reference | None = None
    adherence: Adherence | None = None
    status_reason: tuple[CodeableConcept, ...] = ()
    taken: str | None = None

    @property
    def held(self) -> Period | None:
        """From when until when it was taken, where that is given; R5 has it in a timing too."""
        timed = self.effective_timing.repeat if self.effective_timing else None
        return self.effective_period or (timed.bounds_period if timed else None)


class DispenseRequest(View, rename="camel"):
    validity_period: Period | None = None
    expected_supply_duration: Quantity | None = None
    number_of_repeats_allowed: Any = None
    quantity: Quantity | None = None


class MedicationRequest(Medicine):
    intent: str | None = None
    intent_absent: Any = msgspec.field(default=None, name="_intent")
    do_not_perform: bool | None = None
    reported_boolean: bool | None = None
    reported: bool | None = None
    authored_on: str | None = None
    status_changed: str | None = None
    status_reason: CodeableConcept | None = None
    requester: Reference | None = None
    encounter: Reference | None = None
    group_identifier: Identifier | None = None
    prior_prescription: Reference | None = None
    supporting_information: Any = None
    dispense_request: DispenseRequest | None = None
    effective_dose_period: Period | None = None
    dosage_instruction: tuple[Dosage, ...] = ()

    @property
    def dosages(self) -> tuple[Dosage, ...]:
        """Its dosages; where none has dates of its own, each with the period of the order.

        Those that follow one another are parts of that period, and which ones is not said. One
        whose timing stands in words alone is held by the period of its order as it is.
        """
        dosages, period = self.dosage_instruction, self.effective_dose_period
        if period is None or any(dosage.bounds or not dosage.timing for dosage in dosages):
            return dosages
        follow = len({dosage.sequence for dosage in dosages}) > 1
        return dosages if follow else tuple(dosage.within(period) for dosage in dosages)


class Ingredient(View, rename="camel"):
    item_codeable_concept: CodeableConcept | None = None
    item_reference: Reference | None = None
    item: CodeableReference | None = None
    is_active: bool | None = None
    strength: Ratio | None = None
    strength_ratio: Ratio | None = None
    strength_quantity: Quantity | None = None
    modifier: tuple[Any, ...] = msgspec.field(default=(), name="modifierExtension")

    @property
    def substance(self) -> CodeableConcept | None:
        """What it is, in either version's shape, where it is not only referred to."""
        return self.item_codeable_concept or (self.item.concept if self.item else None)

    @property
    def pointer(self) -> Reference | None:
        """The reference to what it is, in either version's shape."""
        return self.item_reference or (self.item.reference if self.item else None)


class Medication(Resource):
    status: str | None = None
    code: CodeableConcept | None = None
    form: CodeableConcept | None = None
    dose_form: CodeableConcept | None = None
    contained: tuple[dict[str, Any], ...] = ()
    ingredient: tuple[Ingredient, ...] = ()


class ReferenceRange(View, rename="camel"):
    low: Quantity | None = None
    high: Quantity | None = None
    type: CodeableConcept | None = None
    applies_to: tuple[CodeableConcept, ...] = ()
    age: Any = None
    modifier: tuple[Any, ...] = msgspec.field(default=(), name="modifierExtension")


class Component(View, rename="camel"):
    code: CodeableConcept | None = None
    value_quantity: Quantity | None = None
    value_codeable_concept: CodeableConcept | None = None
    value_string: str | None = None
    data_absent_reason: CodeableConcept | None = None
    reference_range: tuple[ReferenceRange, ...] = ()
    modifier: tuple[Any, ...] = msgspec.field(default=(), name="modifierExtension")


class Observation(Resource):
    status: str | None = None
    code: CodeableConcept | None = None
    subject: Reference | None = None
    focus: tuple[Reference, ...] = ()
    effective_date_time: str | None = None
    effective_instant: str | None = None
    effective_period: Period | None = None
    issued: str | None = None
    value_quantity: Quantity | None = None
    value_codeable_concept: CodeableConcept | None = None
    value_string: str | None = None
    data_absent_reason: CodeableConcept | None = None
    reference_range: tuple[ReferenceRange, ...] = ()
    component: tuple[Component, ...] = ()


class Condition(Resource):
    clinical_status: CodeableConcept | None = None
    verification_status: CodeableConcept | None = None
    code: CodeableConcept | None = None
    subject: Reference | None = None
    onset_date_time: str | None = None
    onset_period: Period | None = None
    recorded_date: str | None = None


class AllergyReaction(View):
    substance: CodeableConcept | None = None
    modifier: tuple[Any, ...] = msgspec.field(default=(), name="modifierExtension")


class AllergyIntolerance(Resource):
    clinical_status: CodeableConcept | None = None
    verification_status: CodeableConcept | None = None
    code: CodeableConcept | None = None
    patient: Reference | None = None
    onset_date_time: str | None = None
    recorded_date: str | None = None
    reaction: tuple[AllergyReaction, ...] = ()


class Goal(Resource):
    lifecycle_status: str | None = None
    description: CodeableConcept | None = None
    subject: Reference | None = None


V = TypeVar("V", bound=msgspec.Struct)
_CHOICE = re.compile(
    r"\.(asNeeded|bounds|deceased|dose|effective|item|medication|onset|rate|reported|strength"
    r"|value)(?:Boolean|CodeableConcept|DateTime|Duration|Instant|Period|Quantity|Range|Ratio"
    r"|Reference|String|Timing)\b"
)
"""FHIRPath names a choice without its type: ``dose``, not ``doseQuantity``."""
_TYPES_OF = {
    "asNeeded": "Boolean CodeableConcept",
    "bounds": "Duration Period Range",
    "deceased": "Boolean DateTime",
    "effective": "DateTime Instant Period Timing",
    "item": "CodeableConcept Reference",
    "medication": "CodeableConcept Reference",
    "onset": "Age DateTime Period Range String",
    "rate": "Quantity Range Ratio",
    "reported": "Boolean Reference",
    "strength": "CodeableConcept Quantity Ratio",
    "value": "Attachment Boolean CodeableConcept Coding Date DateTime Decimal Integer Period"
    " Quantity Range Ratio Reference SampledData String Time Uri",
}
"""By element that is read and may be of one type out of several, R4 and R5: those. An amount beside
a range of amounts is no fault of this kind: which of them is taken can be asked."""
_ELEMENT_OF = {
    f"{element}{of}": element for element, types in _TYPES_OF.items() for of in types.split()
}
_LISTS_OF_TIMES = frozenset({"dayOfWeek", "timeOfDay", "when"})
_PARTS_WITH_CHOICES = frozenset(
    """
    answer component dosage dosageInstruction doseAndRate effectiveTiming ingredient item repeat
    timing
    """.split()  # noqa: SIM905 - a list of words reads better than of quoted ones
)


def view(content: object, kind: type[V], path: str) -> V:
    """See `content` as `kind`.

    Raises
    ------
    Unreadable
        ``structure``, with the FHIRPath of the element whose type is wrong, or that is given in
        two types at once: then nobody can tell which is meant.
    """
    if isinstance(content, dict):
        _refuse_two_types(content, path)
    try:
        return msgspec.convert(content, kind)
    except msgspec.ValidationError as fault:
        filled = _with_gaps_named(content)
        if filled != content:
            return view(filled, kind, path)
        what, _, where = str(fault).partition(" - at `$")
        place = path + _CHOICE.sub(r".\1", where.rstrip("`"))
        raise Unreadable(ReadCategory.STRUCTURE, place, what[:1].lower() + what[1:]) from None


def _refuse_two_types(content: dict[str, Any], path: str) -> None:
    given: dict[str, str] = {}
    for name in sorted(content.keys() & _ELEMENT_OF.keys()):
        element = _ELEMENT_OF[name]
        if content[name] is not None and given.setdefault(element, name) != name:
            raise Unreadable(
                ReadCategory.STRUCTURE,
                f"{path}.{element}",
                f"this stands here twice, as {given[element]} and as {name}: give the one that is"
                " meant",
            )
    for name in content.keys() & _PARTS_WITH_CHOICES:
        part = content[name]
        if isinstance(part, dict):
            _refuse_two_types(part, f"{path}.{name}")
        for number, each in enumerate(part if isinstance(part, list) else ()):
            if isinstance(each, dict):
                _refuse_two_types(each, f"{path}.{name}[{number}]")


def _with_gaps_named(content: Any) -> Any:
    """The same, with what is ``null`` in a list of days or times named as not given."""
    if isinstance(content, list):
        return [_with_gaps_named(each) for each in content]
    if not isinstance(content, dict):
        return content
    return {
        name: [NOT_GIVEN if each is None else each for each in held]
        if name in _LISTS_OF_TIMES and isinstance(held, list)
        else _with_gaps_named(held)
        for name, held in content.items()
    }
