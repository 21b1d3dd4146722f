"""Narrow typed views of the elements that are read; everything else passes unseen.

Each view holds the elements of R4 and of R5 side by side: `shapes` says which of them belong
to which version. Numbers are kept as decoded (`int` or `Decimal`) and are checked where they
are read. Types are strict: a string where FHIR has a number is refused with its place.
"""

import re
from typing import Any, TypeVar

import msgspec

from crossgrain.fhir.read.errors import Category, Unreadable

_ORDINARY_CODING = 30


class View(msgspec.Struct):
    """A part of a resource, as far as it is read."""


Number = Any
"""An `int` or a `Decimal`; checked by `quantities.exact`."""


class Coding(msgspec.Struct, frozen=True):
    system: str | None = None
    code: str | None = None
    display: str | None = None

    @property
    def characters(self) -> int:
        """Of all that it says, and no fewer than an ordinary coding has."""
        said = len(self.system or "") + len(self.code or "") + len(self.display or "")
        return max(said, _ORDINARY_CODING)


class CodeableConcept(msgspec.Struct, frozen=True):
    coding: tuple[Coding, ...] = ()
    text: str | None = None

    @property
    def silent(self) -> bool:
        """Whether it says nothing."""
        return not self.coding and not self.text

    @property
    def characters(self) -> int:
        """Of all that it says; a coding takes room even where it says little."""
        return len(self.text or "") + sum(coding.characters for coding in self.coding)


class Identifier(View):
    system: str | None = None
    value: str | None = None


class Reference(View):
    reference: str | None = None
    identifier: Identifier | None = None
    display: str | None = None


class CodeableReference(View):
    concept: CodeableConcept | None = None
    reference: Reference | None = None


class Quantity(View):
    value: Number = None
    comparator: str | None = None
    unit: str | None = None
    system: str | None = None
    code: str | None = None


class Range(View):
    low: Quantity | None = None
    high: Quantity | None = None


class Ratio(View):
    numerator: Quantity | None = None
    denominator: Quantity | None = None


class Period(View):
    start: str | None = None
    end: str | None = None


class Repeat(View):
    bounds_period: Period | None = msgspec.field(default=None, name="boundsPeriod")
    bounds_duration: Quantity | None = msgspec.field(default=None, name="boundsDuration")
    bounds_range: Range | None = msgspec.field(default=None, name="boundsRange")
    count: Number = None
    frequency: Number = None
    frequency_max: Number = msgspec.field(default=None, name="frequencyMax")
    period: Number = None
    period_max: Number = msgspec.field(default=None, name="periodMax")
    period_unit: str | None = msgspec.field(default=None, name="periodUnit")
    day_of_week: tuple[str, ...] = msgspec.field(default=(), name="dayOfWeek")
    time_of_day: tuple[str, ...] = msgspec.field(default=(), name="timeOfDay")
    when: tuple[str, ...] = ()


class Timing(View):
    event: tuple[str, ...] = ()
    repeat: Repeat | None = None
    code: CodeableConcept | None = None
    modifier: tuple[Any, ...] = msgspec.field(default=(), name="modifierExtension")


class DoseAndRate(View, rename="camel"):
    type: CodeableConcept | None = None
    dose_quantity: Quantity | None = None
    dose_range: Range | None = None
    rate_quantity: Quantity | None = None
    rate_range: Range | None = None
    rate_ratio: Ratio | None = None


class Dosage(View, rename="camel"):
    sequence: int | None = None
    text: str | None = None
    additional_instruction: tuple[CodeableConcept, ...] = ()
    patient_instruction: str | None = None
    timing: Timing | None = None
    route: CodeableConcept | None = None
    as_needed_boolean: bool | None = None
    as_needed_codeable_concept: CodeableConcept | None = None
    as_needed: bool | None = None
    as_needed_for: tuple[CodeableConcept, ...] = ()
    dose_and_rate: tuple[DoseAndRate, ...] = ()
    max_dose_per_period: Any = None
    modifier: tuple[Any, ...] = msgspec.field(default=(), name="modifierExtension")
    dose_quantity: Any = None
    dose_range: Any = None

    @property
    def repeat(self) -> Repeat | None:
        """How it is repeated, where that is coded."""
        return self.timing.repeat if self.timing else None

    @property
    def bounds(self) -> Period | None:
        """From when until when it holds, where that is given as dates."""
        repeat = self.repeat
        return repeat.bounds_period if repeat else None


class Resource(View, rename="camel"):
    """What every resource may carry that changes how it must be read."""

    resource_type: str
    id: str | None = None
    modifier: tuple[Any, ...] = msgspec.field(default=(), name="modifierExtension")


class Patient(Resource):
    birth_date: str | None = None
    deceased_boolean: bool | None = None
    deceased_date_time: str | None = None
    gender: str | None = None


class Medicine(Resource):
    """What MedicationStatement and MedicationRequest share."""

    status: str | None = None
    subject: Reference | None = None
    contained: tuple[dict[str, Any], ...] = ()
    identifier: tuple[Identifier, ...] = ()
    medication_codeable_concept: CodeableConcept | None = None
    medication_reference: Reference | None = None
    medication: CodeableReference | None = None
    reason: tuple[CodeableReference, ...] = ()
    reason_code: tuple[CodeableConcept, ...] = ()
    reason_reference: tuple[Reference, ...] = ()


class Adherence(View):
    code: CodeableConcept | None = None


class MedicationStatement(Medicine):
    effective_date_time: str | None = None
    effective_period: Period | None = None
    date_asserted: str | None = None
    dosage: tuple[Dosage, ...] = ()
    based_on: tuple[Reference, ...] = ()
    derived_from: tuple[Reference, ...] = ()
    context: Reference | None = None
    encounter: Reference | None = None
    adherence: Adherence | None = None
    taken: str | None = None


class MedicationRequest(Medicine):
    intent: str | None = None
    do_not_perform: bool | None = None
    reported_boolean: bool | None = None
    reported: bool | None = None
    authored_on: str | None = None
    requester: Reference | None = None
    encounter: Reference | None = None
    group_identifier: Identifier | None = None
    prior_prescription: Reference | None = None
    dosage_instruction: tuple[Dosage, ...] = ()


class Ingredient(View, rename="camel"):
    item_codeable_concept: CodeableConcept | None = None
    item_reference: Reference | None = None
    item: CodeableReference | None = None
    is_active: bool | None = None
    strength: Ratio | None = None
    strength_ratio: Ratio | None = None
    strength_quantity: Quantity | None = None
    modifier: tuple[Any, ...] = msgspec.field(default=(), name="modifierExtension")


class Medication(Resource):
    status: str | None = None
    code: CodeableConcept | None = None
    form: CodeableConcept | None = None
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


class AllergyIntolerance(Resource):
    clinical_status: CodeableConcept | None = None
    verification_status: CodeableConcept | None = None
    code: CodeableConcept | None = None
    patient: Reference | None = None
    onset_date_time: str | None = None
    recorded_date: str | None = None


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


def view(content: object, kind: type[V], path: str) -> V:
    """See `content` as `kind`.

    Raises
    ------
    Unreadable
        ``structure``, with the FHIRPath of the element whose type is wrong.
    """
    try:
        return msgspec.convert(content, kind)
    except msgspec.ValidationError as fault:
        what, _, where = str(fault).partition(" - at `$")
        place = path + _CHOICE.sub(r".\1", where.rstrip("`"))
        raise Unreadable(Category.STRUCTURE, place, what[:1].lower() + what[1:]) from None
